"""What a point may sensibly read: the span of its signal, what is plausible, how exactly a tech can know it."""

from typing import Final

import numpy as np

from brakewater.quality import is_bad
from brakewater.rig import SELF, Point, Rig
from brakewater.rig.roles import ROLES
from brakewater.signals.convert import Bit, CurrentLoop, Linear, Pt100, Register, convert
from brakewater.signals.flow import Root
from brakewater.signals.words import RegisterKind, decode
from brakewater.units import Dimension

PHYSICAL: Final = {
    Dimension.FLOW: (0.0, 0.1),
    Dimension.TEMPERATURE: (-40.0, 150.0),
    Dimension.LENGTH: (-1.0, 60.0),
    Dimension.FORCE: (0.0, 1e7),
    Dimension.PRESSURE: (-1e5, 2e7),
    Dimension.CURRENT: (0.0, 500.0),
    Dimension.VOLTAGE: (0.0, 1000.0),
    Dimension.TURN: (-200.0, 200.0),
    Dimension.NUMBER: (0.0, 4294967295.0),
}
"""What a rig's sensor may read at all, in SI, where the signal names no range. Wide on purpose; assumptions."""
THERMOMETER: Final = (-40.0, 150.0)
"""Of a resistance thermometer in cooling water, degC; an assumption."""
WATER: Final = (0.0, 100.0)
"""To what a bath, ice or steam bring a thermometer, degC."""
_FLOWS: Final = 2.0
"""Beyond so many times the least flow no supply of a brake brings its meter; an assumption."""
_ORDERS = [(True, True), (True, False), (False, True), (False, False)]
_SHARE = 0.005
_KELVIN = 0.5
_MARGIN = 0.04
_TINIEST = 1e-9
"""A float that is not 0 but smaller than this is 75.0 with its words swapped, or the like: no measurement."""


def dimension(point: Point) -> Dimension:
    """What a point of a device measures."""
    return Dimension.NUMBER if point.device == SELF else ROLES[point.role].dimension


def span(point: Point) -> tuple[float, float]:
    """Lowest and highest value in SI that the point is there for."""
    match point.signal:
        case CurrentLoop(low=low, high=high) | Linear(low=low, high=high):
            return min(low, high), max(low, high)
        case Root(full_scale=full):
            return 0.0, full
        case Pt100():
            return THERMOMETER
        case Bit():
            return 0.0, 1.0
        case _:
            return PHYSICAL.get(dimension(point), (-1e9, 1e9))


def likely(point: Point, rig: Rig) -> tuple[float, float]:
    """Within the span: the values in SI to which this sensor is brought on a rig; the range where it has one."""
    low, high = span(point)
    ends = reached(point, rig)
    if ends is not None:
        low, high = max(low, ends[0]), min(high, ends[1])
    ends = point.conditioning.sensor_range
    if ends is not None:
        low, high = max(low, ends[0]), min(high, ends[1])
    return (low, high) if low < high else span(point)


def reached(point: Point, rig: Rig) -> tuple[float, float] | None:
    """Of a signal that names no range: to what its sensor is brought on a rig, in SI; None where nothing says it."""
    if measuring_range(point) is not None:
        return None
    brake = next((one for one in rig.brakes if one.name == point.brake), None)
    heights = [tank.height for tank in rig.tanks if tank.height is not None]
    if dimension(point) is Dimension.TEMPERATURE:
        return WATER
    if point.role == "tank-level" and heights:
        return 0.0, max(heights)
    if point.role == "brake-level" and brake is not None:
        return 0.0, brake.bearing_level
    if point.role in ("inlet-flow", "return-flow") and brake is not None:
        return 0.0, brake.most_flow or _FLOWS * brake.least_flow
    return None


def measuring_range(point: Point) -> tuple[float, float] | None:
    """The values at 0 and 100 % in SI, where the rig file names them."""
    match point.signal:
        case CurrentLoop(low=low, high=high) | Linear(low=low, high=high):
            return low, high
        case Root(full_scale=full):
            return 0.0, full
        case Bit():
            return 0.0, 1.0
        case _:
            return None


def tolerance(point: Point, expected: float) -> float:
    """How exactly a tech knows the true value where nothing is said, SI (a difference).

    0.5 % of the span; 0.5 K of a temperature without a range; 1 % of what is expected of a number that the device
    scales itself. Assumptions.
    """
    if isinstance(point.signal, Bit):
        return 0.1
    ends = measuring_range(point)
    if ends is not None:
        return _SHARE * abs(ends[1] - ends[0])
    if dimension(point) is Dimension.TEMPERATURE:
        return _KELVIN
    return max(2 * _SHARE * abs(expected), _SHARE * 1e-2 * abs(span(point)[1]))


def order_name(*, words: bool, bytes_: bool) -> str:
    """``high-first/low-first``: order of the words, then of the bytes."""
    return "/".join("high-first" if first else "low-first" for first in (words, bytes_))


def readings(point: Point, words: tuple[int, ...]) -> dict[str, tuple[float, bool]]:
    """The value in SI under each of the four orders, and whether it is plausible; NaN where it makes no sense.

    Nothing for a bit, and nothing without words.
    """
    if not words or point.register.kind is RegisterKind.BIT:
        return {}
    return {
        order_name(words=first, bytes_=inner): _reading(point, words, words_first=first, bytes_first=inner)
        for first, inner in _ORDERS
    }


def _sensible(point: Point) -> tuple[float, float]:
    """The range with a margin for a zero that is a little off, or what the sensor can measure, or the span."""
    ends = measuring_range(point)
    if ends is not None:
        margin = _MARGIN * abs(ends[1] - ends[0])
        return min(ends) - margin, max(ends) + margin
    return point.conditioning.sensor_range or span(point)


def _reading(point: Point, words: tuple[int, ...], *, words_first: bool, bytes_first: bool) -> tuple[float, bool]:
    kind = point.register.kind
    register = Register(kind=kind, words_high_first=words_first, bytes_high_first=bytes_first)
    row = np.array([words], np.uint16)
    found, codes = convert(register, point.signal, row, np.zeros(1, np.uint8))
    if is_bad(codes)[0]:
        return float("nan"), False
    number = float(decode(row, kind, words_high_first=words_first, bytes_high_first=bytes_first)[0])
    low, high = _sensible(point)
    value = float(found[0])
    return value, low <= value <= high and (number == 0.0 or abs(number) > _TINIEST)
