"""The alarms of one rig: the catalogue's defaults, what the rig file says otherwise, and the rule on delays."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from brakewater.alarms.annunciator import BY_HAND
from brakewater.alarms.catalogue import CATALOGUE, RE_ALARM, TABLES, AlarmKind, Priority, Scope, Shape
from brakewater.rig.bounds import QUICKER, Broken, broken, late_ns
from brakewater.rig.faults import Faults
from brakewater.rig.model import AlarmRule
from brakewater.rig.settings import beyond_maker
from brakewater.rig.tables import AlarmEntry, Brake, Lamp
from brakewater.units import Dimension, UnitError, parse

Located = tuple[tuple[Any, ...], AlarmEntry]
"""An entry and its path in the file."""

OPTIONAL = {"least-pressure": "least_pressure", "most-flow": "most_flow", "strainer-limit": "strainer_limit"}
"""Keys of a brake that have no default, so that an alarm without them has no setpoint."""
_UNKNOWN_NS = 3_000_000_000
_SLOWEST_NS = 1_000_000_000
_OFTEN = f"at least every second: slower, a lost flow is not told in time; {QUICKER}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Subjects:
    """What alarms may be raised for on this rig."""

    points: tuple[str, ...]
    devices: tuple[str, ...]
    beating: tuple[str, ...]
    """Devices with a heartbeat."""
    broker: bool
    lamp_writes: bool = False
    panel: bool = False
    battery: bool = False
    beyond: bool = False
    """An alarm is set beyond the maker's limit."""
    roles: frozenset[str] = frozenset()
    """Rig-wide roles that there are points for."""
    mirrors: tuple[str, ...] = ()
    rounds: tuple[str, ...] = ()
    gaps: tuple[str, ...] = ()
    """Brakes whose air gap stands in the book."""


def chosen(scopes: tuple[Scope, ...], entries: Sequence[Located], faults: Faults) -> dict[str, Located]:
    """The file's entries by alarm name; complains of unknown and doubled ones."""
    known = [kind.name for kind in CATALOGUE.values() if kind.scope in scopes]
    found: dict[str, Located] = {}
    for path, entry in entries:
        if entry.alarm not in known:
            faults.add_choice((*path, "alarm"), entry.alarm, known)
        elif entry.alarm in found:
            faults.add((*path, "alarm"), f"a second entry for {entry.alarm}", "one entry an alarm")
        else:
            found[entry.alarm] = (path, entry)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A brake, where it stands in the file, how often it is looked at, and whether its limits make sense."""

    brake: Brake
    path: tuple[Any, ...]
    scan_ns: int
    sound: bool
    late: Mapping[str, int]
    """Role -> how far behind the scan its reading may be by its cadence and its damping, ns; where that is not 0."""

    roles: frozenset[str] = frozenset()
    """Roles that the brake, or the rig as a whole, has points for."""
    units: str = "us"
    """In which the crew reads, for messages."""
    tables: frozenset[str] = frozenset()
    """What the file describes, of ``catalogue.TABLES``."""

    def has(self, kind: AlarmKind, said: Mapping[str, Located]) -> bool:
        """Whether an alarm can come on this brake: its signals are there, and its setpoint where it has no default."""
        if kind.waits or not self.roles.issuperset(kind.needs) or not self.tables.issuperset(kind.tables):
            return False
        key = OPTIONAL.get(kind.setpoint)
        return key is None or kind.name in said or getattr(self.brake, key) is not None

    def late_ns(self, quantity: str) -> int:
        """How far behind the scan a quantity may be, by cadence and damping of what it is made of."""
        return late_ns(self.late, quantity)


def of_brake(place: Place, entries: Sequence[Located], faults: Faults) -> list[AlarmRule]:
    """Every alarm of one brake."""
    said = chosen((Scope.BRAKE,), entries, faults)
    kinds = [kind for kind in CATALOGUE.values() if kind.scope is Scope.BRAKE and place.has(kind, said)]
    for name, (path, _) in said.items():
        if CATALOGUE[name] not in kinds:
            kind = CATALOGUE[name]
            needs = ", ".join((*kind.needs, *(TABLES[table] for table in kind.tables))) or kind.waits
            faults.add((*path, "alarm"), repr(name), f"it where there is what it looks at: {needs}")
    found = [_rule(kind, place, None, said.get(kind.name), faults) for kind in kinds]
    return [rule for rule in found if rule is not None]


def of_rig(subjects: Subjects, entries: Sequence[Located], faults: Faults) -> list[AlarmRule]:
    """Every alarm of the rig's signals, devices and links."""
    said = chosen((Scope.POINT, Scope.DEVICE, Scope.RIG), entries, faults)
    wanted = [(CATALOGUE["device-silent"], name) for name in subjects.devices]
    wanted += [(CATALOGUE["device-stuck"], name) for name in subjects.beating]
    wanted += [(CATALOGUE[kind], name) for kind in ("signal-bad", "signal-doubtful") for name in subjects.points]
    rules = [_rule(kind, None, subject, said.get(kind.name), faults) for kind, subject in wanted]
    rules += [
        _rule(kind, None, None, said.get(kind.name), faults)
        for kind in CATALOGUE.values()
        if kind.scope is Scope.RIG and kind.needs and not kind.waits and subjects.roles.issuperset(kind.needs)
    ]
    rules.append(_rule(CATALOGUE["record-stalled"], None, None, said.get("record-stalled"), faults))
    behind = CATALOGUE["mirror-behind"]
    rules += [_rule(behind, None, name, said.get("mirror-behind"), faults) for name in subjects.mirrors]
    rules.append(_rule(CATALOGUE["clock-stepped"], None, None, said.get("clock-stepped"), faults))
    rules.append(_rule(CATALOGUE["disk-low"], None, None, said.get("disk-low"), faults))
    if subjects.broker:
        rules.append(_rule(CATALOGUE["broker-lost"], None, None, said.get("broker-lost"), faults))
    rules.append(_rule(CATALOGUE["part-restarting"], None, None, said.get("part-restarting"), faults))
    if subjects.panel:
        rules.append(_rule(CATALOGUE["panel-lost"], None, None, said.get("panel-lost"), faults))
    if subjects.battery:
        rules.append(_rule(CATALOGUE["on-battery"], None, None, said.get("on-battery"), faults))
    if subjects.lamp_writes:
        rules.append(_rule(CATALOGUE["lamp-write-failed"], None, None, said.get("lamp-write-failed"), faults))
    if subjects.beyond:
        rules.append(_rule(CATALOGUE["limits-above-maker"], None, None, said.get("limits-above-maker"), faults))
    for name, booked in (("round-due", subjects.rounds), ("air-gap-drifting", subjects.gaps)):
        rules += [_rule(CATALOGUE[name], None, subject, said.get(name), faults) for subject in booked]
    return [rule for rule in rules if rule is not None]


