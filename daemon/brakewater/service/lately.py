"""How the lines to the devices did in the last minute, from counters that only ever grow."""

from collections import deque
from collections.abc import Callable, Mapping
from time import monotonic
from typing import Final

from brakewater.stream import Picture

Counts = Mapping[str, tuple[int, int]]
"""Device -> answers, and those of them that were no good."""

_STEP_S: Final = 5.0
_STEPS: Final = 12


class Lately:
    """Takes each new picture only as a sign that time goes on."""

    def __init__(self, counts: Callable[[], Counts]) -> None:
        self._counts = counts
        self._notes: deque[tuple[float, Counts]] = deque(maxlen=_STEPS + 1)

    def show(self, _picture: Picture) -> None:
        """Note the counters now and then."""
        now = monotonic()
        if not self._notes or now - self._notes[-1][0] >= _STEP_S:
            self._notes.append((now, self._counts()))

    def shares(self) -> dict[str, float | None]:
        """Device -> share of its answers in the last minute that were no good; None where there were none."""
        now = self._counts()
        before = self._notes[0][1] if self._notes else {}
        return {name: _share(counts, before.get(name, (0, 0))) for name, counts in now.items()}


def _share(now: tuple[int, int], before: tuple[int, int]) -> float | None:
    answers, wrong = now[0] - before[0], now[1] - before[1]
    return wrong / answers if answers > 0 else None
