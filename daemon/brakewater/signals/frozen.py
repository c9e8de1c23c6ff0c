"""Frozen: a live measurement shows noise, so a signal whose last bit has stopped moving has died.

Only for points where the rig file says that noise is expected: a tank at rest behind a coarse card may well stand
still. What counts are the raw words, not the value: every bit of them.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from brakewater.quality import Codes, Reason, is_bad
from brakewater.signals import require
from brakewater.stream import Ints, Words


@dataclass(frozen=True, slots=True, kw_only=True)
class Standstill:
    """How long a point may stand still."""

    frozen_ns: int
    """Longer than this without a bit moving is frozen."""

    def __post_init__(self) -> None:
        require.above_zero("frozen_ns", self.frozen_ns, "leave it out where no noise is expected")


class FreezeWatch:
    """Watches the words of one point. Identical however the scans are cut."""

    def __init__(self, standstill: Standstill) -> None:
        self._frozen_ns = standstill.frozen_ns
        self._words: Words | None = None
        self._moved_ns = 0
        self._read_ns = 0

    def feed(self, words: Words, codes: Codes, t_ns: Ints) -> Codes:
        """Codes of the point with ``FROZEN`` where it stands still; a code that is bad already says more and stays.

        Scans without an answer are passed over: the same words before and after are no movement, unless there was no
        answer for longer than the limit itself; then the time begins anew.

        Args:
            words: [n, k] registers.
            codes: [n] codes of their conversion; from ``NO_ANSWER`` up the words are not looked at.
            t_ns: [n] sample times (scan time less the sample's age).
        """
        at = np.flatnonzero(codes < Reason.NO_ANSWER)
        if not len(at):
            return codes
        read, t = words[at], t_ns[at]
        moved = self._moved(read, t)
        latest = np.maximum.accumulate(np.where(moved, np.arange(len(at)), -1))
        moved_ns = np.where(latest < 0, self._moved_ns, t[np.maximum(latest, 0)])
        self._words, self._moved_ns, self._read_ns = read[-1].copy(), int(moved_ns[-1]), int(t[-1])
        frozen = at[t - moved_ns > self._frozen_ns]
        if not len(frozen):
            return codes
        told = codes.copy()
        told[frozen] = np.where(is_bad(codes[frozen]), codes[frozen], np.uint8(Reason.FROZEN))
        return told

    def _moved(self, read: Words, t: Ints) -> NDArray[np.bool_]:
        """Where time begins anew: a bit moved, or nobody looked for too long."""
        moved = np.ones(len(read), np.bool_)
        moved[1:] = (read[1:] != read[:-1]).any(axis=1) | (t[1:] - t[:-1] > self._frozen_ns)
        if self._words is not None:
            moved[0] = bool((read[0] != self._words).any()) or int(t[0]) - self._read_ns > self._frozen_ns
        return moved

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "words": None if self._words is None else self._words.tolist(),
            "moved": str(self._moved_ns),
            "read": str(self._read_ns),
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a snapshot made with the same settings."""
        self._words = None if state["words"] is None else np.array(state["words"], np.uint16)
        self._moved_ns, self._read_ns = int(state["moved"]), int(state["read"])
