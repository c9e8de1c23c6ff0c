"""Stands found in a stream: from hook load and block position, else from the pulses of heat that each one makes.

*Hoist.* The string hangs on the hook or in the slips; between two times in the slips the block's net way tells one
stand lowered or pulled. What the empty hook weighs is not asked for: it is the least load of the last two hours that
lasted for ten seconds, as an indicator that is zeroed or drops out for a moment weighs no hook. A stop on the way
changes nothing, since the string still hangs.

*Heat.* A lowered stand is one rise and one fall of the heat that the water carries off, both larger than a quarter of
the swing of the last quarter of an hour and than ``LEAST_PULSE_W``: below that duty no stands are told. A stand that is
pulled makes no heat, so trips out are not seen. Tops that follow each other in less than half the usual time are one
stand that was stopped on its way.
"""

from collections import deque
from dataclasses import dataclass
from statistics import median
from typing import Any, Final

LEAST_WAY_M: Final = 5.0
"""A shorter way is no stand: a joint has 9 m."""
HANGS_N: Final = 60e3
"""So much more than the empty hook is a string on it; light collars alone may be missed."""
LANDED_N: Final = 40e3
LEAST_PULSE_W: Final = 20e3
"""The stated duty of stands from heat alone: swings below it are not told from noise."""
_SURE: Final = 4
"""So many samples in a row must say that a string hangs or has landed: setting it going and stopping it take three."""
_PICKED: Final = 1.25
"""Where a record begins: so many times the least load is a string picked up, not one on its way that was stopped."""
_SWING: Final = 0.25
_FLAT: Final = 0.3
_SOON: Final = 0.5
_USUAL: Final = 9
"""Tops whose distance is remembered as the usual one."""
_SOONEST_NS: Final = 45_000_000_000
"""No crew is quicker: 60 stands an hour is the best that is claimed (a platform rig, by a trade forum)."""
_MEMORY_NS: Final = 900_000_000_000
_BUCKET_NS: Final = 600_000_000_000
_BUCKETS: Final = 12
_LASTS_NS: Final = 10_000_000_000
"""So long a load must stay below the least one to be the empty hook's; slips are set for a minute. An assumption."""
_BLIND_NS: Final = 120_000_000_000
"""Without readings for so long, what was under way is forgotten."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """One stand moved; ``begin`` and ``end`` number the samples."""

    lowered: bool
    begin: int
    end: int
    begin_ns: int
    end_ns: int
    way_m: float | None
    """Length of its way; None where it was found from heat."""


class HoistStands:
    """From hook load in N and block position in m, sample by sample."""

    def __init__(self) -> None:
        self._least: deque[tuple[int, float]] = deque(maxlen=_BUCKETS)
        """Least load of each ten minutes."""
        self._below: tuple[int, float] | None = None
        """Since when the load has been below it, and its most since then."""
        self._hangs: bool | None = None
        """None until the hook has been seen both with and without a string, or with more and less."""
        self._most_n = 0.0
        """While nothing is known of the hook: the most it carried."""
        self._from: tuple[int, int, float] | None = None
        self._turns: list[tuple[int, int, float]] = []
        """Samples that say the hook has changed, while they are too few to be believed."""
        self._seen_ns: int | None = None

    def feed(self, index: int, t_ns: int, load_n: float, block_m: float) -> Stand | None:
        """The stand that ends with this sample, if one does."""
        if self._seen_ns is not None and t_ns - self._seen_ns > _BLIND_NS:
            self._hangs, self._from, self._most_n, self._turns = None, None, 0.0, []
        self._seen_ns = t_ns
        self._most_n = max(self._most_n, load_n)
        over = load_n - self._empty_n(t_ns, load_n)
        here = (index, t_ns, block_m)
        if self._from is None:
            self._from = here  # whatever hangs has been on its way since before
        hangs = self._told(over, load_n)
        if hangs is None or hangs is self._hangs:
            self._turns = []
            return None
        self._turns.append(here)
        if len(self._turns) < _SURE:
            return None
        before, self._hangs, since = self._hangs, hangs, self._turns[0]
        self._turns = []
        if not hangs:
            return self._stand(since)
        if before is False or load_n > _PICKED * (load_n - over):
            self._from = since
        return None

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "least": [list(one) for one in self._least],
            "below": None if self._below is None else list(self._below),
            "hangs": self._hangs,
            "most": self._most_n,
            "from": None if self._from is None else list(self._from),
            "turns": [list(one) for one in self._turns],
            "seen": self._seen_ns,
        }

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot."""
        self._least.extend((bucket, least) for bucket, least in kept["least"])
        below = kept.get("below")  # a record of before it was kept
        self._below = None if below is None else (int(below[0]), float(below[1]))
        self._hangs, self._most_n, self._seen_ns = kept["hangs"], kept["most"], kept["seen"]
        self._from = None if kept["from"] is None else _sample(kept["from"])
        self._turns = [_sample(one) for one in kept["turns"]]

    def _told(self, over_n: float, load_n: float) -> bool | None:
        """Whether a string hangs by this sample alone; None where it does not say."""
        if over_n > HANGS_N:
            return True
        landed = over_n < LANDED_N and (self._hangs is not None or self._most_n - load_n > HANGS_N)
        return False if landed else None

    def _empty_n(self, t_ns: int, load_n: float) -> float:
        bucket = t_ns // _BUCKET_NS
        if not self._least:
            self._least.append((bucket, load_n))
        elif self._least[-1][0] != bucket:
            self._least.append((bucket, max(load_n, self._least[-1][1])))
        if load_n >= self._least[-1][1]:
            self._below = None
        else:
            since_ns, most_n = self._below or (t_ns, load_n)
            self._below = since_ns, max(most_n, load_n)
            # Before anything is known of the hook, each dip counts: a string that is set going tells itself by it.
            if t_ns - since_ns >= _LASTS_NS or self._hangs is None:
                self._least[-1], self._below = (bucket, self._below[1]), None
        return min(least for _, least in self._least)

    def _stand(self, here: tuple[int, int, float]) -> Stand | None:
        start = self._from
        self._from = here
        if start is None or abs(here[2] - start[2]) < LEAST_WAY_M:
            return None
        way = here[2] - start[2]
        return Stand(lowered=way < 0.0, begin=start[0], end=here[0], begin_ns=start[1], end_ns=here[1], way_m=abs(way))


