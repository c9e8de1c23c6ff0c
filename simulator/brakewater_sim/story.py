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
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError

from brakewater.errors import Fault as FileFault
from brakewater.errors import RigFileError
from brakewater.rig.faults import Faults
from brakewater.rig.quantity import Length, Nanoseconds, Speed, Temperature, Volume
from brakewater.rig.tables import Model, Name
from brakewater_sim.classes import CLASSES
from brakewater_sim.faults import FAULTS, SPANS, Acts
from brakewater_sim.scenarios import Scenario
from brakewater_sim.told import scenario_of

SCHEMA = 1


class Told(Model):
    """``[scenario]``."""

    name: Name
    says: str = ""
    length: Nanoseconds
    warmup: Nanoseconds = 450_000_000_000
    brake: Literal["75 gal/min", "150 gal/min"] = "75 gal/min"
    water: Temperature = 29.44
    ambient: Temperature = 24.0
    tank: Volume | None = None
    ideal_sensors: bool = False
    lost_one_in: int = Field(default=0, ge=0)


class Leg(Model):
    """``[[leg]]``."""

    direction: Literal["in", "out"] = "in"
    start: Annotated[Length, Field(alias="from")]
    end: Annotated[Length, Field(alias="to")]
    wait: Nanoseconds = 0
    lowering: Speed | None = None
    pulling: Speed | None = None
    connect: Nanoseconds | None = None
    collars: Annotated[float, Field(ge=0.0)] | None = None
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


class Expect(Model):
    """``[[expect]]``."""

    alarm: str
    due: Nanoseconds


_PARTS: dict[str, type[Model]] = {"leg": Leg, "fault": ToldFault, "hold": Hold, "expect": Expect}


def load(file: Path) -> Scenario:
    """Read and check a scenario file.

    Raises:
        RigFileError: with every fault found; a file that cannot be read is one fault.
    """
    try:
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        found = FileFault(file=str(file), line=0, key="(file)", found=str(error), allowed="a readable UTF-8 TOML file")
        raise RigFileError((found,)) from error
    return parse(text, str(file))


def parse(text: str, file: str = "scenario.toml") -> Scenario:
    """Check the text of a scenario file.

    Raises:
        RigFileError: with every fault found.
    """
    try:
        raw = tomllib.loads(text)
    except ValueError as error:
        syntax = FileFault(file=file, line=1, key="(syntax)", found=str(error), allowed="TOML 1.0")
        raise RigFileError((syntax,)) from error
    faults = Faults(file, text)
    for key in raw.keys() - {"schema", "scenario", *_PARTS}:
        faults.add_choice((key,), key, ["schema", "scenario", *_PARTS])
    if raw.get("schema") != SCHEMA:
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
        if (leg.end - leg.start) * (1 if leg.direction == "in" else -1) <= 0:
            allowed = f"{'deeper' if leg.direction == 'in' else 'shallower'} than from: direction is {leg.direction}"
            faults.add(("leg", index, "to"), f"{leg.end:g} m", allowed)
    once: set[Acts] = set()
    for index, one in parts["fault"].items():
        _check_fault(one, ("fault", index), once, faults)
    if Acts.PACE in once and parts["hold"]:
        faults.add(("hold", 0), "a hold beside a fault of the pace", "one of the two")
    for index, hold in parts["hold"].items():
        if hold.until <= hold.at:
            faults.add(("hold", index, "until"), f"{hold.until / 1e9:g} s", f"later than at, {hold.at / 1e9:g} s")
    if isinstance(told, Told) and told.brake not in CLASSES:
        faults.add_choice(("scenario", "brake"), told.brake, CLASSES)


def _check_fault(one: ToldFault, path: tuple[Any, ...], once: set[Acts], faults: Faults) -> None:
    row = FAULTS.get(one.fault)
    if row is None:
        faults.add_choice((*path, "fault"), one.fault, FAULTS)
        return
    _check_place(row, one, path, faults)
    if one.until is not None and one.until <= one.at:
        faults.add((*path, "until"), f"{one.until / 1e9:g} s", f"later than at, {one.at / 1e9:g} s")
    if row.acts in once:
        faults.add((*path, "fault"), f"a second fault of the {row.acts}", "one of them in a scenario")
    if row.acts in (Acts.PUMP, Acts.AIR, Acts.TANK, Acts.PACE):
        once.add(row.acts)
    if row.acts is Acts.TANK and one.at:
        faults.add((*path, "at"), f"{one.at / 1e9:g} s", "nothing: a tank is small from the start")


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
