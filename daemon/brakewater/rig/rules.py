"""The alarms of one rig: the catalogue's defaults, what the rig file says otherwise, and the rule on delays."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from brakewater.alarms.annunciator import BY_HAND
from brakewater.alarms.catalogue import CATALOGUE, RE_ALARM, TABLES, AlarmKind, Priority, Scope, Shape
from brakewater.errors import Fault
from brakewater.rig.faults import Faults
from brakewater.rig.model import AlarmRule, Point, Rig
from brakewater.rig.settings import beyond_maker
from brakewater.rig.tables import AlarmEntry, Brake, Lamp
from brakewater.units import Dimension, UnitError, parse, shown

Located = tuple[tuple[Any, ...], AlarmEntry]
"""An entry and its path in the file."""

OPTIONAL = {"least-pressure": "least_pressure", "most-flow": "most_flow", "strainer-limit": "strainer_limit"}
"""Keys of a brake that have no default, so that an alarm without them has no setpoint."""
_UNKNOWN_NS = 3_000_000_000
_SLOWEST_NS = 1_000_000_000
_QUICKER = "a smaller every, less damping or another line"
_OFTEN = f"at least every second: slower, a lost flow is not told in time; {_QUICKER}"
_BOILING_DEGC = 99.6
"""Water at 1 bar boils at 99.606 degC (IAPWS-IF97); rounded down."""


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
        return self.late.get(_MADE_OF.get(quantity, quantity), 0)


_MADE_OF: Final[Mapping[str, str]] = {"level_rate_m_s": "brake-level", "level_rise_m": "brake-level"}
"""Derived quantity -> the role it is made of; those of several temperatures move slowly beside any cadence."""


def lateness(points: Sequence[Point], brake: str, scan_ns: int) -> dict[str, int]:
    """Role -> how far behind the scan the slowest of a brake's points may be, ns.

    A damped value has moved wholly only after its whole window, so the window counts.
    """
    found: dict[str, int] = {}
    for point in points:
        if point.brake == brake:
            damping = point.conditioning.damping
            scans = point.every - 1 + (damping.scans - 1 if damping is not None else 0)
            found[point.role] = max(found.get(point.role, 0), scans * scan_ns)
    return found


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
        _check_setpoint(rule, place, path, faults)
        if faults.count == before:
            _check_delay(rule, place, path, faults)
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


_TIME_TO_LIMIT_S: dict[str, Callable[[float, Brake], float]] = {
    "brake-level-high": lambda setpoint, brake: (brake.bearing_level - setpoint) / brake.worst_level_rate,
    "brake-level-rising": lambda _, brake: 0.5 * brake.bearing_level / brake.worst_level_rate,
    "outlet-temperature-high": lambda setpoint, brake: (_BOILING_DEGC - setpoint) / brake.worst_outlet_rate,
    "inlet-temperature-high": lambda setpoint, brake: (brake.outlet_limit - setpoint) / brake.worst_inlet_rate,
    "cooling-flow-low": lambda _, brake: brake.dry_time * 1e-9,
    "supply-pressure-low": lambda _, brake: brake.dry_time * 1e-9,
    "cooling-margin-low": lambda _, brake: brake.dry_time * 1e-9,
    "return-restricted": lambda _, brake: 0.5 * brake.bearing_level / brake.worst_level_rate,
    "rotor-hot-no-flow": lambda _, brake: brake.dry_time * 1e-9,
    "outlet-rise-high": lambda _, brake: (_BOILING_DEGC - brake.outlet_limit) / brake.worst_outlet_rate,
}


def time_to_limit_s(rule: AlarmRule, brake: Brake) -> float:
    """From the setpoint to harm at the worst credible rate, in seconds; infinite where no limit is set by physics."""
    law = _TIME_TO_LIMIT_S.get(rule.kind.name)
    return law(rule.setpoint or 0.0, brake) if law else float("inf")


def _check_delay(rule: AlarmRule, place: Place, path: tuple[Any, ...], faults: Faults) -> None:
    """The delay, and what a slow line adds to it."""
    late_ns = place.late_ns(rule.kind.quantity)
    slow = f", on values up to {late_ns * 1e-9:g} s late by cadence and damping," if late_ns else ""
    most, why = time_to_limit_s(rule, place.brake) / 4, "a quarter of the time to the limit at the worst credible rate"
    if rule.kind.shape is Shape.LOST:
        most, why = place.scan_ns / 2e9, "half a scan, so that the second scan is the alarm"
        for role in (rule.kind.quantity, "in-service"):
            between_ns = place.late_ns(role) + place.scan_ns
            if between_ns > _SLOWEST_NS:
                faults.add(place.path, f"{role} told only every {between_ns * 1e-9:g} s", _OFTEN)
        late_ns, slow = 0, ""
    if (rule.on_ns + late_ns) * 1e-9 > most + 1e-9:
        found = f"{rule.on_ns * 1e-9:g} s{slow} for {rule.key}"
        allowed = f"{'both together ' if slow else ''}at most {max(most, 0.0):.3g} s: {why}"
        if hopeless := late_ns * 1e-9 > most + 1e-9:
            allowed += f"; no on-delay is short enough: {_QUICKER}"
        _refuse("on-delay", rule, (place, path), (found, allowed), faults, by_entry=not hopeless)


def rule_faults(rig: Rig, rule: AlarmRule) -> tuple[Fault, ...]:
    """What is wrong with a rule of a whole rig, where its settings were changed after the file was checked."""
    brake = next((one for one in rig.brakes if one.name == rule.brake), None)
    if brake is None:
        return ()
    late = lateness(rig.points, brake.name, rig.scan_ns)
    place = Place(brake=brake, path=(), scan_ns=rig.scan_ns, sound=True, late=late, units=rig.units)
    faults = Faults(rig.file, "")
    _check_setpoint(rule, place, ("rule",), faults)
    if not faults.count:
        _check_delay(rule, place, ("rule",), faults)
    return faults.sorted()


def _check_setpoint(rule: AlarmRule, place: Place, path: tuple[Any, ...], faults: Faults) -> None:
    """A setpoint at which it would be too late, or which can never be met, is refused."""
    setpoint, bearing = rule.setpoint, place.brake.bearing_level
    if setpoint is None:
        return
    allowed = ""
    if rule.kind.name == "brake-level-high" and setpoint >= bearing:
        allowed = f"below the bearing level of {_in_units(bearing, Dimension.LENGTH, place)}"
    if rule.kind.name == "outlet-temperature-high" and setpoint >= _BOILING_DEGC:
        allowed = f"below the boiling point of {_in_units(_BOILING_DEGC, Dimension.TEMPERATURE, place)}"
    if rule.kind.shape in (Shape.LOW, Shape.LOST) and setpoint <= 0:
        allowed = "above zero, or the alarm could never come"
    if allowed:
        _refuse("setpoint", rule, (place, path), (_in_units(setpoint, rule.kind.dimension, place), allowed), faults)


def _in_units(value: float, dimension: Dimension, place: Place) -> str:
    number, unit = shown(value, dimension, place.units)
    return f"{number:.4g}" if dimension is Dimension.NUMBER else f"{number:.4g} {unit}"


def _refuse(
    key: str,
    rule: AlarmRule,
    at: tuple[Place, tuple[Any, ...]],
    says: tuple[str, str],
    faults: Faults,
    *,
    by_entry: bool = True,
) -> None:
    """Complains at the entry's key, or of a default at its brake, which is then all there is to point at.

    ``by_entry``: an entry with another value would mend it.
    """
    place, path = at
    found, allowed = says
    if path != place.path:
        faults.add((*path, key), found, allowed)
    else:
        other = f'; give another in [[brake.alarm]] with alarm = "{rule.kind.name}"' if by_entry else ""
        hint = f"this is the default{other}"
        faults.add(path, f"{key} {found}", allowed, hint)