def _rule(
    kind: AlarmKind, place: Place | None, subject: str | None, said: Located | None, faults: Faults
) -> AlarmRule | None:
    brake = place.brake if place else None
    path, entry = said or (place.path if place else (), AlarmEntry(alarm=kind.name))
    before = faults.count
    setpoint = _quantity(faults, (*path, "setpoint"), lambda: _setpoint(kind, brake, entry))
    deadband = _quantity(faults, (*path, "deadband"), lambda: _deadband(kind, entry))
    if faults.count > before:
        return None
    rule = AlarmRule(
        kind=kind,
        brake=brake.name if brake else None,
        subject=subject,
        setpoint=setpoint,
        deadband=deadband or 0.0,
        on_ns=_on_delay(kind, place) if entry.on_delay is None else entry.on_delay,
        off_ns=_delay(kind.off_delay) if entry.off_delay is None else entry.off_delay,
        unknown_ns=_unknown_delay(kind, place) if place and kind.unknown_delay else None,
        priority=entry.priority or kind.priority.value,
        latching=entry.latch,
        defaults=_defaults(kind, brake, entry),
        realarm_ns=_re_alarm(kind, entry),
    )
    if place is not None and entry.setpoint is not None and not entry.basis and beyond_maker(rule, place.brake):
        allowed = f"a basis beside a setpoint beyond the brake's {kind.limit}: which manual says so, who entered it"
        faults.add((*path, "setpoint"), repr(entry.setpoint), allowed)
    if place is not None and (said or place.sound):
        is_sound = faults.count == before
        if is_sound and kind.shape is Shape.LOST:
            _check_told_often(kind, place, faults)
        for one in broken(rule, place.brake, place.scan_ns, place.late, place.units):
            if is_sound or one.key == "setpoint":
                _refuse(one, rule, (place, path), faults)
    return rule


