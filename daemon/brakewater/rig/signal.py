"""A point's ``signal`` table and data type, read into the records of the signals floor."""

import re
from collections.abc import Callable
from typing import Final

from brakewater.rig import flow_signal
from brakewater.rig.complaints import Complain, built, is_number, two
from brakewater.rig.roles import Role
from brakewater.rig.tables import PointEntry
from brakewater.rig.thermometer import thermometer
from brakewater.signals.convert import AnySignal, Bit, CurrentLoop, Direct, Linear, Register
from brakewater.signals.words import RegisterKind
from brakewater.units import UNITS, Dimension, UnitError, parse, units_of

_SPAN = {"kind", "raw", "range"}
_RTD = {"kind", "ohms-per-count", "lead-ohms", "leads"}
_KEYS = {
    "linear": _SPAN,
    "current-loop": _SPAN,
    "pt100": _RTD,
    "pt1000": _RTD,
    "pulse": {"kind", "k-factor", "full-scale", "rolls-at", "window", "renewed"},
    "frequency": {"kind", "k-factor", "hz-per-count", "least-hz"},
    "root": {"kind", "raw", "full-scale", "cut", "loop"},
    "direct": {"kind", "unit"},
    "bit": {"kind", "inverted"},
}
KINDS: Final = tuple(_KEYS)
_SCALED: Final = '; a scaled number is kind = "linear": tenths are raw = [0, 1000], range = ["0 degF", "100 degF"]'
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


def signal_of(entry: PointEntry, role: Role, complain: Complain) -> AnySignal | None:
    """What the point's number stands for, or None after complaining."""
    table = entry.signal
    kind = table.get("kind")
    if kind not in KINDS:
        complain(("signal", "kind"), repr(kind), ", ".join(KINDS))
        return None
    extra = sorted(set(table) - _KEYS[kind])
    for key in extra:
        known = f"with kind {kind}: {', '.join(sorted(_KEYS[kind]))}"
        complain(("signal", key), "an unknown key", known + (_SCALED if kind == "direct" else ""))
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
    return _BUILD[kind](entry, role.dimension, complain)


def _fitting(role: Role) -> str:
    if role.bit:
        return '"bit": this role is a contact'
    kinds = "linear, current-loop, pt100 or direct"
    if role.dimension is Dimension.FLOW:
        kinds = "linear, current-loop, pulse, frequency, root or direct"
    return f"a kind that gives a number in {role.dimension.value}: {kinds}"


def _span(entry: PointEntry, dimension: Dimension, complain: Complain) -> dict[str, float] | None:
    raw = two(entry, "raw", complain, "two counts, for example [0, 27648]")
    ends = two(entry, "range", complain, f"two quantities, in one of: {units_of(dimension)}")
    if raw is None or ends is None:
        return None
    if not all(is_number(number) for number in raw):
        complain(("signal", "raw"), repr(raw), "two numbers")
        return None
    try:
        low, high = (parse(str(end), dimension) for end in ends)
    except UnitError as error:
        complain(("signal", "range"), error.found, error.allowed)
        return None
    return {"raw_low": float(raw[0]), "raw_high": float(raw[1]), "low": low, "high": high}


def _linear(entry: PointEntry, dimension: Dimension, complain: Complain) -> AnySignal | None:
    span = _span(entry, dimension, complain)
    return None if span is None else built(lambda: Linear(**span), complain)


def _current_loop(entry: PointEntry, dimension: Dimension, complain: Complain) -> AnySignal | None:
    span = _span(entry, dimension, complain)
    return None if span is None else built(lambda: CurrentLoop(**span), complain)


def _direct(entry: PointEntry, dimension: Dimension, complain: Complain) -> AnySignal | None:
    name = entry.signal.get("unit")
    unit = UNITS.get(name) if isinstance(name, str) else None
    if unit is None or unit.dimension is not dimension:
        complain(("signal", "unit"), repr(name), f"one of: {units_of(dimension)}")
        return None
    return Direct(scale=unit.factor, offset=unit.offset)


def _bit(entry: PointEntry, _dimension: Dimension, complain: Complain) -> AnySignal | None:
    inverted = entry.signal.get("inverted", False)
    if not isinstance(inverted, bool):
        complain(("signal", "inverted"), repr(inverted), "true or false")
        return None
    return Bit(inverted=inverted)


_BUILD: dict[str, Callable[[PointEntry, Dimension, Complain], AnySignal | None]] = {
    "linear": _linear,
    "current-loop": _current_loop,
    "pt100": thermometer,
    "pt1000": thermometer,
    "pulse": flow_signal.pulse,
    "frequency": flow_signal.frequency,
    "root": flow_signal.root,
    "direct": _direct,
    "bit": _bit,
}
