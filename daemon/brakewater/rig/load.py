"""From a rig file to a checked rig: the first syntax error, else every fault at once."""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path as FilePath
from typing import Any, TypeVar

from pydantic import ValidationError

from brakewater.errors import Fault, RigFileError, plainly
from brakewater.rig import checks, devices, links, outputs, own, people, redundancy, room, rules, suppression
from brakewater.rig.bounds import lateness
from brakewater.rig.faults import Faults, closest
from brakewater.rig.keeping import Keeping
from brakewater.rig.located import At
from brakewater.rig.model import AlarmRule, Point, Rig
from brakewater.rig.panel import Panel
from brakewater.rig.point_stages import Pace
from brakewater.rig.roles import ROLES
from brakewater.rig.settings import beyond_maker
from brakewater.rig.tables import (
    AlarmEntry,
    Brake,
    Device,
    Hoist,
    Lamp,
    Mirror,
    Model,
    Mqtt,
    PointEntry,
    RedundantEntry,
    RigTable,
    Sparkplug,
    SuppressEntry,
    Tank,
)
from brakewater.rig.upkeep import Upkeep, rounds

SCHEMA = 1
_TOP = (
    "schema", "rig", "device", "point", "hoist", "tank", "brake", "alarm", "lamp", "mqtt", "sparkplug", "mirror",
    "people", "roles", "registers", "lamp-mailbox", "panel", "suppress", "record",
    "upkeep",
)  # fmt: skip
_TEMPLATE = "config/template.toml of the checkout explains every key: copy it, and replace its values"
_BELOW_BRAKE = ("point", "alarm", "redundant")
_M = TypeVar("_M", bound=Model)
_KINDS = {
    dict: "a single table",
    list: "a list",
    str: "text",
    int: "a number",
    float: "a number",
    bool: "true or false",
}


def demo_file() -> FilePath:
    """The demo rig file: within the installed package, or in ``config/`` of a checkout.

    Raises:
        RigFileError: it stands in neither place.
    """
    package = FilePath(__file__).resolve().parents[1]
    places = [folder / "config" / "demo.toml" for folder in (package, package.parents[1])]
    for place in places:
        if place.is_file():
            return place
    fault = Fault(file=str(places[0]), line=0, key="(file)", found="nothing", allowed="the demo rig file; install anew")
    raise RigFileError((fault,))


def load(file: str | FilePath) -> Rig:
    """Read and check a rig file.

    Raises:
        RigFileError: with every fault found; a file that cannot be read is one fault.
    """
    try:
        text = FilePath(file).read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise RigFileError((not_utf_8(error, str(file)),)) from error
    except OSError as error:
        hint = "as root, for the service: chgrp brakewater, chmod 0640" if isinstance(error, PermissionError) else ""
        fault = Fault(
            file=str(file), line=0, key="(file)", found=plainly(error), allowed="a readable UTF-8 TOML file", hint=hint
        )
        raise RigFileError((fault,)) from error
    return parse(text, str(file))


def parse(text: str, file: str = "rig.toml") -> Rig:
    """Check the text of a rig file.

    Raises:
        RigFileError: with every fault found.
    """
    try:
        raw = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # a number or a nesting beyond all bounds is no TOMLDecodeError
        raise RigFileError((syntax(error, text, file),)) from error
    faults = Faults(file, text)
    parts = _read(raw, faults)
    rig = _assemble(parts, text, file, faults)
    found = faults.sorted()
    if found or rig is None:
        raise RigFileError(found)
    return rig


def _line_in(message: str, text: str) -> int:
    """The parser names the line in its message, or says that the text ended too early."""
    if place := re.search(r"at line (\d+)", message):
        return int(place.group(1))
    return text.rstrip().count("\n") + 1 if "end of document" in message else 1


