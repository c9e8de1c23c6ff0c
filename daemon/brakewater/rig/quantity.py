"""Field types for quantities: text with a unit in the file, an SI number in the model."""

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator
from pydantic_core import PydanticCustomError

from brakewater.physics import fluid
from brakewater.units import Dimension, UnitError, parse


def _reader(dimension: Dimension) -> Callable[[Any], Any]:
    def read(value: Any) -> Any:
        try:
            return parse(value if isinstance(value, str) else repr(value), dimension)
        except UnitError as error:
            raise PydanticCustomError(
                "quantity", "found {found}; allowed: {allowed}", {"found": error.found, "allowed": error.allowed}
            ) from error

    return read


_LONGEST_S = 366 * 86_400.0


def _nanoseconds(value: Any) -> int:
    seconds = float(_reader(Dimension.TIME)(value))
    if not 0 <= seconds <= _LONGEST_S:
        raise PydanticCustomError("quantity", "{found}", {"found": repr(value), "allowed": "zero to 366 days"})
    return round(seconds * 1e9)


def lasting(least: str, most: str) -> AfterValidator:
    """Bounds of a duration, written as people write them."""
    low, high = _nanoseconds(least), _nanoseconds(most)

    def check(value: int) -> int:
        if not low <= value <= high:
            context = {"found": f"{value / 1e9:g} s", "allowed": f"{least} to {most}"}
            raise PydanticCustomError("quantity", "{found}", context)
        return value

    return AfterValidator(check)


def within(least: float, most: float, allowed: str) -> AfterValidator:
    """Bounds of a quantity in its SI unit (degC), and how people write them."""

    def check(value: float) -> float:
        if not least <= value <= most:
            raise PydanticCustomError("quantity", "{found}", {"found": f"{value:g} in SI", "allowed": allowed})
        return value

    return AfterValidator(check)


def _above_zero(dimension: Dimension) -> Callable[[Any], Any]:
    read = _reader(dimension)

    def check(value: Any) -> Any:
        number = read(value)
        if number <= 0:
            raise PydanticCustomError("quantity", "{found}", {"found": repr(value), "allowed": "above zero"})
        return number

    return check


Temperature = Annotated[float, BeforeValidator(_reader(Dimension.TEMPERATURE))]
Flow = Annotated[float, BeforeValidator(_above_zero(Dimension.FLOW))]
Length = Annotated[float, BeforeValidator(_above_zero(Dimension.LENGTH))]
Depth = Annotated[float, BeforeValidator(_reader(Dimension.LENGTH))]
Pressure = Annotated[float, BeforeValidator(_above_zero(Dimension.PRESSURE))]
Speed = Annotated[float, BeforeValidator(_above_zero(Dimension.SPEED))]
Rate = Annotated[float, BeforeValidator(_above_zero(Dimension.RATE))]
Volume = Annotated[float, BeforeValidator(_above_zero(Dimension.VOLUME))]
Area = Annotated[float, BeforeValidator(_above_zero(Dimension.AREA))]
HeatCapacity = Annotated[float, BeforeValidator(_above_zero(Dimension.HEAT_CAPACITY))]
Conductance = Annotated[float, BeforeValidator(_above_zero(Dimension.CONDUCTANCE))]
Power = Annotated[float, BeforeValidator(_above_zero(Dimension.POWER))]
Torque = Annotated[float, BeforeValidator(_above_zero(Dimension.TORQUE))]
Turn = Annotated[float, BeforeValidator(_above_zero(Dimension.TURN))]
Current = Annotated[float, BeforeValidator(_above_zero(Dimension.CURRENT))]
Mass = Annotated[float, BeforeValidator(_above_zero(Dimension.MASS))]
Number = Annotated[float, BeforeValidator(_above_zero(Dimension.NUMBER))]
Density = Annotated[float, BeforeValidator(_above_zero(Dimension.DENSITY))]
Nanoseconds = Annotated[int, BeforeValidator(_nanoseconds)]


def _day(value: Any) -> Any:
    return value.isoformat() if hasattr(value, "isoformat") else value


Day = Annotated[str, BeforeValidator(_day)]
"""A date in quotes or TOML's own."""


def _fluid(value: Any) -> Any:
    context = {"found": repr(value), "allowed": fluid.ALLOWED}
    if not isinstance(value, str):  # a table would be taken for a fluid's own polynomials
        raise PydanticCustomError("quantity", "{found}", context)
    try:
        return fluid.parse(value)
    except ValueError as error:
        raise PydanticCustomError("quantity", "{found}", context) from error


LoopFluid = Annotated[fluid.Fluid, BeforeValidator(_fluid)]
"""``"water"`` or ``"30 % vol ethylene glycol"``."""
