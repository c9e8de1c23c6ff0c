"""What a rig file must hold beyond the shape of its tables."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from brakewater.alarms.annunciator import READY, WATCHING
from brakewater.alarms.catalogue import CATALOGUE
from brakewater.rig import point_stages, signal
from brakewater.rig.bounds import unshowable
from brakewater.rig.complaints import Complain
from brakewater.rig.conditioning import worst
from brakewater.rig.faults import Faults, closest, near
from brakewater.rig.located import At
from brakewater.rig.model import SELF, AlarmRule, Point
from brakewater.rig.people import CREW
from brakewater.rig.roles import REQUIRED, ROLES
from brakewater.rig.spread import spread_of
from brakewater.rig.tables import Brake, Device, Lamp, PointEntry, Table
from brakewater.signals.words import register_count
from brakewater.units import to_unit

_REFERENCES = {Table.COIL: 0, Table.DISCRETE: 1, Table.INPUT: 3, Table.HOLDING: 4}
_SPACE = 65536


def top_level(raw: Mapping[str, Any], known: Iterable[str], schema: int, faults: Faults) -> None:
    """Unknown tables and the schema number."""
    for key in raw:
        if key not in known:
            faults.add((key,), "an unknown key", ", ".join(known), near(key, known))
    if raw.get("schema") != schema:
        faults.add(("schema",), repr(raw["schema"]) if "schema" in raw else "nothing", f"schema = {schema}")


def people(raw: Mapping[str, Any], faults: Faults) -> dict[str, str]:
    """Actors and their roles."""
    for actor, role in raw.items():
        if role not in CREW:
            faults.add(("people", actor), repr(role), ", ".join(CREW))
    return {actor: str(role) for actor, role in raw.items()}


def names(
    devices: Sequence[At[Device]], points: Sequence[At[PointEntry]], brakes: Sequence[At[Brake]], faults: Faults
) -> None:
    """Each name once; ``self`` and ``rig`` are taken."""
    for what, items, taken in (("device", devices, SELF), ("point", points, ""), ("brake", brakes, "rig")):
        seen: dict[str, At[Any]] = {}
        for at in items:
            name = at.item.name
            if name == taken:
                faults.add((*at.path, "name"), repr(name), f"any other name: {name!r} is the watch's own")
            elif name in seen:
                faults.add((*at.path, "name"), f"a second {what} named {name!r}", "each name once")
            seen[name] = at


def brakes(items: Sequence[At[Brake]], faults: Faults) -> list[tuple[Any, ...]]:
    """Limits that make sense together; returns the paths of the brakes where they do."""
    sound = []
    for at in items:
        brake, before = at.item, faults.count
        if not 0 < brake.outlet_limit < 100:
            faults.add((*at.path, "outlet-limit"), _both(brake.outlet_limit), "above 0 and below 100 degC (212 degF)")
        if not 0 < brake.inlet_limit < brake.outlet_limit:
            allowed = f"above 0 degC (32 degF), below the outlet limit of {_both(brake.outlet_limit)}"
            faults.add((*at.path, "inlet-limit"), _both(brake.inlet_limit), allowed)
        if not 0 < brake.wetting_flow < brake.least_flow:
            allowed = f"above zero, below the least flow of {_gal_min(brake.least_flow)}"
            faults.add((*at.path, "wetting-flow"), _gal_min(brake.wetting_flow), allowed)
        _meter(at, faults)
        if faults.count == before:
            sound.append(at.path)
    return sound


def _meter(at: At[Brake], faults: Faults) -> None:
    density = at.item.meter_density
    if density is None:
        return
    if at.item.meter_kind != "mass":
        faults.add((*at.path, "meter-density"), f"{density:g} kg/m3", 'it beside meter-kind = "mass" only')
    elif not 500.0 < density < 2000.0:
        allowed = "500 to 2000 kg/m3: the density set in the meter's transmitter"
        faults.add((*at.path, "meter-density"), f"{density:g} kg/m3", allowed)


def _both(degc: float) -> str:
    return f"{degc:.4g} degC ({to_unit(degc, 'degF'):.4g} degF)"


def _gal_min(m3_s: float) -> str:
    return f"{to_unit(m3_s, 'gal/min'):.4g} gal/min"


def point(at: At[PointEntry], devices: Sequence[str], pace: point_stages.Pace, faults: Faults) -> Point | None:
    """A point with everything resolved, or None after complaining."""
    entry, before = at.item, faults.count

    def complain(path: tuple[str, ...], found: str, allowed: str) -> None:
        faults.add((*at.path, *path), found, allowed)

    if devices and entry.device not in devices:
        faults.add_choice((*at.path, "device"), entry.device, devices)
    role = ROLES.get(entry.role)
    if role is None:
        fitting = [name for name, row in ROLES.items() if row.brake == (at.brake is not None)]
        faults.add_choice((*at.path, "role"), entry.role, fitting)
        role = ROLES.get(closest(entry.role, fitting))  # what else is wrong shows in the same go
    elif role.brake != (at.brake is not None):
        right, wrong = ("[[brake.point]]", "[[point]]") if role.brake else ("[[point]]", "[[brake.point]]")
        complain(("role",), f"{entry.role!r} under {wrong}", f"it under {right}")
    register = signal.register_of(entry, complain)
    made = signal.signal_of(entry, role, complain) if role is not None else None
    displaced = any(faults.blames((*at.path, key)) for key in ("address", "reference"))
    address = None if displaced else _address(entry, complain)
    if register is not None and address is not None:
        last = address + (1 if entry.table.is_bits else register_count(register.kind))
        if last > _SPACE:
            key = "address" if entry.address is not None else "reference"
            size = f" ({last - address} registers)" if last - address > 1 else ""
            complain((key,), f"address {address}{size}", f"up to {_SPACE - 1} for the last of them")
    point_stages.check_pace(entry, pace, complain)
    if role is None or made is None:
        return None
    conditioning = point_stages.conditioning(entry, role, made, pace, complain)
    accuracies = point_stages.accuracies(entry, role, made, complain)
    if register is None or address is None or faults.count > before:
        return None
    return Point(
        name=entry.name,
        role=entry.role,
        brake=at.brake,
        device=entry.device,
        table=entry.table,
        address=address,
        register=register,
        signal=made,
        every=pace.every(entry),
        most_age_ns=pace.most_age_ns(entry),
        conditioning=conditioning,
        accuracy=worst(accuracies),
        spread=spread_of(register, made, accuracies),
        serial=entry.serial,
        calibrated=entry.calibrated,
    )


def _address(entry: PointEntry, complain: Complain) -> int | None:
    """The zero-based wire address, from ``address`` or from a 40001-style ``reference``."""
    if (entry.address is None) == (entry.reference is None):
        both = "both address and reference" if entry.address is not None else "neither address nor reference"
        complain(("address",), both, "one of them: address counts from 0, reference from 1")
        return None
    if entry.address is not None:
        return entry.address
    reference = entry.reference or 0
    base = 10_000 if reference < 100_000 else 100_000
    table, number = divmod(reference, base)
    wanted = _REFERENCES[entry.table]
    if table != wanted or number == 0:
        first = wanted * 10_000 + 1
        complain(("reference",), str(reference), f"{first:05d} or above for the {entry.table.value} table")
        return None
    return number - 1


def addresses(
    entries: Sequence[At[PointEntry]], points: Mapping[tuple[Any, ...], Point | None], faults: Faults
) -> None:
    """No two points may share a register, unless they are different bits of it."""
    taken: dict[tuple[str, Table, int], list[tuple[Point, int | None]]] = {}
    for at in entries:
        made = points.get(at.path)
        if made is None:
            continue
        for address in range(made.address, made.address + made.count):
            others = taken.setdefault((made.device, made.table, address), [])
            for other, bit in others:
                if bit is None or made.register.bit is None or bit == made.register.bit:
                    faults.add(
                        (*at.path, "address"),
                        f"{made.table.value} {address} of {made.device}, which point {other.name!r} has too",
                        "each register once, or different bits of it",
                    )
            others.append((made, made.register.bit))


def required_roles(
    found: Mapping[str, tuple[Any, ...]],
    entries: Sequence[At[PointEntry]],
    meant: Mapping[tuple[Any, ...], Collection[str]],
    doubled: Collection[tuple[tuple[Any, ...], str]],
    faults: Faults,
) -> None:
    """Every brake (name -> its path) needs its four sensors, and no role twice; at least one brake there must be.

    ``meant`` holds, by the brake's path, roles that a faulty point was to have: it has its own complaint. ``doubled``
    holds brake's path and role where several points are wanted.
    """
    if not found:
        faults.add((), "no brake", "at least one [[brake]]")
    seen: set[tuple[tuple[Any, ...], str]] = set()
    for at in entries:
        key = (at.path[:-1], at.item.role)  # the path of the list it stands in: one a brake, one for the rig
        wanted = at.item.role == "heartbeat" or (at.path[:2], at.item.role) in doubled
        if key in seen and at.item.role in ROLES and not wanted:
            hint = "" if at.brake is None else "several sensors of one kind need a [[brake.redundant]] of that role"
            faults.add((*at.path, "role"), f"a second {at.item.role!r}", "each role once a brake, or once a rig", hint)
        seen.add(key)
    for path in found.values():
        for role in REQUIRED:
            if ((*path, "point"), role) not in seen and role not in meant.get(path, ()):
                lost = ROLES[role].lost
                faults.add(path, f"no point with role {role!r}", f"one; without it the watch loses {lost}")


def reachable(
    brakes: Mapping[str, tuple[Any, ...]],
    alarm_rules: Sequence[AlarmRule],
    points: Sequence[Point],
    system: str,
    faults: Faults,
) -> None:
    """A setpoint must lie within what the transmitter can show, or the alarm could never come, or never go."""
    for rule in alarm_rules:
        wrong = unshowable(rule, points, system) if rule.brake in brakes else None
        if wrong is not None:
            hint = "see the setpoint, the brake's limit it comes from, and the point's range"
            faults.add(brakes[rule.brake or ""], f"{rule.name} set at {wrong.found}", wrong.allowed, hint)


def lamps(items: Sequence[At[Lamp]], alarm_rules: Sequence[AlarmRule], faults: Faults) -> None:
    """A lamp shows alarms that exist."""
    known = [*CATALOGUE, *(rule.name for rule in alarm_rules if rule.subject)]
    seen: set[str] = set()
    for at in items:
        if at.item.name in seen or at.item.name in (WATCHING, READY):
            faults.add((*at.path, "name"), repr(at.item.name), "each name once; watching and ready are the watch's own")
        seen.add(at.item.name)
        for alarm in at.item.alarms:
            if alarm not in known:
                faults.add_choice((*at.path, "alarms"), alarm, known)
