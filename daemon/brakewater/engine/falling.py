"""How fast a falling flow brings the outlet nearer to its limit: a strainer that plugs, a pump that wears, a valve.

The rise goes with one over the flow. How the flow falls, and how this grows, is seen over nine minutes, three means of
three. A plugging strainer closes slowly at first and then quickly, so that the growth of the fall counts more than it
was: likely twice, for the early bound four times (assumptions, after what the simulator's strainers, filters, valves
and worn pumps do).
"""

from dataclasses import dataclass
from typing import Final, Self

import numpy as np

from brakewater.stream import Floats

_APART_S: Final = 180.0
_MIDDLE_S: Final = 150.0
"""From the middle of the last fall that was seen to now, less half a minute: a minute's mean stands for its middle."""
_STEADY: Final = 2e-4 / 60.0
"""Part of the flow a second that may be the meter's."""
_STEADILY: Final = 3e-5 / 3600.0
"""The same of how a fall grows, a second squared."""
_LIKELY, _EARLY = 2.0, 4.0
_EASES_S: Final = 600.0
"""Over which a fall that eases is taken to go on easing, for what is likely; an assumption."""
LEAST_M3_S: Final = 1e-5
"""A flow below it counts as this, so that nothing is divided by 0."""
_LOOKS_S: Final = 7200.0
"""Nobody says how a flow will be later."""


@dataclass(frozen=True, slots=True, eq=False)
class Falling:
    """[c] each: the flow of now, m3/s, what it falls by a second, and by how much more each second."""

    flow_m3_s: Floats
    fall: Floats
    grows: Floats

    @classmethod
    def of(cls, flow: Floats, count: int) -> Self:
        """From minutes' means, the last ``count`` of which end now; before them at least eight more."""
        early, middle, late = (_mean(flow, count, back) for back in (6, 3, 0))
        now = np.maximum(flow[-count:], LEAST_M3_S)
        before, after = (early - middle) / _APART_S, (middle - late) / _APART_S
        grows = (after - before) / _APART_S
        fall = np.maximum(after + _MIDDLE_S * grows - _STEADY * now, 0.0)
        dead = _STEADILY * now
        beyond = np.maximum(grows - dead, 0.0) + np.minimum(grows + dead, 0.0)
        return cls(now, fall, np.where(fall > 0.0, beyond, 0.0))

    def growth_k_s(self, rise_k: Floats, room_k: Floats, *, early: bool) -> Floats:
        """[c] K/s by which the rise closes the room that is left until the limit, over the time that it takes for it.

        Args:
            rise_k: of now.
            room_k: what it may grow by.
            early: for the early bound.
        """
        room = np.maximum(room_k, 0.0)
        to_fall = self.flow_m3_s * (room / np.maximum(rise_k + room, 1e-6))
        fall, grows = self.fall, 0.5 * (_EARLY if early else _LIKELY) * np.maximum(self.grows, 0.0)
        if not early:  # a valve that creeps shut takes ever less flow away
            fall = fall * fall / np.maximum(fall - np.minimum(self.grows, 0.0) * _EASES_S, 1e-12)
        # Of the two ways to write the root, the one that does not divide by what may be 0.
        bottom = fall + np.sqrt(fall * fall + 4.0 * grows * to_fall)
        time = np.where(bottom > 0.0, 2.0 * to_fall / np.where(bottom > 0.0, bottom, 1.0), _LOOKS_S)
        return np.where((time < _LOOKS_S) & (rise_k > 0.0), room / np.maximum(time, 1.0), 0.0)


def _mean(flow: Floats, count: int, back: int) -> Floats:
    last = len(flow) - back
    return (flow[last - count : last] + flow[last - count - 1 : last - 1] + flow[last - count - 2 : last - 2]) / 3.0
