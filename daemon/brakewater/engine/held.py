"""Numbers that change once a group and stand until the next."""

from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from brakewater.engine.seconds import Grades
from brakewater.quality import Pair, Reason, alone
from brakewater.stream import Codes, Column, Floats, Ints

_T = TypeVar("_T", np.float64, np.uint8)
_MOST: Final = 1e12
_CODES: Final = np.array([Reason.GOOD, Reason.DOUBTFUL_BASIS, Reason.NO_BASIS], np.uint8)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Held:
    """[m] values and codes, one a group; a bad value is 0.0."""

    values: Floats
    codes: Codes

    @property
    def last(self) -> Pair:
        """Value and code of the last group."""
        return self.values.item(-1), self.codes.item(-1)

    def at(self, done: int, before: Pair) -> Column:
        """Of a lone scan at which ``done`` groups are whole; the same as ``after``, only quicker."""
        value, code = before if done == 0 else (self.values.item(done - 1), self.codes.item(done - 1))
        return Column(values=np.array((value,)), codes=alone(code))

    def after(self, before: Pair, cut: tuple[int, int, int]) -> Column:
        """[n] at each scan of a block, that of its last whole group; and what stood before the first.

        Args:
            before: what stood before the block.
            cut: scans that waited before it, scans of a group, n.
        """
        values = np.concatenate(([before[0]], self.values))
        codes = np.concatenate((np.array([before[1]], np.uint8), self.codes))
        return Column(values=over_scans(values, *cut), codes=over_scans(codes, *cut))


def over_scans(x: NDArray[_T], waiting: int, every: int, n: int) -> NDArray[_T]:
    """[n] of what stood before a block and [m] groups that it made whole: at each scan that of its last whole group.

    Args:
        x: [1 + m].
        waiting: scans of a group that waited before the block.
        every: scans of a group.
        n: scans of the block.
    """
    return np.repeat(x, every)[waiting + 1 : waiting + 1 + n]


def within(x: Floats, low: float, high: float) -> Floats:
    """Numbers held between bounds, so that garbage of a register cannot stay in a state for ever; what is none is 0."""
    if x.size == 1 and low < x.item() < high:
        return x  # the common case of a lone one
    if x.size > 1 and low < x.min() and x.max() < high:
        return x  # the common case
    return np.minimum(np.maximum(np.where(np.isfinite(x), x, 0.0), low), high)


def whole(x: Floats) -> Ints:
    """Rounded to integers; garbage is held where sums of months still fit."""
    return np.rint(within(x, -_MOST, _MOST)).astype(np.int64)


def graded(values: Floats, grades: Grades) -> Held:
    """What a value is worth by the grades of what it was worked out from."""
    codes = _CODES[grades]
    sound = (grades < 2) & np.isfinite(values)
    return Held(values=np.where(sound, values, 0.0), codes=np.where(sound, codes, np.uint8(Reason.NO_BASIS)))
