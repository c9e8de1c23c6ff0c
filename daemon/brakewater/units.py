"""Units at the edges: text with a unit to SI and back.

Inside the program everything is SI, temperatures in degC. Factors are exact definitions (international inch, pound
and gallon; the BTU is that of the International Table). Bare ``gal``, ``ton`` and ``hp`` name several units each and
are refused.
"""

import math
import re
from dataclasses import dataclass
from enum import StrEnum
from functools import cache, lru_cache
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray


class Dimension(StrEnum):
    """What kind of quantity a unit measures; the value is the SI unit used inside."""

    FLOW = "m3/s"
    TEMPERATURE = "degC"
    DIFFERENCE = "K"
    LENGTH = "m"
    SPEED = "m/s"
    VOLUME = "m3"
    POWER = "W"
    ENERGY = "J"
    FORCE = "N"
    PRESSURE = "Pa"
    TIME = "s"
    RATE = "K/s"
    AREA = "m2"
    CURRENT = "A"
    VOLTAGE = "V"
    TURN = "rad/s"
    DENSITY = "kg/m3"
    HEAT_CAPACITY = "J/K"
    CONDUCTANCE = "W/K"
    TORQUE = "N m"
    MASS = "kg"
    LINE_MASS = "kg/m"
    NUMBER = "1"


@dataclass(frozen=True, slots=True)
class Unit:
    """SI value = number * factor + offset."""

    dimension: Dimension
    factor: float
    offset: float = 0.0


_GALLON = 3.785411784e-3
_BARREL = 42 * _GALLON
_INCH = 0.0254
_FOOT = 0.3048
_POUND_FORCE = 4.4482216152605
_RANKINE = 5 / 9

