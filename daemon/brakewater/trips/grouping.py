"""Trips from stands: stands of one direction that follow each other, with their pauses.

A single stand the other way (a look back, a stand put away again) belongs to the trip it falls into; from two on the
trip has turned. Fewer than three stands are no trip.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from statistics import median
from typing import Final

from brakewater.trips.stands import Stand

APART_NS: Final = 30 * 60_000_000_000
"""A longer rest between two stands ends a trip."""
LEAST_STANDS: Final = 3
TURNED: Final = 2
PAUSE_NS: Final = 5 * 60_000_000_000
"""A shorter wait between two stands is none, however quick the crew."""
_PAUSE_TIMES: Final = 3
"""A pause is also longer than so many of the trip's usual waits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trip:
    """One trip; times in ns of the record's steady clock."""

    stands: tuple[Stand, ...]
    """In order; a single one may have gone the other way."""

    @property
    def lowered(self) -> bool:
        """A trip in."""
        return 2 * sum(stand.lowered for stand in self.stands) > len(self.stands)

    @property
    def count(self) -> int:
        """Stands gained in the trip's direction."""
        return abs(sum(1 if stand.lowered else -1 for stand in self.stands))

    @property
    def waits_ns(self) -> tuple[int, ...]:
        """From the end of each stand to the begin of the next."""
        ends = zip(self.stands, self.stands[1:], strict=False)
        return tuple(after.begin_ns - before.end_ns for before, after in ends)

    @property
    def pauses_ns(self) -> tuple[int, ...]:
        """The waits that are pauses."""
        waits = self.waits_ns
        least = max(PAUSE_NS, _PAUSE_TIMES * median(waits)) if waits else PAUSE_NS
        return tuple(wait for wait in waits if wait > least)

    @property
    def lasts_ns(self) -> int:
        """From the first stand's begin to the last one's end."""
        return self.stands[-1].end_ns - self.stands[0].begin_ns

    @property
    def stands_per_hour(self) -> float:
        """Pace, pauses taken out."""
        moving = self.lasts_ns - sum(self.pauses_ns)
        return self.count / (moving / 3.6e12) if moving > 0 else 0.0


def trips(stands: Iterable[Stand]) -> Iterator[Trip]:
    """Trips in order, each told once the stands after it show that it is over."""
    under_way: list[Stand] = []
    for stand in stands:
        if under_way and stand.begin_ns - under_way[-1].end_ns > APART_NS:
            yield from _told(under_way)
            under_way = []
        under_way.append(stand)
        turned = _turned(under_way)
        if turned:
            yield from _told(under_way[:-turned])
            under_way = under_way[-turned:]
    yield from _told(under_way)


def _turned(under_way: list[Stand]) -> int:
    """Stands at the end that go the other way than the trip, where they are enough to have turned it; else 0."""
    last = under_way[-1].lowered
    run = 0
    for stand in reversed(under_way):
        if stand.lowered is not last:
            break
        run += 1
    before = under_way[:-run]
    return run if run >= TURNED and before and Trip(stands=tuple(before)).lowered is not last else 0


def _told(stands: list[Stand]) -> Iterator[Trip]:
    """The trip without a stray stand at either end."""
    lowered = Trip(stands=tuple(stands)).lowered
    own = [at for at, stand in enumerate(stands) if stand.lowered is lowered]
    if len(own) >= LEAST_STANDS:
        yield Trip(stands=tuple(stands[own[0] : own[-1] + 1]))
