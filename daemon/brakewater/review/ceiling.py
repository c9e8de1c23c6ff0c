"""Where a coil's current stays while more is asked for: the most that its exciter and its circuit give.

A coil only follows late: with a lag T its current rises by the integral of (asked - current) / T. Where it stays within
a twentieth although a lag of two seconds would have had it rise by more, that is no lag but a ceiling. It is looked for
in every scan, since a crew asks for the most current for half a second only.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from brakewater.engine.excitation import least_a
from brakewater.rig import Brake
from brakewater.stream import Floats, Ints

TAKES: Final = 0.95
"""A coil that takes less of what it is asked for is short of current; loops and shunts are good to 1 or 2 %."""
_STAYS: Final = 0.05
"""Relative, of what counts as the same height; an assumption."""
_LAG_S: Final = 2.0
"""No coil follows later, as ``engine.excitation`` has it; an assumption."""
_MOSTLY: Final = 0.9
"""Of the time that it stays anywhere: a coil that nears its ceiling stays below it for a scan or two."""


@dataclass(slots=True, kw_only=True)
class Plateau:
    """A stretch of scans in which the current stayed while more was asked for."""

    t_ns: int
    """When it was told."""
    current_a: float
    asked_a: float
    """The most."""
    lasts_s: float


class Plateaus:
    """Of one brake, scan by scan."""

    def __init__(self, brake: Brake) -> None:
        self.found: list[Plateau] = []
        self._least_a = least_a(brake)
        self._fed = 0
        self._next = -1
        self._low = self._high = self._sum = self._asked = self._owed = 0.0
        self._lasts_s = 0.0
        self._count = 0
        self._told = False

    def feed(self, t_ns: Ints, lasts_ns: Ints, coil: Floats, asked: Floats) -> None:
        """[n] scans: when, how long after the one before (0 after a hole), A taken and A asked for, NaN unknown."""
        short = np.flatnonzero((asked >= self._least_a) & (coil < TAKES * asked))
        for at in short.tolist():
            follows = self._fed + at == self._next and lasts_ns[at] > 0
            self._one(int(t_ns[at]), int(lasts_ns[at]) * 1e-9, float(coil[at]), float(asked[at]), follows=follows)
            self._next = self._fed + at + 1
        self._fed += len(t_ns)

    def _one(self, t_ns: int, lasts_s: float, coil: float, asked: float, *, follows: bool) -> None:
        low, high = min(self._low, coil), max(self._high, coil)
        begins = not follows or high - low > _STAYS * high
        if begins:
            low = high = coil
            self._sum = self._asked = self._owed = self._lasts_s = 0.0
            self._count, self._told = 0, False
        self._low, self._high, self._asked = low, high, max(self._asked, asked)
        self._sum, self._count = self._sum + coil, self._count + 1
        if not begins:  # how it came to the first is not of this stretch
            self._lasts_s += lasts_s
            self._owed += (asked - coil) * lasts_s
        if self._owed <= _STAYS * high * _LAG_S:
            return
        if not self._told:
            self.found.append(Plateau(t_ns=t_ns, current_a=0.0, asked_a=0.0, lasts_s=0.0))
            self._told = True
        now = self.found[-1]
        now.current_a, now.asked_a, now.lasts_s = self._sum / self._count, self._asked, self._lasts_s


def ceiling(found: Sequence[Plateau], most_a: float, rated_a: float | None) -> tuple[float, float] | None:
    """What a trip's current does not pass, and the most that was asked for there, A; None where it has no such limit.

    A coil that stays at several heights takes a share of what it is asked for, and the rated current is no shortage.

    Args:
        found: the trip's plateaus.
        most_a: highest current of the trip.
        rated_a: that of the rig file, or None.
    """
    highest = max((one.current_a for one in found), default=0.0)
    at = [one for one in found if one.current_a >= TAKES * highest]
    lasts_s = sum(one.lasts_s for one in at)
    if not at or lasts_s < _MOSTLY * sum(one.lasts_s for one in found):
        return None
    top = sum(one.current_a * one.lasts_s for one in at) / lasts_s
    if most_a * TAKES > top or (rated_a is not None and top >= TAKES * rated_a):
        return None
    return top, max(one.asked_a for one in at)
