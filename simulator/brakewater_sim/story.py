"""A scenario file (TOML) that a user writes, checked: every error names line, key, what was found and what is allowed.

    schema = 1
    [scenario]
    name = "night-choke"
    length = "40 min"
    brake = "75 gal/min"
    [[leg]]
    direction = "in"
    from = "2400 m"
    to = "3400 m"
    crew = 7
    [[fault]]
    fault = "choked-return"
    at = "10 min"
    severity = 0.7

``config/scenario.toml`` shows every key. What the faults are stands in ``faults.py``.
"""

import tomllib
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError

from brakewater.errors import Fault as FileFault
from brakewater.errors import RigFileError, plainly
from brakewater.rig.faults import Faults
from brakewater.rig.load import not_utf_8, syntax
from brakewater.rig.quantity import Depth, Nanoseconds, Speed, Temperature, Volume, lasting, within
from brakewater.rig.tables import Model, Name
from brakewater_sim.faults import FAULTS, SPANS, Acts
from brakewater_sim.hoist import HoistSizes
from brakewater_sim.scenarios import Scenario
from brakewater_sim.told import scenario_of

SCHEMA = 1

# As far as the plant's laws go, and a wellbore does.
_Water = Annotated[Temperature, within(0.0, 90.0, "0 degC to 90 degC: the plant's water is liquid")]
_Air = Annotated[Temperature, within(-60.0, 60.0, "-60 degC to 60 degC")]
_Tank = Annotated[Volume, within(1.0, 10_000.0, "1 m3 to 10000 m3")]
_Bit = Annotated[Depth, within(0.0, 15_000.0, "0 m to 15000 m")]
_Way = Annotated[Speed, within(0.01, 5.0, "0.01 m/s to 5 m/s")]


class Told(Model):
    """``[scenario]``."""

    name: Name
    says: str = ""
    length: Annotated[Nanoseconds, lasting("1 s", "366 d")]
    warmup: Annotated[Nanoseconds, lasting("0 s", "1 h")] = 450_000_000_000
    """Of no effect where the first leg begins with a wait, or pulls out."""
    brake: Literal["75 gal/min", "150 gal/min"] = "75 gal/min"
    water: _Water = 29.44
    ambient: _Air = 24.0
    tank: _Tank | None = None
    ideal_sensors: bool = False
    lost_one_in: int = Field(default=0, ge=0)


class Leg(Model):
    """``[[leg]]``."""

    direction: Literal["in", "out"] = "in"
    start: Annotated[_Bit, Field(alias="from")]
    end: Annotated[_Bit, Field(alias="to")]
    wait: Nanoseconds = 0
    lowering: _Way | None = None
    pulling: _Way | None = None
    connect: Nanoseconds | None = None
    collars: Annotated[float, Field(ge=0.0, le=1e6)] | None = None
    """kg more than drill pipe of their length."""
    crew: int | None = None
    """Seed of the crew; without one every stand goes by the timetable."""
    spread: float = Field(default=0.12, ge=0.0, le=0.3)
    hitch: float = Field(default=0.04, ge=0.0, le=1.0)
    rest_every: int = Field(default=0, ge=0)
    rest: Nanoseconds = 300_000_000_000


class ToldFault(Model):
    """``[[fault]]``."""

    fault: str
    at: Nanoseconds = 0
    until: Nanoseconds | None = None
    severity: float = Field(default=1.0, ge=0.0, le=1.0)
    over: Nanoseconds | None = None
    role: str = ""
    device: str = ""


class Hold(Model):
    """``[[hold]]``: the crew holds the string on the friction brake."""

    at: Nanoseconds
    until: Nanoseconds


_PARTS: dict[str, type[Model]] = {"leg": Leg, "fault": ToldFault, "hold": Hold}


def load(file: Path) -> Scenario:
    """Read and check a scenario file.

    Raises:
        RigFileError: with every fault found; a file that cannot be read is one fault.
    """
    try:
        text = file.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise RigFileError((not_utf_8(error, str(file)),)) from error
    except OSError as error:
        found = FileFault(
            file=str(file), line=0, key="(file)", found=plainly(error), allowed="a readable UTF-8 TOML file"
        )
        raise RigFileError((found,)) from error
    return parse(text, str(file))


def parse(text: str, file: str = "scenario.toml") -> Scenario:
    """Check the text of a scenario file.

    Raises:
        RigFileError: with every fault found.
    """
    try:
        raw = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise RigFileError((syntax(error, text, file),)) from error
    faults = Faults(file, text)
    for key in raw.keys() - {"schema", "scenario", *_PARTS}:
        faults.add_choice((key,), key, ["schema", "scenario", *_PARTS])
    if type(raw.get("schema")) is not int or raw["schema"] != SCHEMA:
        faults.add(("schema",), repr(raw.get("schema")), f"{SCHEMA}")
    told = _one(Told, raw.get("scenario", {}), ("scenario",), faults)
    parts = {key: _many(key, model, raw.get(key, []), faults) for key, model in _PARTS.items()}
    _check(parts, told, faults)
    if faults.count or not isinstance(told, Told):
        raise RigFileError(faults.sorted())
    return scenario_of(told, **{f"{key}s": list(items.values()) for key, items in parts.items()})


