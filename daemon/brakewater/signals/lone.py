"""The reading of a lone scan by the same laws as ``convert``, on Python's own numbers: far quicker than arrays of one.

Python's float and numpy's float64 are the same numbers with the same + - * / and square root, so the bits are equal; a
test holds both against each other. Only what is plainly good or plainly broken is told here; of all else ``convert`` is
asked.
"""

import math
import struct
from collections.abc import Callable, Sequence
from typing import Final, cast

from brakewater.quality import Reason
from brakewater.signals import loop, rtd
from brakewater.signals.convert import AnySignal, Bit, CurrentLoop, Direct, Linear, Pt100, Register, line
from brakewater.signals.words import RegisterKind, register_count
from brakewater.stream import Floats

Number = Callable[[Sequence[int]], float]
"""What registers hold."""
Told = tuple[float, int] | None
"""Value in SI and reason code; None where only ``convert`` can tell."""
Reading = Callable[[Sequence[int]], Told]

_UNPACKED: Final = {
    RegisterKind.INT16: ">h",
    RegisterKind.UINT16: ">H",
    RegisterKind.INT32: ">i",
    RegisterKind.UINT32: ">I",
    RegisterKind.FLOAT32: ">f",
    RegisterKind.FLOAT64: ">d",
}


_GOOD, _LOOP_LOW, _SHORT = int(Reason.GOOD), int(Reason.LOOP_LOW), int(Reason.SENSOR_SHORT)
_OUTSIDE: Final = 0.0, int(Reason.OUT_OF_SENSOR_RANGE)


def reading(register: Register, signal: AnySignal, sensor_range: tuple[float, float] | None) -> Reading | None:
    """How the words of one good answer are read; None for a signal that only ``convert`` knows.

    Args:
        register: how the words make a number.
        signal: what the number stands for.
        sensor_range: what its sensor can measure, in SI.
    """
    law = _law(signal)
    if law is None:
        return None
    number = _number(register)
    low, high = sensor_range or (-math.inf, math.inf)

    def read(words: Sequence[int]) -> Told:
        raw = number(words)
        told = law(raw) if math.isfinite(raw) else None
        if told is None or told[1] != _GOOD:
            return told
        if not math.isfinite(told[0]):
            return None
        return told if low <= told[0] <= high else _OUTSIDE

    return read


def _number(register: Register) -> Number:
    if register.kind is RegisterKind.BIT:
        mask = 0xFFFF if register.bit is None else 1 << register.bit
        mask = mask if register.bytes_high_first else (mask & 0xFF) << 8 | mask >> 8
        return lambda words: float(words[0] & mask != 0)
    if register.kind is RegisterKind.UINT16 and register.bytes_high_first:
        return lambda words: float(words[0])
    step = 1 if register.words_high_first else -1
    pack = struct.Struct(f"{'>' if register.bytes_high_first else '<'}{register_count(register.kind)}H").pack
    unpack = struct.Struct(_UNPACKED[register.kind]).unpack
    return lambda words: float(unpack(pack(*words[::step]))[0])


def _law(signal: AnySignal) -> Callable[[float], Told] | None:
    match signal:
        case Direct(scale=scale, offset=offset):
            return lambda raw: (scale * raw + offset, _GOOD)
        case Linear():
            return lambda raw: (line(raw, signal), _GOOD)
        case CurrentLoop():
            return lambda raw: _loop(raw, signal)
        case Pt100():
            return lambda raw: _thermometer(raw, signal)
        case Bit(inverted=inverted):
            return lambda raw: (float((raw == 0.0) is inverted), _GOOD)
        case _:
            return None


def _loop(raw: float, signal: CurrentLoop) -> Told:
    ma = loop.milliamps(raw, signal.raw_low, signal.raw_high)
    if -1e6 < ma <= loop.FAILED_LOW_MA:  # no garbage that overflowed
        return 0.0, _LOOP_LOW
    return (line(raw, signal), _GOOD) if loop.measures(ma) else None


def _thermometer(raw: float, signal: Pt100) -> Told:
    ratio = (signal.ohms_per_count * raw + signal.ohms_offset) / signal.r0
    if ratio >= 1.0 and rtd.measures(ratio):  # the cold side takes Newton's steps
        return float(rtd.degc_from_zero_up(cast("Floats", ratio))), _GOOD
    return (0.0, _SHORT) if math.isfinite(ratio) and ratio < rtd.SHORT_RATIO * 0.9 else None
