"""What a point's signal and type may say and yet is likely a slip: counts that the register cannot hold.

Never a fault, since it may be meant.
"""

from collections.abc import Iterator
from typing import Final

import numpy as np

from brakewater.rig.model import Point
from brakewater.rig.roles import ROLES
from brakewater.signals import loop
from brakewater.signals.convert import CurrentLoop, Direct, Linear, line
from brakewater.signals.flow import Root, of_pressure
from brakewater.signals.words import RegisterKind
from brakewater.units import Dimension, shown

_HOLDS: Final = {
    RegisterKind.INT16: (-(2**15), 2**15 - 1),
    RegisterKind.UINT16: (0, 2**16 - 1),
    RegisterKind.INT32: (-(2**31), 2**31 - 1),
    RegisterKind.UINT32: (0, 2**32 - 1),
}
_SIGNED: Final = {RegisterKind.UINT16: RegisterKind.INT16, RegisterKind.UINT32: RegisterKind.INT32}
_HARMLESS_HIGH: Final = (Dimension.FLOW, Dimension.PRESSURE)
"""Of which a number that is too high looks harmless; of a level one that is too low."""
_CONVERTED: Final = 2000
"""Counts of fewer than 12 bits come from no analogue input but are scaled already; an assumption."""
_LIVE_ZERO: Final = 5.0
"""Most by least of a current loop of 4 to 20 mA, as pure numbers."""
_ABOUT: Final = 0.01
"""Counts of such cards are rounded: 819 to 4095, 6553 to 32767; an assumption."""
_BEYOND: Final = 0.1
"""Share of its range by which a register may go beyond it; an assumption."""


def of_signal(point: Point, system: str) -> Iterator[str]:
    """A sentence each; ``system`` as the crew reads, "us" or "metric"."""
    yield from _of_ends(point)
    if point.conditioning.sensor_range is not None:
        return
    if isinstance(point.signal, Linear) and _has_live_zero(point.signal):
        yield _of_loop(point, point.signal, system)
    elif point.register.kind in _HOLDS:
        yield from _unbounded(point, system)


def _has_live_zero(signal: Linear) -> bool:
    """Whether its ends stand to each other as 4 to 20."""
    least, most = sorted((signal.raw_low, signal.raw_high))
    return least > 0 and abs(most / least - _LIVE_ZERO) <= _ABOUT


def _of_loop(point: Point, signal: Linear, system: str) -> str:
    number, unit = shown(line(0.0, signal), ROLES[point.role].dimension, system)
    raw = f"raw = [{signal.raw_low:g}, {signal.raw_high:g}]"
    return (
        f"{point.name}: {raw} stand to each other as 4 to 20 mA: of a loop say"
        f' kind = "current-loop", or a broken one reads {number:.4g} {unit} and counts as measured'
    )


def _of_ends(point: Point) -> Iterator[str]:
    signal = point.signal
    if not isinstance(signal, CurrentLoop | Linear | Root):
        return
    raw = f"raw = [{signal.raw_low:g}, {signal.raw_high:g}]"
    falls = signal.raw_low > signal.raw_high
    if isinstance(signal, CurrentLoop | Linear) and falls != (signal.low > signal.high):
        ends = "its value falls as its counts rise"
        yield f"{point.name}: {ends}: are the ends of raw, or of range, the wrong way round?"
    if isinstance(signal, Root) and falls:
        yield f"{point.name}: {raw}: are its ends the wrong way round?"
    if point.register.kind not in _HOLDS:
        return
    (least, most), kind = _HOLDS[point.register.kind], point.register.kind.value
    if not all(least <= end <= most for end in (signal.raw_low, signal.raw_high)):
        yield f"{point.name}: {raw} goes beyond what {kind} holds, {least} to {most}: another type, or other counts?"
    elif isinstance(signal, CurrentLoop) or (isinstance(signal, Root) and signal.loop):
        yield from _failures(point, signal)


def _failures(point: Point, signal: CurrentLoop | Root) -> Iterator[str]:
    """Currents by which a transmitter says that it failed, and for which the register has no number."""
    (least, most), kind = _HOLDS[point.register.kind], point.register.kind.value
    for milliamps, how, instead in ((loop.FAILED_LOW_MA, "broken", 4), (loop.FAILED_HIGH_MA, "failed high", 20)):
        counts = signal.raw_low + (milliamps - 4.0) / 16.0 * (signal.raw_high - signal.raw_low)
        if not least <= counts <= most:
            yield (
                f"{point.name}: {milliamps:g} mA would be {counts:.0f} counts, which {kind} does not hold: a loop"
                f" that is {how} may read as {instead} mA; see how the card shows it"
            )


def _unbounded(point: Point, system: str) -> Iterator[str]:
    """No limits of NE 43 guard what is no current loop: what a failed device gives may look like plenty of water."""
    signal, dimension = point.signal, ROLES[point.role].dimension
    if isinstance(signal, Root) and signal.loop:
        return
    if not isinstance(signal, Linear | Direct | Root) or dimension not in (*_HARMLESS_HIGH, Dimension.LENGTH):
        return
    least, most = _HOLDS[point.register.kind]
    kind, high = point.register.kind, dimension in _HARMLESS_HIGH
    ends = sorted(_value(signal, float(count)) for count in (least, most))
    value, unit = shown(ends[1] if high else ends[0], dimension, system)
    reads = f"{value:.4g} {unit}"
    if kind in _SIGNED and high and _begins_at_zero(signal):
        yield (
            f"{point.name}: where the device counts signed, a zero that is a little low arrives as {most} in"
            f" {kind.value} and reads as {reads}, so that nothing tells of a loss: then the type is"
            f" {_SIGNED[kind].value}; or say sensor-range, beyond which is no measurement"
        )
    elif kind not in _SIGNED and isinstance(signal, Linear) and _goes_beyond(signal, ends[1] if high else ends[0]):
        yield (
            f"{point.name}: whatever {kind.value} holds counts as measured, {'up' if high else 'down'} to {reads}, as"
            " a card of both signs gives it with its wires exchanged or beyond its end: say sensor-range, beyond which"
            " is no measurement"
        )


def _value(signal: Linear | Direct | Root, count: float) -> float:
    match signal:
        case Linear():
            return line(count, signal)
        case Direct():
            return signal.scale * count + signal.offset
        case Root():
            return float(of_pressure(np.array([count]), signal)[0][0])


def _begins_at_zero(signal: Linear | Direct | Root) -> bool:
    """Whether its zero may come out below 0 counts."""
    if isinstance(signal, Direct):
        return True
    least, most = sorted((signal.raw_low, signal.raw_high))
    return least <= _BEYOND * (most - least)


def _goes_beyond(signal: Linear, value: float) -> bool:
    least, most = sorted((signal.low, signal.high))
    margin = _BEYOND * (most - least)
    return max(abs(signal.raw_low), abs(signal.raw_high)) >= _CONVERTED and not least - margin <= value <= most + margin
