"""Stand by stand, how badly heat passes from the rotor into the water, beside what the rig file's rotor does.

The rig file's rotor is the one that ``engine.rotor`` carries on: the same work is put into both, and both give their
heat to the same water, so that pace, pauses and the end of a stand that comes too soon for the iron behind the skin are
in both alike. Once a second, in integers. The water's heat comes ``physics.lag.DELAY`` seconds late, so that all else
is held back as long: a stand reaches from that much before its lowering to that much before the next.
"""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from brakewater.engine.held import Held, whole
from brakewater.engine.hoisting import BLIND, Duty
from brakewater.engine.lag_free import Recovered
from brakewater.engine.seconds import BAD
from brakewater.engine.tail import Tail
from brakewater.physics.contact import stays_s
from brakewater.physics.lag import DELAY
from brakewater.quality import Reason
from brakewater.stream import Floats, Ints

_STREAMS: Final = 3
"""Work put in, heat into the water, heat that the rig file's rotor would give it; mJ a second."""
_LONGEST: Final = 1800
"""Seconds; what lasts longer is a pause with a stand in it, not a stand."""
_PIECE: Final = 4096
"""Seconds added at a time: garbage of 100 MW in all of them still fits an integer."""
_LEAST_J: Final = 2e6
"""Less leaves too little in the water to be told from noise; an assumption."""
_LATE: Final = 0.5
"""Steps: what is put in stands for the middle of a second, what passes for its end."""


class Contact:
    """Of one brake."""

    def __init__(self, step_s: float) -> None:
        self._step_s = step_s
        self._tail = Tail(2 * DELAY, 0.0, 0.0, 0.0, float(BAD))
        self._begin_anew()
        self._begun: list[int] | None = None
        """Heat and modelled heat of the last seconds before the stand began, mJ; None before the first."""
        self._ratio = 0.0

    def _begin_anew(self) -> None:
        self._sums, self._integrals = [0] * _STREAMS, [0] * _STREAMS
        self._n = self._blind = 0

    def feed(self, duty: Duty, water: Recovered, modelled_w: Floats, starts: Sequence[int]) -> Held:
        """[m] resistance by that of the rig file's rotor, of the last stand that is over.

        Args:
            duty: [m].
            water: [m].
            modelled_w: [m] heat that the rig file's rotor would give the water.
            starts: groups at which a stand begins.
        """
        m, step_ms = len(modelled_w), round(self._step_s * 1e3)
        power, model, heat, worth = self._tail.extended(
            duty.power_w, modelled_w, water.to_water_w, duty.grades.astype(np.float64)
        )
        late, now = slice(DELAY, DELAY + m), slice(2 * DELAY, None)
        rows = whole(np.array([power[late], heat[now], model[late]]) * step_ms)
        blind = (worth[late] == BAD) | (water.grades == BAD)
        before = [whole(one * step_ms) for one in (heat[DELAY:], model)]
        ratio, at = np.empty(m), 0
        for start in [*starts, m]:
            for piece in range(at, start, _PIECE):
                part = slice(piece, min(piece + _PIECE, start))
                self._add(rows[:, part], int(np.count_nonzero(blind[part])))
            ratio[at:start] = self._ratio
            at = start
            if start < m:
                self._close([int(one[start : start + DELAY].sum()) for one in before])
        codes = np.where(ratio > 0.0, np.uint8(Reason.GOOD), np.uint8(Reason.NO_BASIS))
        return Held(values=ratio, codes=codes)

    def _add(self, rows: Ints, blind: int) -> None:
        """Further seconds of the stand; [3, n]."""
        n = rows.shape[1]
        left = np.arange(n, 0, -1)
        for at in range(_STREAMS):
            self._integrals[at] += n * self._sums[at] + int((left * rows[at]).sum())
            self._sums[at] += int(rows[at].sum())
        self._n += n
        self._blind += blind

    def _close(self, ends: list[int]) -> None:
        """A stand is over, and the next begins with ``ends`` of heat in the seconds before it."""
        begun, self._begun = self._begun, ends
        if begun is not None:
            tells = self._blind <= BLIND * self._n and self._n <= _LONGEST and self._sums[0] >= _LEAST_J * 1e3
            found, modelled = (self._stays_s(at, begun[at - 1], ends[at - 1]) if tells else 0.0 for at in (1, 2))
            self._ratio = found / modelled if found > 0.0 and modelled > 0.0 else 0.0
        self._begin_anew()

    def _stays_s(self, at: int, first_mj: int, last_mj: int) -> float:
        """By one of the two heats; not positive where it cannot tell."""
        step_s, near_ms = self._step_s, DELAY * self._step_s * 1e3
        put_in, passed = (
            (self._sums[one] / 1e3, (self._integrals[one] - 0.5 * self._sums[one]) * step_s / 1e3) for one in (0, at)
        )
        stays = stays_s(put_in, passed, (first_mj / near_ms, last_mj / near_ms), self._n * step_s)
        return stays + _LATE * step_s if stays > 0.0 else 0.0

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "tail": self._tail.state(),
            "sums": [str(one) for one in self._sums],
            "integrals": [str(one) for one in self._integrals],
            "n": [self._n, self._blind],
            "begun": None if self._begun is None else [str(one) for one in self._begun],
            "ratio": self._ratio,
        }

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot."""
        self._tail.restore(kept["tail"])
        self._sums, self._integrals = ([int(one) for one in kept[name]] for name in ("sums", "integrals"))
        self._n, self._blind = kept["n"]
        self._begun = None if kept["begun"] is None else [int(one) for one in kept["begun"]]
        self._ratio = kept["ratio"]
