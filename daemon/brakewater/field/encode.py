"""Backwards: the register words that a device would show for a value, if a hypothesis were the truth."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from brakewater.field.hypothesis import Cells, Hypothesis
from brakewater.signals import rtd
from brakewater.signals.convert import AnySignal, Bit, CurrentLoop, Direct, FlowSignal, Linear, Pt100, Register
from brakewater.signals.flow import Frequency, Root
from brakewater.signals.pulse import Pulse
from brakewater.signals.words import RegisterKind
from brakewater.stream import Floats

_WIRE_TYPES: Final = {
    RegisterKind.INT16: ">i2",
    RegisterKind.UINT16: ">u2",
    RegisterKind.INT32: ">i4",
    RegisterKind.UINT32: ">u4",
    RegisterKind.FLOAT32: ">f4",
    RegisterKind.FLOAT64: ">f8",
}


def raw_of(signal: AnySignal, x: Floats) -> Floats:
    """The number in the register for values in SI; NaN where no number gives them or the signal keeps no value."""
    match signal:
        case Linear() | CurrentLoop():
            share = (x - signal.low) / (signal.high - signal.low)
            return signal.raw_low + share * (signal.raw_high - signal.raw_low)
        case Direct():
            return (x - signal.offset) / signal.scale
        case Pt100():
            return (rtd.ohms_of_degc(x, signal.r0) - signal.ohms_offset) / signal.ohms_per_count
        case Bit():
            return 1.0 - x if signal.inverted else x
        case _:
            return _raw_of_flow(signal, x)


def _raw_of_flow(signal: FlowSignal, x: Floats) -> Floats:
    match signal:
        case Frequency():
            return x * signal.pulses_per_m3 / signal.hz_per_count
        case Root():
            share = x / signal.full_scale
            return signal.raw_low + share * share * (signal.raw_high - signal.raw_low)
        case Pulse():
            return np.full(len(x), np.nan)


def words_of(register: Register, raw: Floats, before: int = 0) -> tuple[NDArray[np.uint16], NDArray[np.bool_]]:
    """[n, k] words as they come over the wire, and where the register can hold the number at all.

    Args:
        register: type and order.
        raw: [n] numbers.
        before: for a bit of a register: the word whose other bits stay.
    """
    if register.kind is RegisterKind.BIT:
        return _bit_words(register, raw, before), np.isfinite(raw)
    wire = np.dtype(_WIRE_TYPES[register.kind])
    number, fits = raw, np.isfinite(raw)
    if wire.kind in "iu":
        limits = np.iinfo(wire)
        number = np.rint(np.where(fits, raw, 0.0))
        fits &= (number >= limits.min) & (number <= limits.max)
    with np.errstate(over="ignore"):
        octets = np.where(fits, number, 0.0).astype(wire)
    words: NDArray[np.uint16] = octets.view(">u2").reshape(len(raw), -1).astype(np.uint16)
    if not register.words_high_first:
        words = words[:, ::-1]
    return (words if register.bytes_high_first else words.byteswap()), fits


def _bit_words(register: Register, raw: Floats, before: int) -> NDArray[np.uint16]:
    on: NDArray[np.bool_] = raw != 0.0
    if register.bit is None:
        return on.astype(np.uint16)[:, None]
    mask = 1 << (register.bit if register.bytes_high_first else register.bit ^ 8)
    words: NDArray[np.uint16] = np.where(on, before | mask, before & ~mask & 0xFFFF).astype(np.uint16)[:, None]
    return words


def shown_by(truth: Hypothesis, x: Floats, cells: Cells) -> tuple[list[Cells], NDArray[np.bool_]]:
    """What the device would show while a hypothesis is the truth and only this signal moves.

    Args:
        truth: who is right.
        x: [n] true values in SI.
        cells: what stands in all the other cells.

    Returns:
        [n] levels, and where the device could show x at all.
    """
    where = (truth.unit, truth.table)
    words, can = words_of(truth.register, raw_of(truth.signal, x), cells.get(where, {}).get(truth.address, 0))
    levels: list[Cells] = []
    for row in words.tolist():
        own = dict(zip(truth.addresses, row, strict=True))
        levels.append({**cells, where: {**cells.get(where, {}), **own}})
    return levels, can
