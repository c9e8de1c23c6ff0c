"""Reading a record: what is committed, in order, while it is being written or years later, hot and sealed as one.

Damage is reported only after all that is whole before it was given. ``verify`` looks deeper.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TypeVar

from brakewater.errors import DamagedRecordError, StorageError
from brakewater.record.documents import event_of, parse
from brakewater.record.hot import MALFORMED, hot_events, hot_inputs, hot_others
from brakewater.record.layouts import hot_widths, with_layout
from brakewater.record.places import Place, places_of
from brakewater.record.rows import Row, Widths, inputs_of, joined
from brakewater.record.sealed.apart import Unsealing
from brakewater.record.sealed.manifest import read_manifest
from brakewater.record.sealed.read import Sealed
from brakewater.record.segment import Head, NewerRecordError, head_of, last_commit, reading
from brakewater.stream import Block, Event, Input, Start

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True, kw_only=True)
class CommittedEvent:
    """An event with the hash of the commit it is part of."""

    event: Event
    hash: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """What a run covers."""

    run: int
    from_utc_ns: int
    """Earliest wall time: a label, see ``Start``."""
    to_utc_ns: int
    """Latest wall time."""
    last_utc_ns: int
    """Wall time of the last input, earlier than the latest where the clock was set back; of a sealed run the latest."""
    last_input: int
    sealed: bool
    path: Path
    """File or folder of its segment."""


class Record:
    """The reading side of a record folder. Holds nothing open between calls; any number of them, in any thread."""

    def __init__(self, folder: Path, unsealing: Unsealing | None = None) -> None:
        """Nothing is read yet.

        Args:
            folder: record folder, or a case file.
            unsealing: reads the inputs of sealed segments in another process; None: they are read here.
        """
        self._folder, self._unsealing = folder, unsealing
        self._places = places_of(folder)

    @property
    def folder(self) -> Path:
        """Where it is."""
        return self._folder

    def runs(self) -> list[int]:
        """Runs that began, in order; damaged ones too, but none whose Start was never committed.

        Raises:
            StorageError: the folder cannot be read.
        """
        return list(self._places.begun())

    def next_run(self) -> int:
        """A number that no run had; 1 for an empty record."""
        return max(self.runs(), default=0) + 1

    def head(self) -> Head | None:
        """Where the chain stands: the last commit of the last run; None for an empty record.

        Raises:
            DamagedRecordError: the last segment cannot be read.
        """
        found = self._places.begun()
        if not found:
            return None
        newest = found[max(found)]
        return read_manifest(newest.path).head if newest.sealed else head_of(self._folder, newest.run)

    def newest(self) -> tuple[tuple[int, int], int] | None:
        """Run and input of the last input committed, and its steady time; None for an empty record.

        Raises:
            StorageError: the last segment cannot be read.
        """
        found = self._places.begun()
        if not found:
            return None
        place = found[max(found)]
        if place.sealed:
            manifest = read_manifest(place.path)
            return (place.run, manifest.last_input), manifest.last_t_ns
        with reading(place.path) as base:
            row = base.execute("SELECT input, t_ns FROM inputs ORDER BY input DESC LIMIT 1").fetchone()
        return None if row is None else ((place.run, int(row[0])), int(row[1]))

    def spans(self, from_utc_ns: int | None = None, to_utc_ns: int | None = None) -> list[Span]:
        """What each run covers, in order; only those that touch the window where one is given.

        A run that cannot be read is left out; reading it will say why.

        Args:
            from_utc_ns: begin of the window in wall time.
            to_utc_ns: its end.

        Raises:
            StorageError: the folder cannot be read.
        """
        found = []
        for place in self._places.begun().values():
            span = self._span(place)
            if (
                span is not None
                and (from_utc_ns is None or span.to_utc_ns >= from_utc_ns)
                and (to_utc_ns is None or span.from_utc_ns <= to_utc_ns)
            ):
                found.append(span)
        return found

    def unreadable(self, from_utc_ns: int | None = None, to_utc_ns: int | None = None) -> dict[int, str]:
        """Run -> why nothing can be said of it: what ``spans`` leaves out and, by its neighbours, may touch the window.

        Args:
            from_utc_ns: begin of the window in wall time.
            to_utc_ns: its end.

        Raises:
            StorageError: the folder cannot be read.
        """
        found, waiting, before = dict[int, str](), dict[int, str](), None
        for place in self._places.begun().values():
            span = self._span(place)
            if span is None:
                if before is None or to_utc_ns is None or before.to_utc_ns <= to_utc_ns:
                    waiting[place.run] = self._why(place.run)
                continue
            if from_utc_ns is None or span.from_utc_ns >= from_utc_ns:
                found |= waiting
            waiting, before = {}, span
        return found | waiting

    def _why(self, run: int) -> str:
        try:
            next(self.inputs(from_run=run, to_run=run), None)
        except StorageError as error:
            return str(error)
        return "nothing committed in it can be read"

    def inputs(
        self,
        from_run: int | None = None,
        after: tuple[int, int] | None = None,
        block: int = 8192,
        to_run: int | None = None,
    ) -> Iterator[Input]:
        """Committed inputs in order, up to what is committed when the end is reached.

        Args:
            from_run: first run wanted; the oldest where None.
            after: run and input of the last one already seen.
            block: the most scans in one block.
            to_run: last run wanted; the newest where None.

        Yields:
            Start, Block (consecutive scans), Command, Gap.

        Raises:
            DamagedRecordError: after all that is whole before the damage; names file and row. The next run may be fine.
        """
        seen_run, seen = after or (from_run or 0, -1)
        for run in self._wanted(max(seen_run, from_run or 0), to_run):
            yield from self._inputs(run, seen if run == seen_run else -1, block)

    def events(self, after: tuple[int, int] | None = None, to_run: int | None = None) -> Iterator[CommittedEvent]:
        """Committed events in order.

        Args:
            after: run and n of the last one already seen.
            to_run: last run wanted; the newest where None.

        Raises:
            DamagedRecordError: after all that is whole before the damage; names file and event.
        """
        seen_run, seen = after or (0, 0)
        for run in self._wanted(seen_run, to_run):
            yield from self._events(run, seen if run == seen_run else 0)

    def others(self, run: int) -> list[Input]:
        """The Start, commands and gaps of a run, without its scans, which are most of it.

        Raises:
            StorageError: they cannot be read.
        """
        rows = list(self._steady(run, _others))
        try:
            return list(inputs_of(run, rows, None))
        except MALFORMED as error:
            raise DamagedRecordError(f"run {run}: starts and commands: {error!r}") from error

    def tail(self) -> tuple[Start, Iterator[Input]] | None:
        """What a restart needs: the Start of the last run and the inputs after it; None for an empty record.

        Raises:
            DamagedRecordError: the Start cannot be read; the iterator raises where an input cannot.
        """
        runs = self.runs()
        if not runs:
            return None
        rest = self.inputs(from_run=runs[-1])
        start = next(rest, None)
        if not isinstance(start, Start):
            place = self._places.of(runs[-1])
            raise DamagedRecordError(f"{place.path if place else runs[-1]}: input 0 is no start")
        return start, rest

    # ---------------------------------------------------------------- inside

    def _wanted(self, first: int, last: int | None) -> list[int]:
        return [run for run in self.runs() if run >= first and (last is None or run <= last)]

    def _inputs(self, run: int, seen: int, block: int) -> Iterator[Input]:
        def of(place: Place) -> Iterator[Input]:
            if not place.sealed:
                items = hot_inputs(place.path, run, seen, block)
            elif self._unsealing is not None:
                items = self._unsealing.inputs(place.path, seen, block)
            else:
                items = joined(Sealed(place.path).inputs(seen, block), block)
            return (with_layout(item, partial(_widths, place)) for item in items)

        for item in self._steady(run, of):
            seen = int(item.input[-1]) if isinstance(item, Block) else item.input
            yield item

    def _events(self, run: int, seen: int) -> Iterator[CommittedEvent]:
        def of(place: Place) -> Iterator[CommittedEvent]:
            for n, body, chain_hash in _bodies(place, seen):
                try:
                    yield CommittedEvent(event=event_of(parse(body)), hash=chain_hash)
                except MALFORMED as error:
                    raise DamagedRecordError(f"{place.path}: event {n}: {error!r}") from error

        for one in self._steady(run, of):
            seen = one.event.n
            yield one

    def _steady(self, run: int, of: Callable[[Place], Iterator[_T]]) -> Iterator[_T]:
        """What is read of a run, going on in its sealed segment where its hot file goes away meanwhile."""
        place = self._places.of(run)
        while place is not None:
            try:
                yield from of(place)
            except StorageError:
                now = self._places.of(run)
                if place.sealed or now is None or not now.sealed:
                    raise
                place = now
            else:
                return
        raise StorageError(f"{self._folder}: run {run} is no longer there")

    def _span(self, place: Place) -> Span | None:
        try:
            if not place.sealed:
                return _hot_span(place)
            manifest = read_manifest(place.path)
        except NewerRecordError:
            raise
        except StorageError:
            now = None if place.sealed else self._places.of(place.run)
            return self._span(now) if now is not None and now.sealed else None
        return Span(
            run=place.run,
            from_utc_ns=manifest.from_utc_ns,
            to_utc_ns=manifest.to_utc_ns,
            last_utc_ns=manifest.to_utc_ns,
            last_input=manifest.last_input,
            sealed=True,
            path=place.path,
        )


def _hot_span(place: Place) -> Span | None:
    with reading(place.path) as base:
        last = last_commit(base)
        # a hot one is a day at most: its ends will do
        ends = "SELECT utc_ns FROM inputs WHERE input IN (0, ?) ORDER BY input"
        labels = [utc_ns for (utc_ns,) in base.execute(ends, (last[1],))] if last else []
    if last is None or not labels:
        return None
    return Span(
        run=place.run,
        from_utc_ns=min(labels),
        to_utc_ns=max(labels),
        last_utc_ns=labels[-1],
        last_input=last[1],
        sealed=False,
        path=place.path,
    )


def _widths(place: Place) -> Widths | None:
    return read_manifest(place.path).widths if place.sealed else hot_widths(place.path)


def _others(place: Place) -> Iterator[Row]:
    return iter(Sealed(place.path).others() if place.sealed else hot_others(place.path))


def _bodies(place: Place, after: int) -> Iterator[tuple[int, bytes, str]]:
    if not place.sealed:
        yield from hot_events(place.path, after)
        return
    sealed, seen = Sealed(place.path), after
    for n, body, chain_hash in sealed.events(after):
        yield n, body, chain_hash
        seen = n
    if seen < sealed.manifest.events:
        raise DamagedRecordError(f"{place.path}: events {seen + 1} to {sealed.manifest.events} are missing")