def _sample(kept: list[Any]) -> tuple[int, int, float]:
    index, t_ns, value = kept
    return index, t_ns, value


class HeatStands:
    """From the heat in W that the water carries off, sample by sample."""

    def __init__(self) -> None:
        self._recent: deque[tuple[int, float]] = deque()
        """Heat of the last quarter of an hour, one in ten seconds."""
        self._rising = False
        self._top_ns: int | None = None
        self._between: deque[int] = deque(maxlen=_USUAL)
        self._low: tuple[int, int, float] | None = None
        self._high: tuple[int, int, float] | None = None
        self._seen_ns: int | None = None

    def feed(self, index: int, t_ns: int, heat_w: float) -> Stand | None:
        """The stand whose pulse has just passed its top, if one has."""
        if self._seen_ns is not None and t_ns - self._seen_ns > _BLIND_NS:
            self._rising, self._low, self._high = False, None, None
        self._seen_ns = t_ns
        here, swing = (index, t_ns, heat_w), self._swing(t_ns, heat_w)
        if not self._rising:
            if self._low is None or heat_w <= self._low[2]:
                self._low = here
            elif heat_w - self._low[2] < _FLAT * swing:  # noise on the floor: the rise has not begun yet
                self._low = (index, t_ns, self._low[2])
            elif heat_w - self._low[2] > swing:
                self._rising, self._high = True, here
            return None
        if self._high is None or heat_w >= self._high[2]:
            self._high = here
            return None
        if self._high[2] - heat_w <= swing:
            return None
        low, high = self._low, self._high
        self._rising, self._low, self._high = False, here, None
        if low is None or self._too_soon(high[1]):
            return None
        return Stand(lowered=True, begin=low[0], end=high[0], begin_ns=low[1], end_ns=high[1], way_m=None)

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "recent": [list(one) for one in self._recent],
            "rising": self._rising,
            "top": self._top_ns,
            "between": list(self._between),
            "low": None if self._low is None else list(self._low),
            "high": None if self._high is None else list(self._high),
            "seen": self._seen_ns,
        }

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot."""
        self._recent.extend((t_ns, heat_w) for t_ns, heat_w in kept["recent"])
        self._rising, self._top_ns, self._seen_ns = kept["rising"], kept["top"], kept["seen"]
        self._between.extend(kept["between"])
        self._low = None if kept["low"] is None else _sample(kept["low"])
        self._high = None if kept["high"] is None else _sample(kept["high"])

    def _too_soon(self, top_ns: int) -> bool:
        since = None if self._top_ns is None else top_ns - self._top_ns
        usual = median(self._between) if len(self._between) >= 3 else 0
        if since is not None and since < max(_SOONEST_NS, _SOON * usual):
            return True
        if since is not None:
            self._between.append(since)
        self._top_ns = top_ns
        return False

    def _swing(self, t_ns: int, heat_w: float) -> float:
        recent = self._recent
        if not recent or t_ns - recent[-1][0] >= 10_000_000_000:
            recent.append((t_ns, heat_w))
        while t_ns - recent[0][0] > _MEMORY_NS:
            recent.popleft()
        heats = [heat for _, heat in recent]
        return max(LEAST_PULSE_W, _SWING * (max(heats) - min(heats)))
