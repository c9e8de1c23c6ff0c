"""A point's ``signal`` table and data type, read into the records of the signals floor."""

import re
from collections.abc import Callable, Mapping
from typing import Any, Final

from brakewater.rig.model import PointEntry
from brakewater.rig.roles import Role
from brakewater.signals.convert import Bit, CurrentLoop, Direct, Linear, Pt100, Register, Signal
from brakewater.signals.words import RegisterKind
from brakewater.units import UNITS, Dimension, UnitError, parse, units_of

Complain = Callable[[tuple[str, ...], str, str], None]
"""Takes a path below the point, what was found, and what is allowed."""

KINDS: Final = ("linear", "current-loop", "pt100", "direct", "bit")
_KEYS = {
    "linear": {"kind", "raw", "range"},
    "current-loop": {"kind", "raw", "range"},
    "pt100": {"kind", "ohms-per-count", "lead-ohms"},
    "direct": {"kind", "unit"},
    "bit": {"kind", "inverted"},
}
_HUGE: Final = 1e300
_REFUSAL: Final = re.compile(r"(\w+): found (.*?); allowed: (.*)", re.DOTALL)
_KEY_OF: Final = {
    "raw_low": ("raw",),
    "raw_high": ("raw",),
    "low": ("range",),
    "high": ("range",),
    "ohms_per_count": ("ohms-per-count",),
    "ohms_offset": ("lead-ohms",),
}
_TYPE = re.compile(r"^bit (\d{1,2})$")


def register_of(entry: PointEntry, complain: Complain) -> Register | None:
    """Data type and orders of a point, or None after complaining."""
    if entry.table.is_bits:
        if entry.type not in ("bit", PointEntry.model_fields["type"].default):
            complain(("type",), repr(entry.type), f'"bit" in the {entry.table.value} table')
            return None
        return Register(kind=RegisterKind.BIT)
    match = _TYPE.match(entry.type)
    if match and int(match.group(1)) <= 15:
        kind, bit = RegisterKind.BIT, int(match.group(1))
    else:
        words = [kind.value for kind in RegisterKind if kind is not RegisterKind.BIT]
        if entry.type not in words:
            complain(("type",), repr(entry.type), ", ".join(words) + ', "bit 0" to "bit 15"')
            return None
        kind, bit = RegisterKind(entry.type), None
    return Register(
        kind=kind, words_high_first=entry.words == "high-first", bytes_high_first=entry.bytes == "high-first", bit=bit
    )


def signal_of(entry: PointEntry, role: Role, complain: Complain) -> Signal | None:
    """What the point's number stands for, or None after complaining."""
    table = entry.signal
    kind = table.get("kind")
    if kind not in KINDS:
        complain(("signal", "kind"), repr(kind), ", ".join(KINDS))
        return None
    extra = sorted(set(table) - _KEYS[kind])
    for key in extra:
        complain(("signal", key), "an unknown key", "with kind " + kind + ": " + ", ".join(sorted(_KEYS[kind])))
    is_bit = entry.table.is_bits or entry.type.startswith("bit")
    if role.bit != (kind == "bit"):
        complain(("signal", "kind"), repr(kind), _fitting(role))
        return None
    if role.bit != is_bit:
        bits, numbers = 'a coil or discrete table, or type "bit N"', "an input or holding table, with a type of numbers"
        complain(("type",), f"{entry.type!r} in the {entry.table.value} table", bits if role.bit else numbers)
        return None
    if extra:
        return None
    return _BUILD[kind](table, role.dimension, complain)


def _fitting(role: Role) -> str:
    if role.bit:
        return '"bit": this role is a contact'
    return f"a kind that gives a number in {role.dimension.value}: linear, current-loop, pt100 or direct"


def _two(table: Mapping[str, Any], key: str, complain: Complain, what: str) -> list[Any] | None:
    value = table.get(key)
    if isinstance(value, list) and len(value) == 2:
        return value
    complain(("signal", key), repr(value), what)
    return None


def _is_number(value: Any) -> bool:
    """A number that a float can hold."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < _HUGE


def _span(table: Mapping[str, Any], dimension: Dimension, complain: Complain) -> dict[str, float] | None:
    raw = _two(table, "raw", complain, "two counts, for example [0, 27648]")
    ends = _two(table, "range", complain, f"two quantities, in one of: {units_of(dimension)}")
    if raw is None or ends is None:
        return None
    if not all(_is_number(number) for number in raw):
        complain(("signal", "raw"), repr(raw), "two numbers")
        return None
    try:
        low, high = (parse(str(end), dimension) for end in ends)
    except UnitError as error:
        complain(("signal", "range"), error.found, error.allowed)
        return None
    return {"raw_low": float(raw[0]), "raw_high": float(raw[1]), "low": low, "high": high}


def _linear(table: Mapping[str, Any], dimension: Dimension, complain: Complain) -> Signal | None:
    span = _span(table, dimension, complain)
    return None if span is None else _checked(lambda: Linear(**span), complain)


def _current_loop(table: Mapping[str, Any], dimension: Dimension, complain: Complain) -> Signal | None:
    span = _span(table, dimension, complain)
    return None if span is None else _checked(lambda: CurrentLoop(**span), complain)


def _pt100(table: Mapping[str, Any], dimension: Dimension, complain: Complain) -> Signal | None:
    if dimension is not Dimension.TEMPERATURE:
        complain(("signal", "kind"), "'pt100'", f"a kind that gives {dimension.value}; a Pt100 gives a temperature")
        return None
    numbers = {"ohms-per-count": table.get("ohms-per-count", 1.0), "lead-ohms": table.get("lead-ohms", 0.0)}
    wrong = [key for key, number in numbers.items() if not _is_number(number)]
    for key in wrong:
        complain(("signal", key), repr(numbers[key]), "a number of ohms, without a unit, for example 0.01")
    if wrong:
        return None
    per_count, leads = float(numbers["ohms-per-count"]), float(numbers["lead-ohms"])
    return _checked(lambda: Pt100(ohms_per_count=per_count, ohms_offset=-leads), complain)


def _direct(table: Mapping[str, Any], dimension: Dimension, complain: Complain) -> Signal | None:
    name = table.get("unit")
    unit = UNITS.get(name) if isinstance(name, str) else None
    if unit is None or unit.dimension is not dimension:
        complain(("signal", "unit"), repr(name), f"one of: {units_of(dimension)}")
        return None
    return Direct(scale=unit.factor, offset=unit.offset)


def _bit(table: Mapping[str, Any], _dimension: Dimension, complain: Complain) -> Signal | None:
    inverted = table.get("inverted", False)
    if not isinstance(inverted, bool):
        complain(("signal", "inverted"), repr(inverted), "true or false")
        return None
    return Bit(inverted=inverted)


def _checked(build: Callable[[], Signal], complain: Complain) -> Signal | None:
    """A signal refuses what makes no sense as ``field: found this; allowed: that``."""
    try:
        return build()
    except ValueError as error:
        match = _REFUSAL.match(str(error))
        field, found, allowed = match.groups() if match else ("", str(error), "a signal that makes sense")
        complain(("signal", *_KEY_OF.get(field, ())), found, allowed)
        return None


_BUILD: dict[str, Callable[[Mapping[str, Any], Dimension, Complain], Signal | None]] = {
    "linear": _linear,
    "current-loop": _current_loop,
    "pt100": _pt100,
    "direct": _direct,
    "bit": _bit,
}
