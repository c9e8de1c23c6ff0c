"""A flood: more new alarms than a person can take in. Those of low priority then come without a sound.

It begins with more than ten alarms in ten minutes and ends with fewer than five (ISA-18.2, from memory).
"""

from collections import deque
from collections.abc import Iterable
from typing import Final

from brakewater.alarms.performance import FLOOD_BEGINS_ABOVE as BEGINS_ABOVE
from brakewater.alarms.performance import FLOOD_ENDS_BELOW as ENDS_BELOW
from brakewater.alarms.performance import TEN_S

WINDOW_NS: Final = TEN_S * 1_000_000_000


class Flood:
    """Counts alarms as they come."""

    def __init__(self) -> None:
        self._rose: deque[int] = deque(maxlen=BEGINS_ABOVE + 1)
        self._on = False

    def rise(self, t_ns: int) -> bool:
        """One more alarm at a time that never falls; whether it comes in a flood."""
        self._on = self.at(t_ns)
        self._rose.append(t_ns)
        self._on = self._on or self._within(t_ns) > BEGINS_ABOVE
        return self._on

    def at(self, t_ns: int) -> bool:
        """Whether there is a flood at a time."""
        return self._on and self._within(t_ns) >= ENDS_BELOW

    def _within(self, t_ns: int) -> int:
        return sum(t_ns - rose <= WINDOW_NS for rose in self._rose)

    def state(self) -> list[str]:
        """What a snapshot keeps: whether it is on, and the times."""
        return [str(int(self._on)), *map(str, self._rose)]

    def restore(self, state: Iterable[str]) -> None:
        """Go on from a snapshot."""
        on, *rose = state
        self._on, self._rose = on == "1", deque(map(int, rose), maxlen=BEGINS_ABOVE + 1)
