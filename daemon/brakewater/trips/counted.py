"""Trips counted as they happen, for what is due by trips: told at the third stand that the brake lowered.

The ledger of trips looks back and knows when one is over; a count that makes a round due cannot wait for that. Three
stands lowered with no more than the usual rest between them are a trip; two pulled in a row end it.
"""

from typing import Any, Final

from brakewater.trips.grouping import APART_NS, LEAST_STANDS, TURNED
from brakewater.trips.stands import HeatStands, HoistStands, Stand

_MOST_WAITING: Final = LEAST_STANDS


class TripCount:
    """From hook and block where they are known, else from the heat alone."""

    def __init__(self, *, by_hoist: bool) -> None:
        self._stands: HoistStands | HeatStands = HoistStands() if by_hoist else HeatStands()
        self._lowered = self._pulled = 0
        self._end_ns: int | None = None
        self.trips = 0

    def hoisted(self, t_ns: int, load_n: float, block_m: float) -> None:
        """One second of hook load and block."""
        assert isinstance(self._stands, HoistStands)
        self._take(self._stands.feed(0, t_ns, load_n, block_m))

    def heated(self, t_ns: int, heat_w: float) -> None:
        """One second of heat."""
        assert isinstance(self._stands, HeatStands)
        self._take(self._stands.feed(0, t_ns, heat_w))

    def _take(self, stand: Stand | None) -> None:
        if stand is None:
            return
        if self._end_ns is not None and stand.begin_ns - self._end_ns > APART_NS:
            self._lowered = self._pulled = 0
        self._end_ns = stand.end_ns
        if not stand.lowered:
            self._pulled += 1
            if self._pulled >= TURNED:
                self._lowered = 0
            return
        self._pulled, self._lowered = 0, self._lowered + 1
        if self._lowered == LEAST_STANDS:
            self.trips += 1

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "stands": self._stands.state(),
            "by": type(self._stands).__name__,
            "lowered": min(self._lowered, _MOST_WAITING + 1),
            "pulled": min(self._pulled, TURNED),
            "end": self._end_ns,
            "trips": self.trips,
        }

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot; the count goes on over a change of what stands are found from."""
        self.trips = kept["trips"]
        if kept["by"] == type(self._stands).__name__:
            self._stands.restore(kept["stands"])
            self._lowered, self._pulled, self._end_ns = kept["lowered"], kept["pulled"], kept["end"]