UNITS: dict[str, Unit] = {
    "m3/s": Unit(Dimension.FLOW, 1.0),
    "m3/h": Unit(Dimension.FLOW, 1 / 3600),
    "L/s": Unit(Dimension.FLOW, 1e-3),
    "L/min": Unit(Dimension.FLOW, 1e-3 / 60),
    "gal/min": Unit(Dimension.FLOW, _GALLON / 60),
    "imp gal/min": Unit(Dimension.FLOW, 4.54609e-3 / 60),
    "bbl/h": Unit(Dimension.FLOW, _BARREL / 3600),
    "degC": Unit(Dimension.TEMPERATURE, 1.0),
    "degF": Unit(Dimension.TEMPERATURE, _RANKINE, -32 * _RANKINE),
    "K": Unit(Dimension.DIFFERENCE, 1.0),
    "m": Unit(Dimension.LENGTH, 1.0),
    "cm": Unit(Dimension.LENGTH, 0.01),
    "mm": Unit(Dimension.LENGTH, 1e-3),
    "in": Unit(Dimension.LENGTH, _INCH),
    "ft": Unit(Dimension.LENGTH, _FOOT),
    "m/s": Unit(Dimension.SPEED, 1.0),
    "mm/s": Unit(Dimension.SPEED, 1e-3),
    "in/s": Unit(Dimension.SPEED, _INCH),
    "in/min": Unit(Dimension.SPEED, _INCH / 60),
    "ft/s": Unit(Dimension.SPEED, _FOOT),
    "ft/min": Unit(Dimension.SPEED, _FOOT / 60),
    "m3": Unit(Dimension.VOLUME, 1.0),
    "L": Unit(Dimension.VOLUME, 1e-3),
    "US gal": Unit(Dimension.VOLUME, _GALLON),
    "imp gal": Unit(Dimension.VOLUME, 4.54609e-3),
    "bbl": Unit(Dimension.VOLUME, _BARREL),
    "W": Unit(Dimension.POWER, 1.0),
    "kW": Unit(Dimension.POWER, 1e3),
    "MW": Unit(Dimension.POWER, 1e6),
    "BTU/h": Unit(Dimension.POWER, 1055.05585262 / 3600),
    "mech hp": Unit(Dimension.POWER, 550 * _FOOT * _POUND_FORCE),
    "metric hp": Unit(Dimension.POWER, 75 * 9.80665),
    "J": Unit(Dimension.ENERGY, 1.0),
    "MJ": Unit(Dimension.ENERGY, 1e6),
    "kWh": Unit(Dimension.ENERGY, 3.6e6),
    "N": Unit(Dimension.FORCE, 1.0),
    "kN": Unit(Dimension.FORCE, 1e3),
    "lbf": Unit(Dimension.FORCE, _POUND_FORCE),
    "klbf": Unit(Dimension.FORCE, 1e3 * _POUND_FORCE),
    "Pa": Unit(Dimension.PRESSURE, 1.0),
    "kPa": Unit(Dimension.PRESSURE, 1e3),
    "bar": Unit(Dimension.PRESSURE, 1e5),
    "psi": Unit(Dimension.PRESSURE, _POUND_FORCE / _INCH**2),
    "s": Unit(Dimension.TIME, 1.0),
    "ms": Unit(Dimension.TIME, 1e-3),
    "min": Unit(Dimension.TIME, 60.0),
    "h": Unit(Dimension.TIME, 3600.0),
    "d": Unit(Dimension.TIME, 86400.0),
    "K/s": Unit(Dimension.RATE, 1.0),
    "degF/s": Unit(Dimension.RATE, _RANKINE),
    "m2": Unit(Dimension.AREA, 1.0),
    "ft2": Unit(Dimension.AREA, _FOOT**2),
    "kg/m3": Unit(Dimension.DENSITY, 1.0),
    "lb/US gal": Unit(Dimension.DENSITY, 0.45359237 / _GALLON),
    "J/K": Unit(Dimension.HEAT_CAPACITY, 1.0),
    "kJ/K": Unit(Dimension.HEAT_CAPACITY, 1e3),
    "MJ/K": Unit(Dimension.HEAT_CAPACITY, 1e6),
    "W/K": Unit(Dimension.CONDUCTANCE, 1.0),
    "kW/K": Unit(Dimension.CONDUCTANCE, 1e3),
    "N m": Unit(Dimension.TORQUE, 1.0),
    "kN m": Unit(Dimension.TORQUE, 1e3),
    "lbf ft": Unit(Dimension.TORQUE, _POUND_FORCE * _FOOT),
    "kg": Unit(Dimension.MASS, 1.0),
    "t": Unit(Dimension.MASS, 1e3),
    "lb": Unit(Dimension.MASS, 0.45359237),
    "kg/m": Unit(Dimension.LINE_MASS, 1.0),
    "lb/ft": Unit(Dimension.LINE_MASS, 0.45359237 / _FOOT),
    "A": Unit(Dimension.CURRENT, 1.0),
    "V": Unit(Dimension.VOLTAGE, 1.0),
    "rpm": Unit(Dimension.TURN, np.pi / 30),
    "rad/s": Unit(Dimension.TURN, 1.0),
    "%": Unit(Dimension.NUMBER, 0.01),
    "1": Unit(Dimension.NUMBER, 1.0),
}


@dataclass(frozen=True, slots=True)
class _Several:
    """A bare name that means several units: what could be meant, where it could stand."""

    choices: str
    dimensions: tuple[Dimension, ...]


_GALLONS_A_MINUTE = '"gal/min" (US) or "imp gal/min"'
_WEIGHT = _Several('a weight in "kN", "lbf" or "klbf": short, long and metric tons differ', (Dimension.FORCE,))
_AMBIGUOUS = {
    "gal": _Several(f'"US gal" or "imp gal", for a flow {_GALLONS_A_MINUTE}', (Dimension.VOLUME, Dimension.FLOW)),
    "gpm": _Several(_GALLONS_A_MINUTE, (Dimension.FLOW,)),
    "ton": _WEIGHT,
    "tons": _WEIGHT,
    "hp": _Several('"mech hp" (550 ft lbf/s) or "metric hp"', (Dimension.POWER,)),
}
_COMMA = re.compile(r"^\s*[-+]?[\d.]*\d,\d")
_QUANTITY = re.compile(r"^\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*$")


class UnitError(ValueError):
    """A quantity that cannot be read; ``allowed`` says what could stand there."""

    def __init__(self, found: str, allowed: str) -> None:
        self.found, self.allowed = found, allowed
        super().__init__(f"found {found}; allowed: {allowed}")


@cache
def units_of(dimension: Dimension) -> str:
    """The units a dimension may be written in, for messages."""
    names = [name for name, unit in UNITS.items() if unit.dimension is dimension]
    if dimension is Dimension.DIFFERENCE:
        names += ["degF", "degC"]
    return ", ".join(names)


