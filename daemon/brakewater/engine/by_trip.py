"""What each trip's stands said of a brake, by medians: share of the heat, torque index, and how heat leaves the rotor.

A stand closes when the next begins, and a trip is told at its third (``trips.counted``): so a stand waits until two
more have closed before it is counted, and the two that wait when a trip is told are its first.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from math import sqrt
from statistics import median
from typing import Any, Final

import numpy as np

from brakewater.engine.held import Held
from brakewater.quality import Reason
from brakewater.stream import TripNow

_MOST_TRIPS: Final = 30
_MOST_STANDS: Final = 60
_KEPT: Final = tuple(name for name in TripNow.__slots__ if name != "brake")
_WAITING: Final = 2
_MEDIAN_STD: Final = 1.4826 * 1.2533
"""Of a normal distribution: standard deviation by median absolute deviation, and a median's by a mean's."""
_NONE: Final = (0.0, 0.0, 0.0, 0.0, 0.0)
_Stand = tuple[float, float, float, float, float]
"""Share and its standard uncertainty, torque index and its, rotor to water; NaN-free: 0.0 where there is none."""


class ByTrip:
    """Of one brake."""

    def __init__(self, brake: str) -> None:
        self._brake = brake
        self._last: _Stand = _NONE
        self._trip = 0
        self._waiting: list[_Stand] = []
        self._stands: deque[_Stand] = deque(maxlen=_MOST_STANDS)
        """Of the trip that goes on."""
        self._counted = 0
        """The trip they are of."""
        self._over: deque[TripNow] = deque(maxlen=_MOST_TRIPS)

    def feed(self, found: Mapping[str, Held]) -> None:
        """The next [m] groups: the trips counted, and what stands of share and index."""
        none = Held(values=np.zeros(1), codes=np.zeros(1, np.uint8))
        columns = [found[name] for name in ("heat_share", "heat_share_std")]
        index = [found.get(name, none) for name in ("torque_index", "torque_index_std", "rotor_to_water")]
        trips, m = found["trips_worked"].values, len(found["trips_worked"].values)
        rows = [np.where(one.codes == Reason.GOOD, one.values, 0.0) for one in (*columns, *index)]
        table = np.array([trips, *(np.broadcast_to(row, m) for row in rows)])
        before = np.array([[self._trip], *([one] for one in self._last)], np.float64)
        moved = (np.concatenate((before, table[:, :-1]), axis=1) != table).any(axis=0)
        for trip, *stand in table[:, moved].T.tolist():
            self._take(int(trip), _stand(stand))

    def _take(self, trip: int, stand: _Stand) -> None:
        if stand != self._last:
            self._last = stand
            self._waiting.append(stand)
            if len(self._waiting) > _WAITING:
                self._count(self._waiting.pop(0))
        self._trip = trip

    def _count(self, stand: _Stand) -> None:
        if self._counted != self._trip:
            self._over.extend(self._summed())
            self._stands.clear()
            self._counted = self._trip
        self._stands.append(stand)

    def _summed(self) -> tuple[TripNow, ...]:
        """The trip that goes on, as it stands; none without a stand."""
        shares = [(one[0], one[1]) for one in self._stands if one[1] > 0.0]
        index = [(one[2], one[3]) for one in self._stands if one[3] > 0.0]
        passes = [one[4] for one in self._stands if one[4] > 0.0]
        if not shares and not index and not passes:
            return ()
        (share, share_std), (torque, torque_std) = _middle(shares), _middle(index)
        to_water, to_water_std = _scattered(passes)
        return (
            TripNow(
                brake=self._brake,
                trip=self._counted,
                stands=max(len(shares), len(index), len(passes)),
                heat_share=share,
                heat_share_std=share_std,
                torque_index=torque,
                torque_index_std=torque_std,
                rotor_to_water=to_water,
                rotor_to_water_std=to_water_std,
            ),
        )

    def begin_anew(self) -> None:
        """Brake, rotor or coil is another: what was before is no trend of it."""
        for kept in (self._waiting, self._stands, self._over):
            kept.clear()

    def shown(self) -> tuple[TripNow, ...]:
        """The newest trips that had a stand, in order."""
        return (*self._over, *self._summed())

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "last": list(self._last),
            "trip": self._trip,
            "waiting": [list(one) for one in self._waiting],
            "stands": [list(one) for one in self._stands],
            "counted": self._counted,
            "over": [[getattr(one, name) for name in _KEPT] for one in self._over],
        }

    def restore(self, kept: Mapping[str, Any]) -> None:
        """Go on from a snapshot."""
        self._last, self._trip = _stand(kept["last"]), kept["trip"]
        self._waiting = [_stand(one) for one in kept["waiting"]]
        self._stands.extend(_stand(one) for one in kept["stands"])
        self._counted = kept["counted"]
        # a snapshot of before there was rotor-to-water ends earlier
        self._over.extend(TripNow(brake=self._brake, **dict(zip(_KEPT, one, strict=False))) for one in kept["over"])


def _stand(kept: Sequence[float]) -> _Stand:
    """Of a row; one of a snapshot of before there was rotor-to-water is filled up."""
    share, share_std, index, index_std, to_water = [*kept, *_NONE[len(kept) :]]
    return share, share_std, index, index_std, to_water


def _middle(found: list[tuple[float, float]]) -> tuple[float | None, float]:
    """Medians of values and of standard uncertainties: sensors' errors last, many stands do not average them."""
    if not found:
        return None, 0.0
    return median(one for one, _ in found), median(std for _, std in found)


def _scattered(found: list[float]) -> tuple[float | None, float]:
    """Median, and its standard uncertainty by how the stands scatter: what they have in common is so in every trip."""
    if not found:
        return None, 0.0
    middle = median(found)
    return middle, _MEDIAN_STD * median(abs(one - middle) for one in found) / sqrt(len(found))
