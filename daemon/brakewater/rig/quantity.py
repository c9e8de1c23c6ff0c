"""Field types for quantities: text with a unit in the file, an SI number in the model."""

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import BeforeValidator
from pydantic_core import PydanticCustomError

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


def _nanoseconds(value: Any) -> int:
    return round(float(_reader(Dimension.TIME)(value)) * 1e9)


Flow = Annotated[float, BeforeValidator(_reader(Dimension.FLOW))]
Temperature = Annotated[float, BeforeValidator(_reader(Dimension.TEMPERATURE))]
Length = Annotated[float, BeforeValidator(_reader(Dimension.LENGTH))]
Speed = Annotated[float, BeforeValidator(_reader(Dimension.SPEED))]
Rate = Annotated[float, BeforeValidator(_reader(Dimension.RATE))]
Volume = Annotated[float, BeforeValidator(_reader(Dimension.VOLUME))]
Nanoseconds = Annotated[int, BeforeValidator(_nanoseconds)]