def not_utf_8(error: UnicodeDecodeError, file: str) -> Fault:
    """Where the first byte stands that an editor wrote in another encoding."""
    allowed, data = "UTF-8; save it in that encoding", error.object
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return Fault(file=file, line=0, key="(file)", found="UTF-16 text", allowed=allowed)
    line, found = data.count(b"\n", 0, error.start) + 1, f"the byte {data[error.start]:#04x}, no UTF-8 text"
    return Fault(file=file, line=line, key="(file)", found=found, allowed=allowed)


def syntax(error: Exception, text: str, file: str) -> Fault:
    """What is no TOML: its line, and what the slip seems to be."""
    line = _line_in(str(error), text)
    return Fault(file=file, line=line, key="(syntax)", found=str(error), allowed="TOML 1.0", hint=_slip(text, line))


def _slip(text: str, line: int) -> str:
    """What office programs and habits make of a line, where that is all that is wrong with it; else empty."""
    lines = text.split("\n")
    found = lines[line - 1].partition("#")[0] if line <= len(lines) else ""
    if "\0" in found:
        return "the file seems to be UTF-16; save it as UTF-8"
    if set(found) & set("\u201c\u201d\u201e\u2018\u2019\u00ab\u00bb"):
        return 'quotes are straight: "'
    if re.search(r"=\s*[-+]?\d+,\d", found):
        return "a decimal point, no comma"
    return ""


@dataclass(slots=True)
class _Parts:
    rig: RigTable | None = None
    devices: list[At[Device]] = field(default_factory=list)
    device_names: list[str] = field(default_factory=list)
    """Also of devices with other faults, and none where a name is faulty, so that their points do not all complain."""
    points: list[At[PointEntry]] = field(default_factory=list)
    redundant: list[At[RedundantEntry]] = field(default_factory=list)
    tanks: list[At[Tank]] = field(default_factory=list)
    brakes: list[At[Brake]] = field(default_factory=list)
    brake_alarms: dict[int, list[rules.Located]] = field(default_factory=dict)
    meant: dict[tuple[Any, ...], list[str]] = field(default_factory=dict)
    """By a brake's path: roles its points were to have, misspelt or in a faulty point."""
    brake_paths: dict[str, tuple[Any, ...]] = field(default_factory=dict)
    alarms: list[rules.Located] = field(default_factory=list)
    lamps: list[At[Lamp]] = field(default_factory=list)
    hoist: Hoist | None = None
    mqtt: Mqtt | None = None
    sparkplug: Sparkplug | None = None
    registers: outputs.Registers | None = None
    mailboxes: list[At[outputs.LampMailbox]] = field(default_factory=list)
    panel: Panel | None = None
    keeping: Keeping | None = None
    upkeep: Upkeep | None = None
    mirrors: dict[str, Mirror] = field(default_factory=dict)
    people: dict[str, str] = field(default_factory=dict)
    roles: dict[str, frozenset[str]] = field(default_factory=dict)
    suppress: list[At[SuppressEntry]] = field(default_factory=list)


