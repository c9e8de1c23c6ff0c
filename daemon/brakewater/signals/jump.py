"""Rate of change: a value that moves faster than its process can is a loose wire, not water.

Each sample is held against the last one that was believed. Beyond the limit it is bad (``JUMP``) and that earlier
sample stays the reference; three samples are refused at most, and the next is believed whatever it says, since by then
it is the new level. Samples that are bad for another reason, and the same sample met again on a slow line (its time
has not moved), are not counted.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from brakewater.quality import Codes, Reason, is_bad
from brakewater.signals import kept, require
from brakewater.stream import Floats, Ints

REFUSED_AT_MOST: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class JumpLimit:
    """How fast a value can move."""

    per_s: float
    """In SI a second, up or down. Noise between two scans counts too: leave room for it."""

    def __post_init__(self) -> None:
        require.above_zero("per_s", self.per_s, "leave the limit out where none is wanted")


class JumpFilter:
    """Refuses jumps of one point. Bit-identical however the scans are cut."""

    def __init__(self, limit: JumpLimit) -> None:
        self._per_s = limit.per_s
        self._believed: tuple[float, int] | None = None
        self._newest_ns: int | None = None
        self._refused = 0

    def feed(self, values: Floats, codes: Codes, t_ns: Ints) -> tuple[Floats, Codes]:
        """[n] values and codes, jumps bad, of [n] values, codes and sample times (scan time less the sample's age)."""
        at = np.flatnonzero(~is_bad(codes))
        if not len(at):
            return values, codes
        was_refused = self._refused > 0
        new, t = self._new(t_ns[at])
        with np.errstate(over="ignore"):  # from one end of a float64 to the other is far enough
            judged = np.concatenate(([was_refused], self._judge(values[at][new], t[new])))
        jumps = at[judged[np.cumsum(new)]]  # a sample met again is judged as it was
        if not len(jumps):
            return values, codes
        values, codes = values.copy(), codes.copy()
        values[jumps], codes[jumps] = 0.0, Reason.JUMP
        return values, codes

    def _new(self, t_ns: Ints) -> tuple[NDArray[np.bool_], Ints]:
        """Which of [m] samples are newer than any before, and the time of the newest so far."""
        newest_before = int(t_ns[0]) - 1 if self._newest_ns is None else self._newest_ns
        newest = np.maximum.accumulate(np.concatenate(([newest_before], t_ns)))
        self._newest_ns = int(newest[-1])
        return newest[1:] > newest[:-1], newest[1:]

    def _judge(self, values: Floats, t_ns: Ints) -> NDArray[np.bool_]:
        """Which of [m] samples of rising times are jumps. Walks only from each jump to the next believed sample."""
        jump = np.zeros(len(values), np.bool_)
        if not len(values):
            return jump
        v0, t0 = self._believed or (float(values[0]), int(t_ns[0]))
        v, t = np.concatenate(([v0], values)), np.concatenate(([t0], t_ns))
        steps = np.flatnonzero(np.abs(v[1:] - v[:-1]) > self._per_s * ((t[1:] - t[:-1]) / 1e9)) + 1
        believed, at, refused = 0, 1, self._refused
        while True:
            if not refused:  # the sample before ``at`` is believed: on to the next step that is too large
                next_step = np.searchsorted(steps, at)
                if next_step == len(steps):
                    believed = len(v) - 1
                    break
                at = int(steps[next_step])
                believed = at - 1
            while at < len(v) and refused < REFUSED_AT_MOST and self._is_far(v, t, believed, at):
                jump[at - 1] = True
                refused, at = refused + 1, at + 1
            if at == len(v):
                break
            believed, at, refused = at, at + 1, 0
        self._believed, self._refused = (float(v[believed]), int(t[believed])), refused
        return jump

    def _is_far(self, v: Floats, t: Ints, believed: int, at: int) -> bool:
        return bool(abs(v[at] - v[believed]) > self._per_s * ((t[at] - t[believed]) / 1e9))

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        value, t_ns = self._believed or (None, None)
        return {"value": value, "t": kept.text(t_ns), "newest": kept.text(self._newest_ns), "refused": self._refused}

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a snapshot made with the same settings."""
        self._believed = None if state["value"] is None else (float(state["value"]), int(state["t"]))
        self._newest_ns, self._refused = kept.number(state["newest"]), int(state["refused"])
