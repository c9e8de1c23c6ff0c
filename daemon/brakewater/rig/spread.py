"""What a point's sensor, loop and converter may be off by, each by itself, for its standard uncertainty."""

from typing import Final

from brakewater.physics.uncertainty import Spread
from brakewater.rig.conditioning import Accuracy
from brakewater.signals.convert import AnySignal, CurrentLoop, Direct, Frequency, Linear, Pt100, Register
from brakewater.signals.rtd import A
from brakewater.signals.words import RegisterKind

_WHOLE: Final = (RegisterKind.INT16, RegisterKind.UINT16, RegisterKind.INT32, RegisterKind.UINT32)


def spread_of(register: Register, signal: AnySignal, parts: tuple[Accuracy, ...]) -> Spread:
    """The spread of one point.

    Args:
        register: whole numbers have a step, floating-point numbers none that counts.
        signal: how large a step is.
        parts: independent largest permitted errors: the thermometer's class, the loop's, the meter's.
    """
    step = _step(signal) if register.kind in _WHOLE else 0.0
    return Spread(limits=tuple((part.fixed, part.share) for part in parts), step=step)


def _step(signal: AnySignal) -> float:
    match signal:
        case Linear() | CurrentLoop():
            return abs((signal.high - signal.low) / (signal.raw_high - signal.raw_low))
        case Pt100():
            return signal.ohms_per_count / (signal.r0 * A)
        case Direct():
            return abs(signal.scale)
        case Frequency():
            return signal.hz_per_count / signal.pulses_per_m3
        case _:
            return 0.0  # a pulse's own step stands among its limits, a root's varies along its range