def _read(raw: dict[str, Any], faults: Faults) -> _Parts:
    checks.top_level(raw, _TOP, SCHEMA, faults)
    parts = _Parts()
    parts.rig = _one(RigTable, raw.get("rig"), ("rig",), faults)
    parts.devices = _many(Device, raw.get("device", []), ("device",), faults)
    if not raw.get("device"):
        faults.add((), "no device", "at least one [[device]]")
    elif not any(fault.key.startswith("device") and fault.key.endswith("name") for fault in faults.sorted()):
        parts.device_names = _texts(raw["device"], "name")
    parts.points = _many(PointEntry, raw.get("point", []), ("point",), faults)
    parts.tanks = _many(Tank, raw.get("tank", []), ("tank",), faults)
    parts.lamps = _many(Lamp, raw.get("lamp", []), ("lamp",), faults)
    parts.alarms = [(at.path, at.item) for at in _many(AlarmEntry, raw.get("alarm", []), ("alarm",), faults)]
    parts.hoist = _maybe(Hoist, raw, "hoist", faults)
    parts.mqtt = _maybe(Mqtt, raw, "mqtt", faults)
    parts.sparkplug = _maybe(Sparkplug, raw, "sparkplug", faults)
    parts.upkeep = _maybe(Upkeep, raw, "upkeep", faults)
    if "registers" in raw:
        parts.registers = _one(outputs.Registers, raw["registers"], ("registers",), faults)
    if "record" in raw:
        parts.keeping = _one(Keeping, raw["record"], ("record",), faults)
    if "panel" in raw:
        parts.panel = _one(Panel, raw["panel"], ("panel",), faults)
    parts.mailboxes = _many(outputs.LampMailbox, raw.get("lamp-mailbox", []), ("lamp-mailbox",), faults)
    for name, table in _mapping(raw.get("mirror", {}), ("mirror",), faults).items():
        mirror = _one(Mirror, table, ("mirror", name), faults)
        if mirror is not None:
            parts.mirrors[name] = mirror
    parts.people = checks.people(_mapping(raw.get("people", {}), ("people",), faults), faults)
    parts.roles = people.roles(_mapping(raw.get("roles", {}), ("roles",), faults), faults)
    parts.suppress = _many(SuppressEntry, raw.get("suppress", []), ("suppress",), faults)
    for index, table in enumerate(_list(raw.get("brake", []), ("brake",), faults)):
        _read_brake(index, table, parts, faults)
    return parts


def _read_brake(index: int, table: Any, parts: _Parts, faults: Faults) -> None:
    path = ("brake", index)
    own_keys = _mapping(table, path, faults)
    points, alarms = own_keys.get("point", []), own_keys.get("alarm", [])
    brake = _one(Brake, {key: value for key, value in own_keys.items() if key not in _BELOW_BRAKE}, path, faults)
    name = str(own_keys.get("name", index))
    parts.brake_paths[name] = path
    parts.meant[path] = [closest(role, ROLES) for role in _texts(points, "role")]
    for at in _many(PointEntry, points, (*path, "point"), faults):
        parts.points.append(At(path=at.path, item=at.item, brake=name))
    for more in _many(RedundantEntry, own_keys.get("redundant", []), (*path, "redundant"), faults):
        parts.redundant.append(At(path=more.path, item=more.item, brake=name))
    parts.brake_alarms[index] = [(at.path, at.item) for at in _many(AlarmEntry, alarms, (*path, "alarm"), faults)]
    if brake is not None:
        parts.brakes.append(At(path=path, item=brake, brake=brake.name))


def _one(model: type[_M], value: Any, path: tuple[Any, ...], faults: Faults) -> _M | None:
    if value is None:
        faults.add((), "no table", f"[{'.'.join(str(part) for part in path)}]: this table is required", _TEMPLATE)
        return None
    try:
        return model.model_validate(value)
    except ValidationError as error:
        faults.add_validation(path, error, [str(item.alias or name) for name, item in model.model_fields.items()])
        return _as_meant(model, value, path, error)


def _as_meant(model: type[_M], value: Any, path: tuple[Any, ...], error: ValidationError) -> _M | None:
    """A faulty table as it may be meant, so that what else is wrong with it shows in the same go; None: nobody knows.

    An unknown key stands for the known one that it nearly is, or for nothing. In place of a faulty name another stands.
    Of a point what need not be there is left out.
    """
    if not isinstance(value, Mapping):
        return None
    known = {item.alias or name: item.is_required() for name, item in model.model_fields.items()}
    faulty = {str(one["loc"][0]) for one in error.errors() if one["loc"]}
    kept = {key: one for key, one in value.items() if key not in faulty}
    for key in faulty - set(known):
        if (meant := closest(key, known)) in known and meant not in value:
            kept[meant] = value[key]
            faulty.discard(meant)
    stand_in = "-".join(map(str, path))
    for key in faulty & set(known):
        if key == "name":
            kept[key] = stand_in
        elif model is not PointEntry or known[key]:
            return None
    try:
        item = model.model_validate(kept)
    except ValidationError:
        return None
    found = value.get("name")
    return item.model_copy(update={"name": found}) if "name" in faulty and isinstance(found, str) else item


