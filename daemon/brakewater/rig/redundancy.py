"""``[[brake.redundant]]``: several sensors of one kind on one brake, resolved and checked."""

from collections.abc import Sequence
from typing import Any, Final

from brakewater.rig.complaints import amount
from brakewater.rig.faults import Faults
from brakewater.rig.located import At
from brakewater.rig.model import Point, Redundant
from brakewater.rig.point_stages import difference
from brakewater.rig.roles import ROLES
from brakewater.rig.tables import RedundantEntry
from brakewater.units import UnitError

_MOST: Final = 3
_FITTING: Final = tuple(name for name, role in ROLES.items() if role.brake and not role.bit)


def resolved(
    entries: Sequence[At[RedundantEntry]], points: Sequence[tuple[tuple[Any, ...], str, Point | None]], faults: Faults
) -> tuple[Redundant, ...]:
    """What is made of each.

    Args:
        entries: as written; ``brake`` is set.
        points: brake's path, role and, unless it is faulty, the point, of every point of a brake.
        faults: takes complaints.
    """
    found: dict[tuple[Any, ...], Redundant] = {}
    for at in entries:
        if at.item.role not in _FITTING:
            faults.add_choice((*at.path, "role"), at.item.role, _FITTING)
            continue
        key = (at.path[:2], at.item.role)
        if key in found:
            faults.add((*at.path, "role"), f"a second entry for {at.item.role!r}", "one entry a role")
            continue
        one = _one(at, [point for path, role, point in points if (path, role) == key], faults)
        if one is not None:
            found[key] = one
    return tuple(found.values())


def _one(at: At[RedundantEntry], points: list[Point | None], faults: Faults) -> Redundant | None:
    entry = at.item
    least = _MOST if entry.rule == "two-of-three" else 2
    if not least <= len(points) <= _MOST:
        wanted = f"{least} or {_MOST}" if least < _MOST else f"{_MOST}"
        key = "rule" if len(points) > 1 else "role"
        faults.add((*at.path, key), f"{len(points)} points with role {entry.role!r}", f"{wanted} for {entry.rule!r}")
        return None
    apart = None
    if entry.apart is not None:
        try:
            apart = amount(entry.apart, difference(ROLES[entry.role].dimension))
        except UnitError as error:
            faults.add((*at.path, "apart"), error.found, error.allowed)
            return None
    sound = [point for point in points if point is not None]
    if len(sound) < len(points):
        return None
    return Redundant(
        brake=at.brake or "",
        role=entry.role,
        rule=entry.rule,
        points=tuple(sound),
        apart=apart,
        hold_ns=entry.hold,
    )
