"""Rig file table ``[record]``: how long a segment is, and what of the record is kept."""

import re
from typing import Annotated, Any, Final

from pydantic import BeforeValidator
from pydantic_core import PydanticCustomError

from brakewater.rig.quantity import Nanoseconds, lasting
from brakewater.rig.tables import Model
from brakewater.units import Dimension, UnitError, parse

_SIZES: Final = {"MB": 10**6, "GB": 10**9, "TB": 10**12, "MiB": 2**20, "GiB": 2**30, "TiB": 2**40}
_SIZE: Final = re.compile(r"([0-9]+(?:\.[0-9]+)?) ?([A-Za-z]+)")
_LEAST_AGE_S: Final = 86_400.0
_MOST_AGE_S: Final = 100 * 366 * 86_400.0


def _size(value: Any) -> int:
    found = _SIZE.fullmatch(value) if isinstance(value, str) else None
    size = round(float(found[1]) * _SIZES[found[2]]) if found and found[2] in _SIZES else 0
    if size < 10**8:
        context = {
            "found": repr(value),
            "allowed": 'at least 100 MB, with a unit: "200 GB" (MB, GB, TB, MiB, GiB, TiB)',
        }
        raise PydanticCustomError("quantity", "{found}", context)
    return size


def _age(value: Any) -> int:
    try:
        seconds = float(parse(value if isinstance(value, str) else repr(value), Dimension.TIME))
    except UnitError as error:
        raise PydanticCustomError("quantity", "{found}", {"found": error.found, "allowed": error.allowed}) from error
    if not _LEAST_AGE_S <= seconds <= _MOST_AGE_S:
        context = {"found": repr(value), "allowed": '1 d to 36600 d, for example "400 d"'}
        raise PydanticCustomError("quantity", "{found}", context)
    return round(seconds * 1e9)


class Keeping(Model):
    """By default a segment a day, and all of it for ever."""

    segment: Annotated[Nanoseconds, lasting("1 min", "7 d")] = 86_400_000_000_000
    """A new segment begins so often, counted from midnight UTC."""
    values: bool = False
    """Keep full-rate values in SI beside the raw words; they can be made again from those. Derived ones are rounded far
    below their uncertainty, as each column says."""
    keep: Annotated[int, BeforeValidator(_age)] | None = None
    """Older segments are deleted, ns."""
    keep_size: Annotated[int, BeforeValidator(_size)] | None = None
    """The oldest segments beyond this are deleted, bytes."""
