"""An outlet that warms and cools again with every stand, while its inlet stays as warm as it was: a brake at work.

A constant rise may be a sensor that is off, a single one the heat of the last stand or of the sun. What comes back
stand after stand is neither. Identical however the scans are cut.
"""

from typing import Any, Final

import numpy as np

from brakewater.engine.lasting import Mask, anywhere
from brakewater.signals import kept
from brakewater.stream import Floats, Ints

_SWING_K: Final = 3.0
"""Up, and down again: far beyond an RTD's noise, and a third of what a loaded stand does; an assumption."""
_STEADY_K: Final = 1.0
"""Where the inlet spans more while the outlet warms, it may have made the swing: water that has warmed another brake
before; an assumption."""
_TIMES: Final = 3
"""So many stands, of which the first may be what the last one left; an assumption."""


class Swings:
    """Of one brake."""

    def __init__(self, apart_ns: int) -> None:
        """``apart_ns``: what comes later than that after the one before is the first again."""
        self._apart_ns = apart_ns
        self.begin_anew()

    @property
    def fresh(self) -> bool:
        """Whether there is nothing that counts."""
        return self._low is None and self._high is None

    def begin_anew(self) -> None:
        """As if none had been."""
        self._low: tuple[float, float, float] | None = None
        """Least rise since the last fall; least and most of the inlet since."""
        self._high: float | None = None
        """Most rise since the last swing; None while it falls or has not risen yet."""
        self._n, self._last_ns = 0, 0

    def feed(self, t_ns: Ints, usable: Mask, over: Mask, rise: Floats, inlet: Floats) -> Mask:
        """[n] where a swing is complete that has had enough before it.

        Args:
            t_ns: [n] steady time.
            usable: [n] where rise and inlet are to be trusted; others are passed over.
            over: [n] where what came before counts no more.
            rise: [n] outlet above inlet, K.
            inlet: [n] degC.
        """
        if not anywhere(usable):
            if anywhere(over):
                self.begin_anew()
            return usable
        found = np.zeros(len(t_ns), np.bool_)
        if self._lies_flat(usable, rise, inlet):
            return found
        seen = zip(t_ns.tolist(), usable.tolist(), over.tolist(), rise.tolist(), inlet.tolist(), strict=True)
        for at, (t, uses, ends, height, degc) in enumerate(seen):
            if ends:
                self.begin_anew()
            elif uses:
                found[at] = self._take(t, height, degc)
        return found

    def _lies_flat(self, usable: Mask, rise: Floats, inlet: Floats) -> bool:
        """Whether nothing rises in a whole block: hours of a brake that stands, quicker."""
        if len(rise) == 1 or self._high is not None or np.count_nonzero(usable) < len(usable):
            return False
        low = np.minimum.accumulate(rise)
        if self._low is not None:
            low = np.minimum(low, self._low[0])
        if np.count_nonzero(rise - low >= _SWING_K):
            return False
        at = int(np.argmin(rise))
        if self._low is None or rise[at] < self._low[0]:
            self._low = float(rise[at]), float(inlet[at:].min()), float(inlet[at:].max())
        else:
            least, coldest, warmest = self._low
            self._low = least, min(coldest, float(inlet.min())), max(warmest, float(inlet.max()))
        return True

    def _take(self, t: int, rise: float, inlet: float) -> bool:
        if self._high is not None:
            self._high = max(self._high, rise)
            if self._high - rise >= _SWING_K:
                self._high, self._low = None, (rise, inlet, inlet)
            return False
        if self._low is None or rise < self._low[0]:
            self._low = rise, inlet, inlet
        least, coldest, warmest = self._low
        coldest, warmest = min(coldest, inlet), max(warmest, inlet)
        self._low = least, coldest, warmest
        if rise - least < _SWING_K:
            return False
        self._high = rise
        if warmest - coldest > _STEADY_K:
            return False
        self._n = self._n + 1 if t - self._last_ns <= self._apart_ns else 1
        self._last_ns = t
        return self._n >= _TIMES

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        low = None if self._low is None else list(self._low)
        return {"low": low, "high": self._high, "n": self._n, "last": kept.text(self._last_ns)}

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a snapshot made with the same settings."""
        self._low = None if state["low"] is None else (state["low"][0], state["low"][1], state["low"][2])
        self._high, self._n, self._last_ns = state["high"], state["n"], kept.number(state["last"]) or 0
