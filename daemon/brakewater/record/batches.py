"""The committed record as batches of lines, from any place on, the same however often they are made.

    Record -> Engine (from the run's Start, as live and in replay) -> one scan in so long -> Lines

It never goes back: over a snapshot an off-delay begins anew, so lines made from one would not be the same. To begin in
the middle of a run, the run is read from its Start.
"""

import logging
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from brakewater.engine import Engine
from brakewater.errors import BrakewaterError, DamagedRecordError
from brakewater.record.lines import Lines
from brakewater.record.reader import Record
from brakewater.record.sealed.apart import NotYetError, Unsealing
from brakewater.record.undamaged import Place, undamaged
from brakewater.record.walltime import NEVER, WallTimes
from brakewater.stream import AlarmNow, Block, Command, Event, Gap, Input, Ints, Start

BLOCK: Final = 2048
"""Scans made into lines at once, at most."""
ENOUGH: Final = 400
"""Lines that make a batch, once there are so many."""
_MOST_ITEMS: Final = 32
"""Read at once at most, however few lines they give, so that whoever asks may look about in between."""
_PATIENCE_S: Final = 0.05
"""So long a sealed segment that is read in another process may hold up those whose lines are ready."""
_UNUSABLE: Final = (BrakewaterError, ValueError, TypeError, LookupError, ArithmeticError)
"""What a run may raise whose rig file or scans this version cannot take."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Some lines and where the record stands after them."""

    lines: list[bytes]
    t_ns: int
    """Steady time of the last input in it."""
    full: bool
    """True where more may follow at once."""


