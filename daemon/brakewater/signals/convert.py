"""From the words of one point to its value in SI and its quality.

A point has a ``Register`` (how its words make a number) and a ``Signal`` (what the number stands for). Both are checked
when built, so ``convert`` has nothing left to refuse but a wrong shape.
"""

from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from brakewater.quality import Codes, Reason, is_bad, reason_of_status
from brakewater.signals import flow, loop, require, rtd
from brakewater.signals.flow import Frequency, Root
from brakewater.signals.pulse import Pulse
from brakewater.signals.words import BITS_OF_A_REGISTER, RegisterKind, decode
from brakewater.stream import Floats, Words

__all__ = [
    "AnySignal",
    "Bit",
    "CurrentLoop",
    "Direct",
    "FlowSignal",
    "Frequency",
    "Linear",
    "Pt100",
    "Pulse",
    "Register",
    "Root",
    "Signal",
    "convert",
    "line",
]

_Numbers = TypeVar("_Numbers", float, Floats)
_REASON_OF_STATUS = reason_of_status()


@dataclass(frozen=True, slots=True, kw_only=True)
class Register:
    """Data type and order of a point's words."""

    kind: RegisterKind
    words_high_first: bool = True
    bytes_high_first: bool = True
    bit: int | None = None
    """Bit of a register, 0 the lowest; None for a coil or discrete input."""

    def __post_init__(self) -> None:
        if self.bit is None:
            return
        if self.kind is not RegisterKind.BIT:
            raise ValueError(f"bit: found {self.bit} with kind {self.kind.value}; allowed: none; leave it out")
        if not 0 <= self.bit < BITS_OF_A_REGISTER:
            raise ValueError(f"bit: found {self.bit}; allowed: 0 to 15, 0 the lowest; count from the low end")


@dataclass(frozen=True, slots=True, kw_only=True)
class Direct:
    """The number is the value but for scale and offset: value = scale * number + offset, in SI."""

    scale: float = 1.0
    offset: float = 0.0

    def __post_init__(self) -> None:
        require.finite(scale=self.scale, offset=self.offset)
        require.nonzero("scale", self.scale)


@dataclass(frozen=True, slots=True, kw_only=True)
class Linear:
    """A straight line through two points, and beyond them: counts to SI."""

    raw_low: float
    raw_high: float
    low: float
    high: float

    def __post_init__(self) -> None:
        require.line(self.raw_low, self.raw_high, self.low, self.high)


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentLoop:
    """A 4-20 mA loop: counts at 4 and 20 mA, SI values at 4 and 20 mA; quality after NAMUR NE 43."""

    raw_low: float
    raw_high: float
    low: float
    high: float

    def __post_init__(self) -> None:
        require.line(self.raw_low, self.raw_high, self.low, self.high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pt100:
    """A platinum thermometer read in ohms: ohms = ohms_per_count * number + ohms_offset; value in degC."""

    ohms_per_count: float = 1.0
    ohms_offset: float = 0.0
    """Negative to take off the leads of a two-wire sensor."""
    r0: float = 100.0
    """Resistance at 0 degC: 100 for a Pt100, 1000 for a Pt1000."""

    def __post_init__(self) -> None:
        require.finite(ohms_per_count=self.ohms_per_count, ohms_offset=self.ohms_offset, r0=self.r0)
        for name, value in (("ohms_per_count", self.ohms_per_count), ("r0", self.r0)):
            if value <= 0.0:
                raise ValueError(f"{name}: found {value}; allowed: above 0 ohm; see the sensor's label")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bit:
    """A contact: 1.0 where the number is not zero, else 0.0; the other way round where inverted."""

    inverted: bool = False


Signal = Direct | Linear | CurrentLoop | Pt100 | Bit
FlowSignal = Pulse | Frequency | Root
AnySignal = Signal | FlowSignal


def convert(register: Register, signal: AnySignal, words: Words, status: Codes) -> tuple[Floats, Codes]:
    """Values in SI (temperature in degC) and reason codes of one point over n scans.

    The code rules: where it is bad the value is 0.0, never NaN, and means nothing; where it is uncertain the value is
    the number as read. A scan's result depends on that scan alone. Of a ``Pulse`` the value is its count as it stands;
    a ``PulseMeter`` makes the flow of it.

    Args:
        register: how the words make a number.
        signal: what the number stands for.
        words: [n, k] registers of this point; whatever stands there where the poll failed is not looked at.
        status: [n] poll status, see ``quality.Status``.

    Returns:
        [n] values and [n] codes.

    Raises:
        ValueError: words and register do not fit, or words and status differ in length.
    """
    if len(words) != len(status):
        raise ValueError(f"status: found {len(status)} scans; allowed: {len(words)}, as many as words")
    raw = decode(
        words,
        register.kind,
        words_high_first=register.words_high_first,
        bytes_high_first=register.bytes_high_first,
        bit=register.bit,
    )
    with np.errstate(invalid="ignore", over="ignore"):  # garbage may overflow; _refuse_garbage then finds it
        values, signal_codes = _apply(signal, raw)
    finite = np.isfinite(raw) & np.isfinite(values)
    if np.count_nonzero(finite) == len(values) and not np.count_nonzero(signal_codes) and not np.count_nonzero(status):
        return values, signal_codes  # all good: the common case
    codes = np.where(finite, signal_codes, np.uint8(Reason.NOT_A_NUMBER))
    polled = _REASON_OF_STATUS[status]
    codes = np.where(polled == Reason.GOOD, codes, polled)
    return np.where(is_bad(codes), 0.0, values), codes


def _apply(signal: AnySignal, raw: Floats) -> tuple[Floats, Codes]:
    """Value and code of each number by its signal alone."""
    good = np.zeros(len(raw), dtype=np.uint8)
    match signal:
        case Direct():
            return signal.scale * raw + signal.offset, good
        case Linear():
            return line(raw, signal), good
        case CurrentLoop():
            return line(raw, signal), loop.codes(loop.milliamps(raw, signal.raw_low, signal.raw_high))
        case Pt100():
            ohms = signal.ohms_per_count * raw + signal.ohms_offset
            return rtd.degc_of_ohms(ohms, signal.r0), rtd.codes(ohms, signal.r0)
        case Bit():
            return ((raw == 0.0) if signal.inverted else (raw != 0.0)).astype(np.float64), good
        case Pulse() | Frequency() | Root():
            return _apply_flow(signal, raw)


def _apply_flow(signal: FlowSignal, raw: Floats) -> tuple[Floats, Codes]:
    """The same for the signals of flow meters."""
    match signal:
        case Pulse():
            return raw, np.zeros(len(raw), dtype=np.uint8)
        case Frequency():
            return flow.of_frequency(raw, signal)
        case Root():
            return flow.of_pressure(raw, signal)


def line(raw: _Numbers, ends: Linear | CurrentLoop) -> _Numbers:
    """Weighs both ends, so that each end comes out exactly as it was entered; element-wise, or of one number."""
    share = (raw - ends.raw_low) / (ends.raw_high - ends.raw_low)
    return (1.0 - share) * ends.low + share * ends.high
