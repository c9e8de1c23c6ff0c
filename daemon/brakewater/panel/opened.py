"""Windows of the record that somebody looks at: charted once, then only what was recorded since.

The newest day is read before anybody asks, so that it opens at once. Beside the charts the engine is kept every half
hour or so, so that what stood at any moment is found without a replay from midnight.
"""

import copy
from bisect import bisect_right
from dataclasses import dataclass, field
from threading import Event, Lock
from typing import Final

from brakewater.engine import Engine
from brakewater.errors import StorageError
from brakewater.record.reader import Record
from brakewater.record.undamaged import Place, undamaged
from brakewater.review.charts import Charted, Charts
from brakewater.stream import Block, Start

LONGEST_NS: Final = 26 * 3_600_000_000_000
"""Of a window: a day and its handovers. Every scan of it is kept in memory."""
_SOON_S: Final = 10.0
"""The watch itself starts first."""
_APART_NS: Final = 600_000_000_000
"""Engines are kept no closer than this, since each has its size."""
_BLOCK: Final = 8192
"""Scans in one block: what is read at once while the watch wants the processor, and where engines may be kept."""
_OPEN: Final = 2
"""Windows kept beside the newest day: one, and the one it is compared with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """An engine as it was."""

    utc_ns: int
    place: Place
    """The last input it was fed."""
    engine: Engine

    def woken(self) -> Engine:
        """A copy to go on with."""
        return copy.deepcopy(self.engine)


@dataclass(slots=True, kw_only=True, eq=False)
class Opened:
    """One window, from the Start of its first run up to what was read of it."""

    record: Record
    from_ns: int
    to_ns: int | None
    """None: it grows with the record."""
    kept: list[Kept] = field(default_factory=list)
    _engine: Engine = field(default_factory=Engine)
    _place: Place | None = None
    _charted: Charted = field(init=False)
    _charts: Charts | None = None

    def __post_init__(self) -> None:
        self._charted = Charted(self.from_ns, self.to_ns if self.to_ns is not None else 2**63 - 1)

    def holds(self, from_ns: int, to_ns: int) -> bool:
        """Whether a window lies within this one."""
        return self.from_ns <= from_ns and (self.to_ns is None or to_ns <= self.to_ns)

    def read(self, ended: Event | None = None) -> None:
        """Take in what was recorded since, or until told to end."""
        spans = self.record.spans(self.from_ns, self.to_ns)
        if not spans:
            return
        place = self._place or (spans[0].run, -1)
        for item in undamaged(self.record, place, _BLOCK, to_run=spans[-1].run):
            if ended is not None and ended.is_set():
                return
            if self._place is None and not isinstance(item, Start):
                continue  # a run whose Start is lost
            outcome = self._engine.feed(item)
            if isinstance(item, Block):
                self._charted.feed(item, self._engine.rig, outcome, self._engine.alarms())
                self._charts = None
                self._place = item.run, int(item.input[-1])
                self._keep(int(item.utc_ns[-1]), self._place)
            else:
                self._place = item.run, item.input
        self._forget()

    def _keep(self, utc_ns: int, place: Place) -> None:
        if not self.kept or utc_ns - self.kept[-1].utc_ns > _APART_NS:
            self.kept.append(Kept(utc_ns=utc_ns, place=place, engine=copy.deepcopy(self._engine)))

    def _forget(self) -> None:
        """A window that grows keeps the newest day, and a quarter of one, so that it is not cut at every look."""
        if self.to_ns is None and self.kept and self.kept[-1].utc_ns - self.from_ns > LONGEST_NS * 5 // 4:
            self.from_ns = self.kept[-1].utc_ns - LONGEST_NS
            self._charted.forget(self.from_ns)
            self._charts = None
            self.kept = [one for one in self.kept if one.utc_ns >= self.from_ns - LONGEST_NS // 24]

    def charts(self) -> Charts:
        """Every scan read of it.

        Raises:
            StorageError: no scan lies in the window.
        """
        self._charts = self._charts or self._charted.charts()
        return self._charts

    def before(self, utc_ns: int) -> Kept | None:
        """The engine as it was at some moment before."""
        at = bisect_right([one.utc_ns for one in self.kept], utc_ns)
        return self.kept[at - 1] if at else None


class Windows:
    """All of them."""

    def __init__(self, record: Record) -> None:
        self._record = record
        self._newest: Opened | None = None
        self._others: list[Opened] = []
        self._lock = Lock()
        self.ended = Event()
        """Set: what is still being read need not be."""

    def read_ahead(self) -> None:
        """Read the newest day before anybody asks for it."""
        if not self.ended.wait(_SOON_S):
            try:
                with self._lock:
                    self._newest_day().read(self.ended)
            except StorageError:
                return  # who asks will be told why

    def charts(self, from_ns: int, to_ns: int) -> Charts:
        """Every scan of a window that holds this one, read up to the record's end.

        Raises:
            StorageError: the record cannot be read, or no scan lies there.
        """
        with self._lock:
            found = self._found(from_ns, to_ns)
            found.read()
            return found.charts()

    def before(self, utc_ns: int) -> Kept | None:
        """The engine as it was at some moment before, of a window that is open; None where none is that holds it."""
        with self._lock:
            opened = [one for one in (self._newest, *self._others) if one is not None and one.holds(utc_ns, utc_ns)]
            found = [kept for one in opened if (kept := one.before(utc_ns)) is not None]
        return max(found, key=lambda one: one.utc_ns, default=None)

    def _found(self, from_ns: int, to_ns: int) -> Opened:
        newest = self._newest_day()
        if newest.holds(from_ns, to_ns):
            return newest
        for one in self._others:
            if one.holds(from_ns, to_ns):
                return one
        opened = Opened(record=self._record, from_ns=from_ns, to_ns=to_ns)
        self._others = [*self._others[-_OPEN + 1 :], opened]
        return opened

    def _newest_day(self) -> Opened:
        if self._newest is None:
            spans = self._record.spans()
            last = spans[-1].last_utc_ns if spans else 0
            self._newest = Opened(record=self._record, from_ns=last - LONGEST_NS, to_ns=None)
        return self._newest