class Batches:
    """Makes lines from a record. Belongs to one thread."""

    def __init__(
        self,
        folder: Path,
        every_ns: int,
        after: Place,
        *,
        block: int = BLOCK,
        to: Place | None = None,
    ) -> None:
        """Nothing is read yet.

        Args:
            folder: record folder.
            every_ns: one scan in so long gives lines; each where 0.
            after: up to here inputs of its run only bring the engine along and give no lines.
            block: the most scans read at once.
            to: the last input wanted; None: on and on.
        """
        self._unsealing = Unsealing(_PATIENCE_S)
        self._record = Record(folder, self._unsealing)
        self._every_ns, self._block = every_ns, block
        self._to, self._beyond = to, False
        self._times = WallTimes(Record(folder, Unsealing()))
        self._told: set[tuple[int, str]] = set()
        self._items: Iterator[Input] | None = None
        self.waiting = False
        """True while inputs wait for a plausible wall time."""
        self.reading = False
        """True while another process reads a sealed segment, and has nothing yet."""
        self.untimed = 0
        """Scans that no wall time can be told for; they are not sent."""
        self.skipped = 0
        """Runs of which something could not be read or used."""
        self._place, self._from = (after[0], -1), after
        self._engine: Engine | None = None
        self._start: Start | None = None
        self._slot: int | None = None
        self._event = 0

    # ------------------------------------------------------------- moving about

    @property
    def ended(self) -> bool:
        """True where nothing is left up to the last input wanted."""
        return self._to is not None and (self._beyond or self._place >= self._to)

    @property
    def place(self) -> Place:
        """The last input taken, sent or not."""
        return max(self._place, self._from)

    @property
    def bringing_along(self) -> bool:
        """True while inputs are read that give no lines."""
        return self._place < self._from

    @property
    def to(self) -> Place | None:
        """The last input wanted."""
        return self._to

    def end_at(self, to: Place, block: int) -> None:
        """Go on in blocks of so many scans and no further than to a place."""
        self._to, self._block, self._items, self._beyond = to, block, None, False

    def close(self) -> None:
        """Hold nothing open any more; it may be asked again all the same."""
        self._items = None
        self._unsealing.close()

    def skip_to(self, place: Place) -> None:
        """Give no lines up to a place in this run."""
        self._from = max(self._from, place)

    # ------------------------------------------------------------------ reading

    def next(self, hurry: Callable[[], bool] = lambda: False) -> Batch | None:
        """The next lines, perhaps none; None where nothing more is committed or all that is has to wait.

        Args:
            hurry: whether others wait by now; then what is made so far will do.

        Raises:
            StorageError: the record cannot be read now; begin again with another.
        """
        lines: list[bytes] = []
        t_ns = None
        for _ in range(_MOST_ITEMS):
            if len(lines) >= ENOUGH or (t_ns is not None and hurry()):
                break
            item = self._next_item()
            if item is None:
                return None if t_ns is None else Batch(lines=lines, t_ns=t_ns, full=False)
            taken = self._take(item)
            if taken is None:
                self._items = None
                return None if t_ns is None else Batch(lines=lines, t_ns=t_ns, full=False)
            lines += taken[0]
            t_ns = taken[1]
        return Batch(lines=lines, t_ns=t_ns or 0, full=True)

    def _next_item(self) -> Input | None:
        if self.ended:
            return None
        self._items = self._items or self._pass()
        self.reading = False
        try:
            item = next(self._items, None)
        except NotYetError:
            item, self.reading = None, True
        if item is None:
            self._items = None
        return item

    def _pass(self) -> Iterator[Input]:
        for item in undamaged(self._record, self._place, self._block, self._tell):
            wanted = item if self._to is None else _up_to(item, self._to)
            if wanted is None:
                self._beyond = True
                return
            yield wanted

    def _take(self, item: Input) -> tuple[list[bytes], int] | None:
        """Lines of an input and its steady time; None where it has to wait. Of a block, of as much as need not."""
        block = item if isinstance(item, Block) else None
        numbers, t_ns, utc_ns = _stamps(item)
        seen = _seen(item.run, numbers, self._from)
        known = self._wall_times(item, numbers[seen:], t_ns[seen:], utc_ns[seen:])
        self.waiting = len(known) < len(numbers) - seen
        ready = seen + len(known)
        if ready == 0:
            return None
        lines: list[bytes] = []
        for first, last in ((0, seen), (seen, ready)):
            if first == last:
                continue
            part = item if block is None else block.cut(first, last)
            labels = None if last == seen else known
            lines += self._feed(part, numbers[first:last], labels)
            self._place = (item.run, int(numbers[last - 1]))
        if self.waiting:
            self._items = None
        return lines, int(t_ns[ready - 1])

    def _wall_times(self, item: Input, numbers: Ints, t_ns: Ints, utc_ns: Ints) -> Ints:
        start = item if isinstance(item, Start) else self._start
        if not len(numbers) or start is None:
            return utc_ns
        return self._times.of(start.boot, (item.run, int(numbers[-1])), t_ns, utc_ns)

    # ------------------------------------------------------------------- making

    def _feed(self, item: Input, numbers: Ints, labels: Ints | None) -> list[bytes]:
        """Lines of one input, with its wall times; none without them."""
        if isinstance(item, Start):
            self._start, self._slot, self._event = item, None, 0
            self._begin_engine(item)
        lines: list[bytes] = []
        if self._engine is not None and not isinstance(item, Start):
            try:
                lines = self._made(self._engine, item, labels)
            except _UNUSABLE as error:
                self._give_up(item.run, error)
        if self._engine is None or labels is None:
            return []
        return lines + self._events(item.run, numbers, labels)

    def _made(self, engine: Engine, item: Block | Command | Gap, labels: Ints | None) -> list[bytes]:
        if isinstance(item, Block):
            return self._scans(engine, item, labels)
        engine.feed(item)
        return []

    def _begin_engine(self, start: Start) -> None:
        """A fresh engine for each run, so that its lines depend on nothing but the run."""
        engine = Engine()
        try:
            engine.feed(start)
            self._engine, self._lines = engine, Lines(engine.rig)
        except _UNUSABLE as error:
            self._give_up(start.run, error)

    def _give_up(self, run: int, error: Exception) -> None:
        self._engine = None
        self._say(run, f"cannot be used: {error!r}" if not isinstance(error, BrakewaterError) else str(error))

    def _tell(self, run: int, error: DamagedRecordError) -> None:
        self._say(run, str(error))

    def _say(self, run: int, why: str) -> None:
        if (run, why) not in self._told:
            self._told.add((run, why))
            self.skipped += 1
            _log.warning("mirror: run %d is left out from here on: %s", run, why)

    def _scans(self, engine: Engine, block: Block, labels: Ints | None) -> list[bytes]:
        at = self._on_grid(block.t_ns)
        before: tuple[AlarmNow, ...] = engine.alarms()
        outcome = engine.feed(block)
        if labels is None:
            return []
        told = labels[at] != NEVER
        self.untimed += int(np.count_nonzero(labels == NEVER))
        at = at[told]
        return self._lines.scans(outcome, at, labels[at], block.input[at], before) if len(at) else []

    def _on_grid(self, t_ns: Ints) -> Ints:
        """Positions of the scans that are sent: the first of each slot of the grid."""
        if not self._every_ns:
            return np.arange(len(t_ns))
        slots = t_ns // self._every_ns
        former = int(slots[0]) - 1 if self._slot is None else self._slot
        self._slot = int(slots[-1])
        return np.flatnonzero(slots != np.concatenate(([former], slots[:-1])))

    def _events(self, run: int, numbers: Ints, labels: Ints) -> list[bytes]:
        """Lines of the committed events of some inputs."""
        lines = []
        for event in self._committed_events(run, int(numbers[-1])):
            at = int(np.searchsorted(numbers, event.input))
            if event.input >= numbers[0] and (label := int(labels[at])) != NEVER:
                lines.append(self._lines.event(event, label))
        return lines

    def _committed_events(self, run: int, last: int) -> list[Event]:
        events: list[Event] = []
        try:
            with closing(self._record.events(after=(run, self._event))) as committed:  # type: ignore[type-var]
                for one in committed:
                    if one.event.run != run or one.event.input > last:
                        break
                    events.append(one.event)
        except DamagedRecordError as error:
            self._tell(run, error)
        self._event = events[-1].n if events else self._event
        return events


def _seen(run: int, numbers: Ints, upto: Place) -> int:
    """How many of a run's inputs lie before a place, itself included."""
    if run != upto[0]:
        return len(numbers) if run < upto[0] else 0
    return int(np.searchsorted(numbers, upto[1], side="right"))


def _up_to(item: Input, to: Place) -> Input | None:
    """What of an input or block lies up to a place; None where nothing does."""
    numbers, _, _ = _stamps(item)
    count = _seen(item.run, numbers, to)
    if count == 0:
        return None
    return item.cut(0, count) if isinstance(item, Block) else item


def _stamps(item: Input) -> tuple[Ints, Ints, Ints]:
    """[n] number, steady time and wall time of an input or of each scan of a block."""
    if isinstance(item, Block):
        return item.input, item.t_ns, item.utc_ns
    number, t_ns, utc_ns = np.array([[item.input], [item.t_ns], [item.utc_ns]], np.int64)
    return number, t_ns, utc_ns
