"""The legs of the hoist one after another: where each begins on the timetable's clock, and what hangs on the hook."""

from bisect import bisect_right
from itertools import accumulate

from brakewater_sim.hoist import HoistSizes, Hook, hook


class Legs:
    """At least one leg; each begins where the one before ends."""

    def __init__(self, legs: tuple[HoistSizes, ...]) -> None:
        self.legs = legs
        self.starts = [0.0, *accumulate(leg.whole_s for leg in legs[:-1])]

    def hook(self, clock_s: float, pace: float, pace_slope: float) -> Hook:
        """The hoist when the timetable stands at ``clock_s``; beyond both ends as ``hook`` says."""
        index = max(0, bisect_right(self.starts, clock_s) - 1)
        return hook(self.legs[index], clock_s - self.starts[index], pace, pace_slope)