def _one(model: type[Model], value: Any, path: tuple[Any, ...], faults: Faults) -> Model | None:
    try:
        return model.model_validate(value)
    except ValidationError as error:
        faults.add_validation(path, error, [str(item.alias or name) for name, item in model.model_fields.items()])
        return None


def _many(key: str, model: type[Model], value: Any, faults: Faults) -> dict[int, Any]:
    if not isinstance(value, list):
        faults.add((key,), "a single table", f"[[{key}]] tables")
        return {}
    found = {index: _one(model, table, (key, index), faults) for index, table in enumerate(value)}
    return {index: item for index, item in found.items() if item is not None}


def _check(parts: dict[str, dict[int, Any]], told: Any, faults: Faults) -> None:
    for index, leg in parts["leg"].items():
        _check_leg(leg, ("leg", index), faults)
    once: set[Acts] = set()
    for index, one in parts["fault"].items():
        _check_fault(one, ("fault", index), once, faults)
        if isinstance(told, Told) and one.at >= told.length:
            faults.add(("fault", index, "at"), _s(one.at), f"before the scenario's end, {_s(told.length)}")
    if Acts.PACE in once and parts["hold"]:
        faults.add(("hold", 0), "a hold beside a fault of the pace", "one of the two")
    _check_holds(parts["hold"], told, faults)


def _check_leg(leg: Leg, path: tuple[Any, ...], faults: Faults) -> None:
    way = (leg.end - leg.start) * (1 if leg.direction == "in" else -1)
    if way <= 0:
        allowed = f"{'deeper' if leg.direction == 'in' else 'shallower'} than from: direction is {leg.direction}"
        faults.add((*path, "to"), f"{leg.end:g} m", allowed)
    elif way < HoistSizes.stand_m:
        stand = f"a whole stand of {HoistSizes.stand_m:g} m or more away from from, {leg.start:g} m"
        faults.add((*path, "to"), f"{leg.end:g} m", stand, "less moves nothing")


def _check_holds(holds: dict[int, Hold], told: Any, faults: Faults) -> None:
    for index, hold in holds.items():
        if isinstance(told, Told) and hold.at >= told.length:
            faults.add(("hold", index, "at"), _s(hold.at), f"before the scenario's end, {_s(told.length)}")
        if hold.until <= hold.at:
            faults.add(("hold", index, "until"), _s(hold.until), f"later than at, {_s(hold.at)}")
    for (_, one), (index, other) in pairwise(sorted(holds.items(), key=lambda item: item[1].at)):
        if other.at < one.until:
            faults.add(("hold", index, "at"), _s(other.at), f"after the hold before it has ended, {_s(one.until)}")


def _s(ns: int) -> str:
    return f"{ns / 1e9:g} s"


def _check_fault(one: ToldFault, path: tuple[Any, ...], once: set[Acts], faults: Faults) -> None:
    row = FAULTS.get(one.fault)
    if row is None:
        faults.add_choice((*path, "fault"), one.fault, FAULTS)
        return
    _check_place(row, one, path, faults)
    if one.until is not None and one.until <= one.at:
        faults.add((*path, "until"), _s(one.until), f"later than at, {_s(one.at)}")
    if one.over is not None and not row.over_s:
        faults.add((*path, "over"), _s(one.over), f"nothing: {row.name} does not grow; leave it out")
    if row.acts in once:
        faults.add((*path, "fault"), f"a second fault of the {row.acts}", "one of them in a scenario")
    if row.acts in (Acts.PUMP, Acts.AIR, Acts.TANK, Acts.PACE):
        once.add(row.acts)
    if row.acts is Acts.TANK and one.at:
        faults.add((*path, "at"), _s(one.at), "nothing: a tank is small from the start")
    if row.acts is Acts.TANK and one.until is not None:
        faults.add((*path, "until"), _s(one.until), "nothing: a tank stays as small as it is")


def _check_place(row: Any, one: ToldFault, path: tuple[Any, ...], faults: Faults) -> None:
    """The role or device a fault needs, and none where it needs none."""
    if row.acts is Acts.SENSOR and not row.role:
        if one.role not in SPANS:
            faults.add_choice((*path, "role") if one.role else path, one.role or "no role", SPANS)
    elif one.role:
        faults.add((*path, "role"), repr(one.role), f"nothing: {row.name} has its own place; leave it out")
    if row.acts is Acts.DEVICE:
        if not one.device:
            faults.add(path, "no device", "device = the name of a device in the rig file")
    elif one.device:
        faults.add((*path, "device"), repr(one.device), f"nothing: {row.name} is no device's fault; leave it out")