def _defaults(kind: AlarmKind, brake: Brake | None, entry: AlarmEntry) -> frozenset[str]:
    """The settings that come from the catalogue, or from a default of the brake's key."""
    said = {key.replace("_", "-") for key in entry.model_fields_set}
    if brake is not None and kind.setpoint.replace("-", "_") in brake.model_fields_set:
        said.add("setpoint")
    has = ["on-delay", "off-delay", *(["setpoint"] if kind.setpoint else []), *(["deadband"] if kind.deadband else [])]
    return frozenset(has) - said


def _quantity(faults: Faults, path: tuple[Any, ...], read: Callable[[], float | None]) -> float | None:
    try:
        return read()
    except UnitError as error:
        faults.add(path, error.found, error.allowed)
        return None


def _setpoint(kind: AlarmKind, brake: Brake | None, entry: AlarmEntry) -> float | None:
    if not kind.setpoint:
        if entry.setpoint is not None:
            raise UnitError(repr(entry.setpoint), f"nothing: {kind.name} has no setpoint; leave it out")
        return None
    if entry.setpoint is not None:
        return parse(entry.setpoint, kind.dimension)
    field = kind.setpoint.replace("-", "_")
    if brake is not None and kind.setpoint in OPTIONAL and getattr(brake, field) is None:
        raise UnitError("nothing", f"a setpoint, or {kind.setpoint} in [[brake]]")
    if brake is not None and field in Brake.model_fields:
        return float(getattr(brake, field)) * kind.factor
    if brake is not None and kind.setpoint == "rise-limit":
        return brake.outlet_limit - brake.inlet_limit
    return parse(kind.setpoint, kind.dimension)


def _deadband(kind: AlarmKind, entry: AlarmEntry) -> float:
    if not kind.deadband:
        if entry.deadband is not None:
            raise UnitError(repr(entry.deadband), f"nothing: {kind.name} has no deadband; leave it out")
        return 0.0
    deadband = parse(entry.deadband or kind.deadband, kind.difference)
    if deadband < 0:
        raise UnitError(repr(entry.deadband), "zero or more")
    return deadband


def _re_alarm(kind: AlarmKind, entry: AlarmEntry) -> int | None:
    """The entry's, or that of the entry's priority."""
    if entry.re_alarm is not None:
        return entry.re_alarm
    text = RE_ALARM.get(Priority(entry.priority or kind.priority))
    return None if text is None else _delay(text)


def latched(lamps: Sequence[Lamp], alarm_rules: Sequence[AlarmRule]) -> list[AlarmRule]:
    """The rules, those latching that a lamp shows which stays lit until reset."""
    by_hand = [lamp for lamp in lamps if lamp.sequence in BY_HAND]
    return [
        replace(rule, latching=rule.latching or any(lamp.shows(rule.name) for lamp in by_hand)) for rule in alarm_rules
    ]


def _on_delay(kind: AlarmKind, place: Place | None) -> int:
    """The catalogue's; a lost flow must be out with the second scan, however short a scan is."""
    delay = _delay(kind.on_delay)
    return min(delay, place.scan_ns // 2) if place and kind.shape is Shape.LOST else delay


def _unknown_delay(kind: AlarmKind, place: Place) -> int:
    """The catalogue's; unknown flow must be out within three seconds, two slow scans included."""
    return min(_delay(kind.unknown_delay), _UNKNOWN_NS - 2 * place.scan_ns)


def _delay(text: str) -> int:
    return round(parse(text, Dimension.TIME) * 1e9)


def _check_told_often(kind: AlarmKind, place: Place, faults: Faults) -> None:
    for role in (kind.quantity, "in-service"):
        between_ns = place.late_ns(role) + place.scan_ns
        if between_ns > _SLOWEST_NS:
            faults.add(place.path, f"{role} told only every {between_ns * 1e-9:g} s", _OFTEN)


def _refuse(one: Broken, rule: AlarmRule, at: tuple[Place, tuple[Any, ...]], faults: Faults) -> None:
    """Complains at the entry's key, or of a default at its brake, which is then all there is to point at."""
    place, path = at
    found = one.found if one.key == "setpoint" else f"{one.found}{',' if ',' in one.found else ''} for {rule.key}"
    if path != place.path:
        faults.add((*path, one.key), found, one.allowed)
    else:
        other = "" if one.why == "hopeless" else f'; give another in [[brake.alarm]] with alarm = "{rule.kind.name}"'
        faults.add(path, f"{one.key} {found}", one.allowed, f"this is the default{other}")
