"""How the readers of a point's tables complain, and the small steps that they share."""

import re
from collections.abc import Callable, Mapping
from typing import Any, Final, TypeVar

from brakewater.rig.tables import PointEntry
from brakewater.units import Dimension, UnitError, parse

Complain = Callable[[tuple[str, ...], str, str], None]
"""Takes a path below the point, what was found, and what is allowed."""

_B = TypeVar("_B")
_HUGE: Final = 1e300
_REFUSAL: Final = re.compile(r"(\w+): found (.*?); allowed: (.*)", re.DOTALL)
_KEY_OF: Final[Mapping[str, tuple[str, ...]]] = {
    "raw_low": ("raw",),
    "raw_high": ("raw",),
    "low": ("range",),
    "high": ("range",),
    "ohms_per_count": ("ohms-per-count",),
    "ohms_offset": ("lead-ohms",),
    "pulses_per_m3": ("k-factor",),
    "most_per_s": ("full-scale",),
    "full_scale": ("full-scale",),
    "rolls_at": ("rolls-at",),
    "window_ns": ("window",),
    "renewed_ns": ("renewed",),
    "hz_per_count": ("hz-per-count",),
    "least_hz": ("least-hz",),
    "cut": ("cut",),
}


def told(value: Any) -> str:
    """What was found, for people: an absent key is nothing."""
    return "nothing" if value is None else repr(value)


def is_number(value: Any) -> bool:
    """A number that a float can hold."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < _HUGE


def two(entry: PointEntry, key: str, complain: Complain, what: str) -> list[Any] | None:
    """A list of two in the signal table, or None after complaining."""
    value = entry.signal.get(key)
    if isinstance(value, list) and len(value) == 2:
        return value
    complain(("signal", key), told(value), what)
    return None


def number(entry: PointEntry, key: str, default: float | None, complain: Complain, what: str) -> float | None:
    """A bare number in the signal table, or None after complaining."""
    value: Any = entry.signal.get(key, default)
    if is_number(value):
        return float(value)
    complain(("signal", key), told(value), what)
    return None


def quantity(
    entry: PointEntry, key: str, dimension: Dimension, complain: Complain, default: str | None = None
) -> float | None:
    """A quantity in the signal table, in SI, or None after complaining."""
    value = entry.signal.get(key, default)
    try:
        return parse(value if isinstance(value, str) else repr(value), dimension)
    except UnitError as error:
        complain(("signal", key), error.found if value is not None else "nothing", error.allowed)
        return None


def amount(text: str, dimension: Dimension) -> float:
    """A quantity above zero, in SI.

    Raises:
        UnitError: it is none.
    """
    value = parse(text, dimension)
    if value <= 0:
        raise UnitError(repr(text), "above zero; leave it out where none is wanted")
    return value


def built(build: Callable[[], _B], complain: Complain) -> _B | None:
    """A signal refuses what makes no sense as ``field: found this; allowed: that``."""
    try:
        return build()
    except ValueError as error:
        match = _REFUSAL.match(str(error))
        field, found, allowed = match.groups() if match else ("", str(error), "a signal that makes sense")
        complain(("signal", *_KEY_OF.get(field, ())), found, allowed)
        return None
