"""How long until the water is at the bearings, from its level, how fast that rises and how this rate grows.

A choke that still closes lets the level rise faster and faster, so that the rate of now alone would promise too much
time. How the rate grows is its difference over eight seconds, which is as long as its own window, so that the two
share no second; and the rate stands for the middle of its window, which is made good by the same growth.

Likely: the growth goes on at half of what was seen, between a choke that stops here and one that closes on. Early,
which people are shown as "not before": all of it and its standard uncertainty more, from a rate two of its own higher
and a level two higher, but never faster than what flows in could fill the housing. Of a rate before which nothing is
known it counts that it has grown from none. A growth that began within the last eight seconds is seen in part only.
"""

from math import sqrt
from typing import Any, Final

import numpy as np

from brakewater.engine.held import Held, within
from brakewater.engine.level import GROUPS
from brakewater.engine.seconds import BAD, GOOD, Groups
from brakewater.engine.tail import Tail
from brakewater.physics.level import reaches_s
from brakewater.physics.tank import FAR_S
from brakewater.quality import Reason
from brakewater.rig import Brake
from brakewater.stream import Floats

_RATE_STD_M_S: Final = 4e-4
"""Of the level rate by waves; an assumption (the simulator's is 1.5e-4)."""
_GOES_ON: Final = 0.5
"""Part of the growth that is likely to go on; an assumption, tests/outside/forecasts.py scores it."""
_FILLS: Final = 1.1
"""How much faster the level could rise than the inlet's meter and the housing's area say; an assumption."""
_FASTEST_M_S: Final = 10.0
"""Where the housing's area or the flow is not known: no bound that would count."""


class Bearing:
    """Of one brake."""

    def __init__(self, brake: Brake, level_std_m: float, step_s: float) -> None:
        self._height, self._std, self._step_s = brake.bearing_level, level_std_m, step_s
        self._area, self._wetting = brake.housing_area or 0.0, brake.wetting_flow
        self._tail = Tail(GROUPS, 0.0, float(BAD))

    def feed(self, groups: Groups) -> dict[str, Held]:
        """``time_to_bearing_s`` and its early bound, after each of [m] groups."""
        level, rate = within(groups.means["level"], -10.0, 10.0), within(groups.means["rate"], -10.0, 10.0)
        growth = np.maximum(self._growth(rate, groups.grades["rate"].astype(np.float64)), 0.0)
        bad = groups.worst("level", "rate") != GOOD
        codes = np.where(bad, np.uint8(Reason.NO_BASIS), np.uint8(Reason.GOOD))
        rises = rate > 2.0 * _RATE_STD_M_S
        left = np.maximum(self._height - level, 0.0)
        by_now = np.where(rises, rate + 0.5 * (GROUPS - 1) * self._step_s * growth, 1.0)
        most = self._fastest(groups)
        due = reaches_s(left, by_now, _GOES_ON * growth, most)
        growth_std = sqrt(2.0) * _RATE_STD_M_S / (GROUPS * self._step_s)
        early_left = np.maximum(left - 2.0 * self._std, 0.0)
        early = reaches_s(early_left, by_now + 2.0 * _RATE_STD_M_S, growth + growth_std, most)
        return {
            name: Held(
                values=np.where(bad, 0.0, np.where(rises | (left == 0.0), np.minimum(s, FAR_S), FAR_S)), codes=codes
            )
            for name, s in (("time_to_bearing_s", due), ("time_to_bearing_early_s", early))
        }

    def _growth(self, rate: Floats, grades: Floats) -> Floats:
        """[m] how the rate grows, m/s2."""
        rates, worth = self._tail.extended(rate, grades)
        before = np.where(worth[: len(rate)] != BAD, rates[: len(rate)], 0.0)
        return (rate - before) / (GROUPS * self._step_s)

    def _fastest(self, groups: Groups) -> Floats:
        """[m] m/s, if all that flows in stayed in the housing."""
        flow = within(groups.means["flow"], 0.0, 1.0)
        known = (groups.grades["flow"] == GOOD) & (flow >= self._wetting) & (self._area > 0.0)
        return np.where(known, _FILLS * flow / max(self._area, 1e-6), _FASTEST_M_S)

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {"tail": self._tail.state()}

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot."""
        self._tail.restore(kept["tail"])
