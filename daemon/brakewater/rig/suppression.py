"""``[[suppress]]``: the state-based table of what is suppressed by design, resolved to alarms and a contact."""

from collections.abc import Sequence

from brakewater.alarms.catalogue import PROTECTED
from brakewater.rig.faults import Faults
from brakewater.rig.located import At
from brakewater.rig.model import AlarmRule, Point, Suppression
from brakewater.rig.roles import ROLES
from brakewater.rig.tables import SuppressEntry


def resolved(
    entries: Sequence[At[SuppressEntry]], rules: Sequence[AlarmRule], points: Sequence[Point], faults: Faults
) -> tuple[Suppression, ...]:
    """Every row whose contact and alarms exist; complains of the others, and of alarms that nothing may hide."""
    contacts = [point.name for point in points if ROLES[point.role].bit]
    found = []
    for at in entries:
        before, entry = faults.count, at.item
        if entry.point not in contacts:
            faults.add_choice((*at.path, "point"), entry.point, contacts)
        if not entry.basis.strip():
            faults.add((*at.path, "basis"), repr(entry.basis), "why these alarms mean nothing then, and who decided it")
        keys: list[str] = []
        for name in entry.alarms:
            keys += _keys(name, at, rules, faults)
        if faults.count == before:
            found.append(
                Suppression(
                    alarms=tuple(dict.fromkeys(keys)),
                    point=entry.point,
                    when_on=entry.state == "on",
                    after_ns=entry.after,
                    basis=entry.basis,
                )
            )
    return tuple(found)


def _keys(name: str, at: At[SuppressEntry], rules: Sequence[AlarmRule], faults: Faults) -> list[str]:
    chosen = [rule for rule in rules if name in (rule.key, rule.name, rule.kind.name)]
    if not chosen:
        faults.add_choice((*at.path, "alarms"), name, dict.fromkeys(rule.key for rule in rules))
    for kind in {rule.kind.name for rule in chosen} & PROTECTED:
        faults.add((*at.path, "alarms"), repr(name), f"any but {', '.join(sorted(PROTECTED))}: nothing hides {kind}")
    return [rule.key for rule in chosen]
