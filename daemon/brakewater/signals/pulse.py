"""Pulse counters: how far a register has counted from one sample to the next.

A meter gives K pulses a m3 and a register counts them, up to where it rolls over and begins at 0 again. From one sample
to the next the count may have gone ahead, through the roll-over or not, by no more than the fastest meter gives. If it
cannot have done that it went back a little (a meter or its wiring runs backwards), or, where that is no explanation
either, the counter began anew: its device was restarted or replaced.

    ahead  = (count - before) mod rolls_at  <= most possible    counted on
    back   = (before - count) mod rolls_at  <= most possible    reversed
    neither                                                     began anew
    most possible >= rolls_at                                   too long without a sample to tell

Source of the arithmetic: unsigned subtraction modulo 2**16 as worked on cartesianproduct.wordpress.com (2020-10-03).
"""

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np

from brakewater.signals import require
from brakewater.signals.words import RegisterKind
from brakewater.stream import Codes, Floats, Ints

NATURAL_ROLL: Final = {RegisterKind.UINT16: 1 << 16, RegisterKind.UINT32: 1 << 32}
"""Where a register rolls over by itself. A counter in any other kind needs its ``rolls_at`` stated."""

_SHORTEST_WINDOW_NS, _LONGEST_WINDOW_NS = 100_000_000, 600_000_000_000
_LONGEST_RENEWAL_NS = 60_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulse:
    """A totalising counter of pulses; flow in m3/s."""

    pulses_per_m3: float
    """K-factor."""
    rolls_at: int
    """The count that reads 0 again: see ``NATURAL_ROLL``; 10000 for a counter of four digits."""
    most_per_s: float
    """More pulses a second cannot come: as a rule twice those at the meter's full scale."""
    window_ns: int = 2_000_000_000
    """Time over which the flow is taken. At least two polls of the point; one pulse more or less in this time is
    ``step_m3_s``."""
    renewed_ns: int = 1_000_000_000
    """The device puts a new count into its register at least this often; pulses of that time may come at once."""

    def __post_init__(self) -> None:
        require.above_zero("pulses_per_m3", self.pulses_per_m3, "take it from the meter's calibration sheet")
        require.above_zero("most_per_s", self.most_per_s, "twice the pulses a second at the meter's full scale")
        require.between("rolls_at", self.rolls_at, 10, 1 << 32, "the count that reads 0 again")
        require.between("window_ns", self.window_ns, _SHORTEST_WINDOW_NS, _LONGEST_WINDOW_NS, "2 s is usual")
        require.between("renewed_ns", self.renewed_ns, 0, _LONGEST_RENEWAL_NS, "0 where the count is always new")
        most = 0.5 * self.rolls_at / (0.1 + self.renewed_ns / 1e9)
        advice = "faster than that the roll-over cannot be told from a count that runs backwards"
        require.between("most_per_s", self.most_per_s, 0.0, most, advice)

    @property
    def step_m3_s(self) -> float:
        """What one pulse more or less within the window makes in flow."""
        return 1e9 / (self.pulses_per_m3 * self.window_ns)


class Went(IntEnum):
    """What a count did since the sample before."""

    ON = 0
    """Counted on, or stood still."""
    BACK = 1
    ANEW = 2
    UNSEEN = 3
    """Too long without a sample: it may have rolled over any number of times."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Steps:
    """[n] steps, each from one sample to the next."""

    pulses: Ints
    """Signed; 0 where the step says nothing of them."""
    elapsed_ns: Ints
    went: Codes


def steps(pulse: Pulse, counts: Ints, t_ns: Ints) -> Steps:
    """[n] steps between [n + 1] counts, each from 0 up to ``rolls_at``, at [n + 1] times that never go backwards."""
    elapsed = t_ns[1:] - t_ns[:-1]
    most = possible(pulse, elapsed)
    ahead = (counts[1:] - counts[:-1]) % pulse.rolls_at
    back = (counts[:-1] - counts[1:]) % pulse.rolls_at
    went = np.where(ahead <= most, np.uint8(Went.ON), np.where(back <= most, np.uint8(Went.BACK), np.uint8(Went.ANEW)))
    went = np.where(most >= pulse.rolls_at, np.uint8(Went.UNSEEN), went)
    pulses = np.where(went == Went.ON, ahead, np.where(went == Went.BACK, -back, 0))
    return Steps(pulses=pulses, elapsed_ns=elapsed, went=went)


def possible(pulse: Pulse, elapsed_ns: Ints) -> Floats:
    """Most pulses that can come in a time; one more for the pulse that was just about to."""
    most: Floats = pulse.most_per_s * ((elapsed_ns + pulse.renewed_ns) / 1e9) + 1.0
    return most
