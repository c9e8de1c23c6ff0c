"""Where none of the usual mistakes explains what was read: the line that would, through all levels.

Two levels give a line; a third shows whether it is one. Of a resistance thermometer it is what stands in the ohms at
every level, as leads do.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from brakewater.field.hypothesis import Cells, Hypothesis
from brakewater.signals import rtd
from brakewater.signals.convert import CurrentLoop, Linear, Pt100
from brakewater.signals.words import decode
from brakewater.stream import Floats

_FEWEST = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Straight:
    """One of two ways to say it for a range; or what to take off the ohms."""

    raw: tuple[float, float] | None = None
    """Counts at both ends of the range as it is written."""
    range: tuple[float, float] | None = None
    """SI at both ends of the counts as they are written."""
    lead_ohms: float | None = None


def straight(written: Hypothesis, cells: Sequence[Cells], expected: Floats, tolerance: float) -> Straight | None:
    """The line, or None where there is none: too few levels, too close, not read, or not straight.

    Args:
        written: the rig file's own way to read.
        cells: of each level.
        expected: [n] true values, SI.
        tolerance: how exactly they are known, SI (a difference).
    """
    raw = _raw(written, cells)
    if raw is None or len(raw) < _FEWEST or np.ptp(expected) <= 3 * tolerance:
        return None
    signal = written.signal
    if isinstance(signal, Pt100):
        beyond = signal.ohms_per_count * raw + signal.ohms_offset - rtd.ohms_of_degc(expected, signal.r0)
        spread = tolerance * signal.r0 * rtd.A
        return Straight(lead_ohms=float(beyond.mean() - signal.ohms_offset)) if np.ptp(beyond) <= 3 * spread else None
    if not isinstance(signal, CurrentLoop | Linear) or np.ptp(raw) == 0:
        return None
    slope, zero = np.polyfit(raw, expected, 1)
    if slope == 0 or np.abs(slope * raw + zero - expected).max() > tolerance:
        return None
    return Straight(
        raw=(float((signal.low - zero) / slope), float((signal.high - zero) / slope)),
        range=(float(slope * signal.raw_low + zero), float(slope * signal.raw_high + zero)),
    )


def _raw(written: Hypothesis, cells: Sequence[Cells]) -> Floats | None:
    where = (written.unit, written.table)
    rows = [[level.get(where, {}).get(at) for at in written.addresses] for level in cells]
    if any(word is None for row in rows for word in row):
        return None
    register = written.register
    found = decode(
        np.array(rows, np.uint16),
        register.kind,
        words_high_first=register.words_high_first,
        bytes_high_first=register.bytes_high_first,
        bit=register.bit,
    )
    return found if np.isfinite(found).all() else None
