"""A condition that counts only once it has held for a while."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from brakewater.signals import kept
from brakewater.stream import Ints

Mask = NDArray[np.bool_]

NOWHERE: Final = np.zeros(1, np.bool_)
"""Of a lone scan that does not hold; shared, so it cannot be written to."""
NOWHERE.setflags(write=False)
_LONG_AGO = np.int64(-(2**62))


def anywhere(mask: Mask) -> bool:
    """Whether it holds at any of [n] scans; far quicker for a lone one than numpy's own."""
    return bool(mask.item() if len(mask) == 1 else np.count_nonzero(mask))


class Lasting:
    """True where a condition has held since ``hold_ns`` at least. Identical however the scans are cut."""

    def __init__(self, hold_ns: int) -> None:
        self._hold_ns = hold_ns
        self._since_ns: int | None = None

    def feed(self, t_ns: Ints, holds: Mask) -> Mask:
        """[n] of [n] times of the scans and whether the condition holds."""
        if not anywhere(holds):
            self._since_ns = None
            return holds
        begins = holds.copy()
        begins[1:] &= ~holds[:-1]
        begins[0] &= self._since_ns is None
        since = np.maximum.accumulate(np.where(begins, t_ns, _LONG_AGO))
        if self._since_ns is not None:
            since = np.maximum(since, self._since_ns)
        self._since_ns = int(since[-1]) if holds[-1] else None
        lasting: Mask = holds & (t_ns - since >= self._hold_ns)
        return lasting

    def state(self) -> str | None:
        """What a snapshot keeps."""
        return kept.text(self._since_ns)

    def restore(self, state: str | None) -> None:
        """Go on from a snapshot made with the same settings."""
        self._since_ns = kept.number(state)