def _maybe(model: type[_M], raw: Mapping[str, Any], key: str, faults: Faults) -> _M | None:
    """A single table that need not be there."""
    return _one(model, raw[key], (key,), faults) if key in raw else None


def _many(model: type[_M], value: Any, path: tuple[Any, ...], faults: Faults) -> list[At[_M]]:
    items = []
    for index, table in enumerate(_list(value, path, faults)):
        item = _one(model, table, (*path, index), faults)
        if item is not None:
            items.append(At(path=(*path, index), item=item, brake=None))
    return items


def _list(value: Any, path: tuple[Any, ...], faults: Faults) -> list[Any]:
    if isinstance(value, list):
        return value
    faults.add(path, _KINDS.get(type(value), "a value"), f"[[{'.'.join(str(part) for part in path)}]] tables")
    return []


def _texts(tables: Any, key: str) -> list[str]:
    """What the tables of a list hold under a key, as far as it is text."""
    found = [table.get(key) for table in tables if isinstance(table, Mapping)] if isinstance(tables, list) else []
    return [value for value in found if isinstance(value, str)]


def _mapping(value: Any, path: tuple[Any, ...], faults: Faults) -> dict[str, Any]:
    if isinstance(value, Mapping):
        return dict(value)
    faults.add(path, _KINDS.get(type(value), "a value"), "a table")
    return {}


def _assemble(parts: _Parts, text: str, file: str, faults: Faults) -> Rig | None:
    checks.names(parts.devices, parts.points, parts.brakes, faults)
    sound = checks.brakes(parts.brakes, faults)
    points = _points(parts, faults)
    doubled = {(at.path[:2], at.item.role) for at in parts.redundant}
    checks.addresses(parts.points, points, faults)
    checks.required_roles(parts.brake_paths, parts.points, parts.meant, doubled, faults)
    found = [point for point in points.values() if point is not None]
    _check_devices(parts, points, faults)
    of_brakes = [(at.path[:2], at.item.role, points[at.path]) for at in parts.points if at.brake is not None]
    redundant = redundancy.resolved(parts.redundant, of_brakes, faults)
    alarm_rules: list[AlarmRule] = []
    scan_ns = _scan_ns(parts)
    for at in parts.brakes:
        late = lateness(found, at.item.name, scan_ns)
        place = rules.Place(
            brake=at.item,
            path=at.path,
            scan_ns=scan_ns,
            sound=at.path in sound,
            late=late,
            roles=_roles(found, at.item.name) | _roles(found, None),
            tables=_tables(parts, at.item),
            units=parts.rig.units if parts.rig else "us",
        )
        alarm_rules += rules.of_brake(place, parts.brake_alarms[int(at.path[1])], faults)
    sound_brakes = {at.item.name: at.path for at in parts.brakes if at.path in sound}
    checks.reachable(sound_brakes, alarm_rules, found, parts.rig.units if parts.rig else "us", faults)
    brakes = tuple(at.item.name for at in parts.brakes)
    rounds_ = rounds(parts.upkeep, brakes, faults)
    subjects = rules.Subjects(
        points=tuple(point.name for point in found),
        devices=tuple(at.item.name for at in parts.devices),
        beating=tuple(at.item.name for at in parts.devices if at.item.name in _beating(found)),
        broker=parts.mqtt is not None,
        lamp_writes=bool(parts.mailboxes),
        panel=parts.panel is not None,
        battery=parts.rig is not None and parts.rig.battery,
        roles=_roles(found, None),
        mirrors=tuple(parts.mirrors),
        rounds=tuple(one.name for one in rounds_),
        gaps=brakes if parts.upkeep is not None else (),
        beyond=any(
            beyond_maker(rule, at.item) for at in parts.brakes for rule in alarm_rules if rule.brake == at.item.name
        ),
    )
    alarm_rules += rules.of_rig(subjects, parts.alarms, faults)
    checks.lamps(parts.lamps, alarm_rules, faults)
    alarm_rules = rules.latched([at.item for at in parts.lamps], alarm_rules)
    suppressed = suppression.resolved(parts.suppress, alarm_rules, found, faults)
    _check_outputs(parts, found, faults)
    links.broker(parts.mqtt, faults)
    links.sparkplug(parts.sparkplug, parts.mqtt, faults)
    links.mirrors(parts.mirrors, faults)
    if parts.rig is None:
        return None
    return Rig(
        file=file,
        text=text,
        name=parts.rig.name,
        pad=parts.rig.pad,
        scan_ns=parts.rig.scan,
        units=parts.rig.units,
        devices=tuple(at.item for at in parts.devices),
        points=(
            *found,
            *own.points(
                tuple(parts.mirrors),
                broker=parts.mqtt is not None,
                lamp_writes=bool(parts.mailboxes),
                panel=parts.panel is not None,
                battery=parts.rig.battery,
            ),
        ),
        brakes=tuple(at.item for at in parts.brakes),
        tanks=tuple(at.item for at in parts.tanks),
        alarms=tuple(alarm_rules),
        lamps=tuple(at.item for at in parts.lamps),
        hoist=parts.hoist,
        mqtt=parts.mqtt,
        sparkplug=parts.sparkplug,
        mirrors=parts.mirrors,
        people=parts.people,
        redundant=redundant,
        registers=parts.registers,
        panel=parts.panel,
        keeping=parts.keeping or Keeping(),
        upkeep=parts.upkeep,
        rounds=rounds_,
        mailboxes=tuple(at.item for at in parts.mailboxes),
        roles=parts.roles,
        suppressions=suppressed,
    )


