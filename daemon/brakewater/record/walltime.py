"""Wall times fit to be sent to others.

A rig PC may boot in 1970 and learn the time later. What it recorded until then is told the right time once the record
holds a plausible one on the same steady time axis; until then it waits. The result depends on the record alone, so
that a line made twice carries the same time.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from brakewater.record.reader import Record
from brakewater.record.undamaged import Place, undamaged
from brakewater.stream import Block, Ints, Start

EARLIEST_NS: Final = 1_577_836_800 * 1_000_000_000
"""2020-01-01."""
LATEST_NS: Final = 4_102_444_800 * 1_000_000_000
"""2100-01-01."""
NEVER: Final = 0
"""Stands for a wall time that nothing in the record tells."""

_PAGE = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class _Looked:
    """What looking ahead has come to: nothing plausible after ``since`` up to ``place``."""

    since: Place
    place: Place
    boot: str
    ahead_ns: int | None = None
    """Wall less steady time at ``place``; None where there is none."""
    ended: bool = False
    """True where the steady time axis ends at ``place``."""


class WallTimes:
    """Tells wall times of inputs, looking ahead in a record where they are implausible."""

    def __init__(self, record: Record) -> None:
        self._record = record
        self._looked: _Looked | None = None

    def of(self, boot: str, last: Place, t_ns: Ints, utc_ns: Ints) -> Ints:
        """Wall times of the first scans of a block, as many as can be told by now; ``NEVER`` where none ever will.

        Args:
            boot: of the run's Start: names the steady time axis.
            last: run and input of the last of them.
            t_ns: [n] steady time.
            utc_ns: [n] wall time as recorded.

        Returns:
            [m] ns; m < n where the rest has to wait.
        """
        fits = plausible(utc_ns)
        if fits.all():
            return utc_ns
        n = len(t_ns)
        following = np.minimum.accumulate(np.where(fits, np.arange(n), n)[::-1])[::-1]
        told = following < n
        by = following[told]
        known: Ints = np.full(n, NEVER, np.int64)
        known[told] = t_ns[told] + (utc_ns[by] - t_ns[by])
        if told.all():
            return known
        found = self._ahead(boot, last)
        if found.ahead_ns is not None:
            known[~told] = t_ns[~told] + found.ahead_ns
        elif not found.ended:
            return known[told]
        return known

    def _ahead(self, boot: str, after: Place) -> _Looked:
        known = self._looked
        if known is None or not known.since <= after <= known.place:
            known = _Looked(since=after, place=after, boot=boot)
        if known.ahead_ns is None and not known.ended:
            known = self._look(known)
        self._looked = known
        return known

    def _look(self, known: _Looked) -> _Looked:
        place = known.place
        for item in undamaged(self._record, place, _PAGE):
            if isinstance(item, Start) and item.boot != known.boot:
                return _Looked(since=known.since, place=(item.run, -1), boot=known.boot, ended=True)
            if not isinstance(item, Block):
                place = (item.run, item.input)
                continue
            fits = plausible(item.utc_ns)
            if fits.any():
                at = int(np.argmax(fits))
                ahead_ns = int(item.utc_ns[at] - item.t_ns[at])
                before = (item.run, int(item.input[at]) - 1)
                return _Looked(since=known.since, place=before, boot=known.boot, ahead_ns=ahead_ns)
            place = (item.run, int(item.input[-1]))
        return _Looked(since=known.since, place=place, boot=known.boot)


def plausible(utc_ns: Ints) -> NDArray[np.bool_]:
    """[n] whether wall times lie between 2020 and 2100."""
    return (utc_ns >= EARLIEST_NS) & (utc_ns < LATEST_NS)