def parse(text: str, dimension: Dimension) -> float:
    """Read ``"75 gal/min"`` as a number in the SI unit of ``dimension``.

    A difference takes no offset: ``"2 degF"`` is 1.111 K.

    Raises:
        UnitError: no number, no unit, an ambiguous unit, or one of another dimension.
    """
    example = f"a number and a unit in quotes, one of: {units_of(dimension)}"
    if _COMMA.match(text):
        raise UnitError(repr(text), f"a decimal point, no comma: {example}")
    match = _QUANTITY.match(text)
    if match is None:
        raise UnitError(repr(text), example)
    number, name = float(match.group(1)), match.group(2)
    if not math.isfinite(number):
        raise UnitError(repr(text), "a number that a computer can hold")
    if name in _AMBIGUOUS:
        allowed = _AMBIGUOUS[name].choices if dimension in _AMBIGUOUS[name].dimensions else example
        raise UnitError(f"{text!r}, whose unit {name!r} means several things", allowed)
    if dimension is Dimension.DIFFERENCE and name in ("degF", "degC"):
        return number * UNITS[name].factor
    if not name and dimension is Dimension.NUMBER:
        return number
    unit = UNITS.get(name)
    if unit is None or unit.dimension is not dimension:
        what = f"{text!r} without a unit" if not name else repr(text)
        raise UnitError(what, example)
    value = number * unit.factor + unit.offset
    if not math.isfinite(value):
        raise UnitError(repr(text), "a number that a computer can hold")
    return value


_N = TypeVar("_N", float, NDArray[np.float64])


def to_unit(value: _N, name: str, *, difference: bool = False) -> _N:
    """SI values in the named unit; with ``difference`` without the offset of a temperature scale."""
    unit = UNITS[name]
    return value / unit.factor if difference else (value - unit.offset) / unit.factor


def counted(number: int, one: str, many: str = "") -> str:
    """``1 stand``, ``2 stands``; what takes no plain s is named."""
    return f"{number:,} {one if number == 1 else many or f'{one}s'}"


def utc_text(utc_ns: int) -> str:
    """Wall time as people and records write it: ``2031-02-03T04:05:06.200Z``."""
    ms = utc_ns // 1_000_000
    days, ms = divmod(ms, _DAY_MS)
    return f"{_day_text(days)}T{ms // 3_600_000:02}:{ms // 60_000 % 60:02}:{ms // 1000 % 60:02}.{ms % 1000:03}Z"


_DAY_MS: Final = 86_400_000


@lru_cache(maxsize=64)
def _day_text(days: int) -> str:
    return str(np.datetime64(days, "D"))


CREW_UNITS: dict[str, dict[Dimension, str]] = {
    "us": {
        Dimension.FLOW: "gal/min",
        Dimension.TEMPERATURE: "degF",
        Dimension.DIFFERENCE: "degF",
        Dimension.LENGTH: "in",
        Dimension.SPEED: "in/s",
        Dimension.VOLUME: "bbl",
        Dimension.POWER: "kW",
        Dimension.ENERGY: "MJ",
        Dimension.FORCE: "klbf",
        Dimension.PRESSURE: "psi",
        Dimension.TIME: "s",
        Dimension.RATE: "degF/s",
        Dimension.TURN: "rpm",
        Dimension.NUMBER: "1",
    },
    "metric": {
        Dimension.FLOW: "L/min",
        Dimension.TEMPERATURE: "degC",
        Dimension.DIFFERENCE: "K",
        Dimension.LENGTH: "mm",
        Dimension.SPEED: "mm/s",
        Dimension.VOLUME: "m3",
        Dimension.POWER: "kW",
        Dimension.ENERGY: "MJ",
        Dimension.FORCE: "kN",
        Dimension.PRESSURE: "bar",
        Dimension.TIME: "s",
        Dimension.RATE: "K/s",
        Dimension.TURN: "rpm",
        Dimension.NUMBER: "1",
    },
}


def shown(value: _N, dimension: Dimension, system: str) -> tuple[_N, str]:
    """SI values in the crew's unit: the numbers and the unit's name."""
    name = CREW_UNITS[system].get(dimension, dimension.value)
    difference = dimension is Dimension.DIFFERENCE
    return to_unit(value, name, difference=difference), name