def _points(parts: _Parts, faults: Faults) -> dict[tuple[Any, ...], Point | None]:
    by_name = {at.item.name: at.item for at in parts.devices}
    return {
        at.path: checks.point(
            at, parts.device_names, Pace(scan_ns=_scan_ns(parts), device=by_name.get(at.item.device)), faults
        )
        for at in parts.points
    }


def _scan_ns(parts: _Parts) -> int:
    return parts.rig.scan if parts.rig else int(RigTable.model_fields["scan"].default)


def _beating(points: list[Point]) -> set[str]:
    """Devices with a heartbeat of their own."""
    return {point.device for point in points if point.role == "heartbeat"}


def _roles(points: list[Point], brake: str | None) -> frozenset[str]:
    return frozenset(point.role for point in points if point.brake == brake)


def _tables(parts: _Parts, brake: Brake) -> frozenset[str]:
    """What the file describes, of ``alarms.catalogue.TABLES``; ``engine.slow`` derives by the same."""
    there = {
        "hoist": parts.hoist is not None,
        "rotor": brake.rotor is not None,
        "torque": brake.torque is not None,
        "tank": len(parts.tanks) == 1 and len(parts.brakes) == 1,
    }
    return frozenset(name for name, known in there.items() if known)


def _check_outputs(parts: _Parts, points: list[Point], faults: Faults) -> None:
    here = [at.item for at in parts.devices]
    room.registers(parts.registers, lamps=len(parts.lamps), devices=len(here), faults=faults)
    room.mailboxes(parts.mailboxes, here, points, lamps=len(parts.lamps), faults=faults)


def _check_devices(parts: _Parts, points: dict[tuple[Any, ...], Point | None], faults: Faults) -> None:
    scan_ns = parts.rig.scan if parts.rig else None
    devices.transports(parts.devices, faults)
    devices.holes(parts.devices, parts.points, points, faults)
    devices.widths(parts.devices, parts.points, points, faults)
    devices.cadence(scan_ns, parts.devices, [point for point in points.values() if point is not None], faults)
    devices.heartbeats(scan_ns, parts.devices, points, faults)
