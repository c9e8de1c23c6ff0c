"""Engineering values to register words, as a device would hold them: the other direction of the daemon's decoder.

Written for the simulator alone: it shares no line with ``brakewater.signals``, so that an error in one cannot cancel in
the other. Only the records of the rig file (what a point is) are common to both.

    value in SI -> number by its signal -> rounded and held within its type -> registers in its word and byte order

A measuring loop stays between 3.8 and 20.5 mA (NAMUR NE 43). What is ``broken`` is a sensor: an open one drives its
loop to 21.5 mA, a shorted one to 3.5 mA; an open RTD reads ten times its nominal resistance, a shorted one 0 ohm. Where
the type cannot hold that, the other failure shows if it can. A number without wiring of its own goes to an end of its
type or, where it is a float, to NaN.
"""

import struct
from math import inf, nan

from brakewater.rig import Point
from brakewater.signals.convert import (
    AnySignal,
    Bit,
    CurrentLoop,
    Direct,
    Frequency,
    Linear,
    Pt100,
    Pulse,
    Register,
    Root,
)

FAILED_LOW_MA, FAILED_HIGH_MA = 3.5, 21.5
MEASURES_FROM_MA, MEASURES_TO_MA = 3.8, 20.5
OPEN_RATIO = 10.0
"""Resistance of an open RTD as a multiple of its nominal one: what a converter shows at its end stop."""

_CODES = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f", "float64": "d"}
_ENDS = {
    "int16": (-(2**15), 2**15 - 1),
    "uint16": (0, 2**16 - 1),
    "int32": (-(2**31), 2**31 - 1),
    "uint32": (0, 2**32 - 1),
}
_FLOAT32_MOST = 3.4028234663852886e38

# Callendar-Van Dusen, coefficients of IEC 60751 as quoted by public references.
_A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12


def words(point: Point, value: float, broken: str = "") -> tuple[int, ...]:
    """Registers of one point, first address first; of a bit in a register, that register with no other bit set.

    Args:
        point: what it is and how it is wired.
        value: in SI, temperature in degC; a bit is 0.0 or 1.0. Any finite number.
        broken: ``open-circuit``, ``short-circuit`` or empty. A contact has no such failure.
    """
    number = failed(point, broken) if broken else number_of(point.signal, value)
    return registers(point.register, number)


def number_of(signal: AnySignal, value: float) -> float:
    """The number that stands for ``value``, before it is rounded and held within a type.

    Of a pulse counter ``value`` is the volume counted so far, in m3: whoever has the flow adds it up.
    """
    match signal:
        case Bit():
            return float((value != 0.0) != signal.inverted)
        case Direct():
            return (value - signal.offset) / signal.scale
        case Linear():
            share = (value - signal.low) / (signal.high - signal.low)
            return signal.raw_low + share * (signal.raw_high - signal.raw_low)
        case CurrentLoop():
            ma = 4.0 + 16.0 * (value - signal.low) / (signal.high - signal.low)
            return counts(signal, _measures(ma))
        case Pt100():
            return (signal.r0 * ratio(value) - signal.ohms_offset) / signal.ohms_per_count
        case Root() | Frequency() | Pulse():
            return _of_flow(signal, value)


def _of_flow(signal: Root | Frequency | Pulse, value: float) -> float:
    match signal:
        case Root():
            ma = 4.0 + 16.0 * (max(value, 0.0) / signal.full_scale) ** 2
            return counts(signal, _measures(ma) if signal.loop else ma)
        case Frequency():
            return max(value, 0.0) * signal.pulses_per_m3 / signal.hz_per_count
        case Pulse():
            return float(int(value * signal.pulses_per_m3) % signal.rolls_at)


def is_counter(point: Point) -> bool:
    """Whether a point shows what has flowed so far, not what flows."""
    return isinstance(point.signal, Pulse)


def _measures(ma: float) -> float:
    return min(MEASURES_TO_MA, max(MEASURES_FROM_MA, ma))


def counts(loop: CurrentLoop | Root, ma: float) -> float:
    """Counts of a loop that carries ``ma`` mA."""
    return loop.raw_low + (ma - 4.0) * (loop.raw_high - loop.raw_low) / 16.0


def ratio(degc: float) -> float:
    """Resistance of a platinum thermometer at ``degc`` over that at 0 degC (IEC 60751)."""
    above = 1.0 + _A * degc + _B * degc**2
    return above if degc >= 0.0 else above + _C * (degc - 100.0) * degc**3


def failed(point: Point, broken: str) -> float:
    """The number that shows a broken sensor, as far as the type can show it at all."""
    signal, kind = point.signal, point.register.kind.value
    match signal:
        case Bit():
            return 0.0
        case CurrentLoop():
            high, low = counts(signal, FAILED_HIGH_MA), counts(signal, FAILED_LOW_MA)
        case Root(loop=True):
            high, low = counts(signal, FAILED_HIGH_MA), counts(signal, FAILED_LOW_MA)
        case Pt100():
            high, low = ((r * signal.r0 - signal.ohms_offset) / signal.ohms_per_count for r in (OPEN_RATIO, 0.0))
        case Pulse() | Frequency():
            return 0.0  # no pulse comes through a broken wire, nor through a shorted one
        case Direct() | Linear() | Root():
            if kind not in _ENDS:
                return nan
            high, low = _ENDS[kind][1], _ENDS[kind][0]
    told = (high, low) if broken == "open-circuit" else (low, high)
    return next((number for number in told if _shows(signal, held(kind, number))), told[0])


def _shows(signal: AnySignal, number: float) -> bool:
    """Whether a number is far enough out to be taken for a failure."""
    match signal:
        case CurrentLoop() | Root(loop=True):
            ma = 4.0 + 16.0 * (number - signal.raw_low) / (signal.raw_high - signal.raw_low)
            return not FAILED_LOW_MA + 0.1 < ma < FAILED_HIGH_MA - 0.5
        case Pt100():
            return not 0.18 < (number * signal.ohms_per_count + signal.ohms_offset) / signal.r0 < 4.0
        case _:
            return True


def held(kind: str, number: float) -> float:
    """A number as its type holds it: whole types round and stop at their ends, they never wrap around."""
    if kind in _ENDS:
        low, high = _ENDS[kind]
        return min(high, max(low, round(number)))
    most = _FLOAT32_MOST if kind == "float32" else inf
    return number if number != number else min(most, max(-most, number))  # noqa: PLR0124 - NaN stays NaN


def registers(register: Register, number: float) -> tuple[int, ...]:
    """Registers that hold a number, in the point's word and byte order."""
    kind = register.kind.value
    if kind == "bit":
        word = 1 << (register.bit or 0) if number else 0
        return (word if register.bytes_high_first else (word & 0xFF) << 8 | word >> 8,)
    packed = struct.pack(f">{_CODES[kind]}", held(kind, number))
    order = ">" if register.bytes_high_first else "<"
    found = struct.unpack(f"{order}{len(packed) // 2}H", packed)
    return found if register.words_high_first else found[::-1]
