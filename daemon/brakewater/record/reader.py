"""Reading a record: what is committed, in order, while it is being written or years later.

Statements are short and paged by key, so that no reader ever holds the WAL. Every page is checked for holes; damage is
reported only after all that is whole before it was given. ``verify`` looks deeper.
"""

import json
import sqlite3
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from brakewater.errors import DamagedRecordError, StorageError
from brakewater.record.documents import event_of, parse
from brakewater.record.rows import Row, Widths, inputs_of, joined
from brakewater.record.segment import (
    Head,
    head_of,
    is_begun,
    last_commit,
    read_widths,
    reading,
    segment_path,
    segment_runs,
    told,
)
from brakewater.stream import Event, Input, Start

MALFORMED = (ValueError, TypeError, KeyError, OverflowError, AttributeError, struct.error, json.JSONDecodeError)
"""What decoding a row that is not ours may raise."""

_PAGE = 1024
"""Rows fetched and decoded together: few enough to stay in the processor's cache."""
_EVENTS_PAGE = 1024
_NO_BOUND = 2**63 - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class CommittedEvent:
    """An event with the hash of the commit it is part of."""

    event: Event
    hash: str


class Record:
    """The reading side of a record folder. Holds nothing open between calls; any number of them, in any thread."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def runs(self) -> list[int]:
        """Runs that began, in order; damaged ones too. Only the newest file may be one whose Start was never committed.

        Raises:
            StorageError: the folder cannot be read.
        """
        runs = segment_runs(self._folder)
        while runs and not is_begun(segment_path(self._folder, runs[-1])):
            runs.pop()
        return runs

    def next_run(self) -> int:
        """A number that no run had; 1 for an empty record."""
        return max(self.runs(), default=0) + 1

    def head(self) -> Head | None:
        """Where the chain stands: the last commit of the last run; None for an empty record.

        Raises:
            DamagedRecordError: the last segment cannot be read.
        """
        runs = self.runs()
        return head_of(self._folder, runs[-1]) if runs else None

    def newest(self) -> tuple[tuple[int, int], int] | None:
        """Run and input of the last input committed, and its steady time; None for an empty record.

        Raises:
            StorageError: the last segment cannot be read.
        """
        runs = self.runs()
        if not runs:
            return None
        with reading(segment_path(self._folder, runs[-1])) as base:
            row = base.execute("SELECT input, t_ns FROM inputs ORDER BY input DESC LIMIT 1").fetchone()
        return None if row is None else ((runs[-1], int(row[0])), int(row[1]))

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
        for run in self.runs():
            if run >= max(seen_run, from_run or 0) and (to_run is None or run <= to_run):
                path = segment_path(self._folder, run)
                yield from joined(_inputs(path, run, seen if run == seen_run else -1, block), block)

    def events(self, after: tuple[int, int] | None = None, to_run: int | None = None) -> Iterator[CommittedEvent]:
        """Committed events in order.

        Args:
            after: run and n of the last one already seen.
            to_run: last run wanted; the newest where None.

        Raises:
            DamagedRecordError: after all that is whole before the damage; names file and event.
        """
        seen_run, seen = after or (0, 0)
        for run in self.runs():
            if run >= seen_run and (to_run is None or run <= to_run):
                yield from _events(segment_path(self._folder, run), seen if run == seen_run else 0)

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
            raise DamagedRecordError(f"{segment_path(self._folder, runs[-1])}: input 0 is no start")
        return start, rest


def _inputs(path: Path, run: int, seen: int, block: int) -> Iterator[Input]:
    with reading(path) as base:
        widths: Widths | None = None
        while True:
            rows, end, damage = _page(base, path, seen, min(block, _PAGE))
            widths = widths or _widths(base, path)
            items, malformed = _decoded(path, run, rows, widths)
            yield from items
            if (wrong := malformed or damage) is not None:
                raise wrong
            seen = rows[-1][0] if rows else seen
            if seen >= end:
                return


def _widths(base: sqlite3.Connection, path: Path) -> Widths | None:
    try:
        return read_widths(base)
    except MALFORMED as error:
        raise DamagedRecordError(f"{path}: meta: {error}") from error


def _decoded(
    path: Path, run: int, rows: list[Row], widths: Widths | None
) -> tuple[list[Input], DamagedRecordError | None]:
    """Inputs of the rows up to the first that is none, and what is wrong with that one."""
    try:
        return list(inputs_of(run, rows, widths)), None
    except MALFORMED:
        for at, row in enumerate(rows):
            try:
                list(inputs_of(run, [row], widths))
            except MALFORMED as error:
                return list(inputs_of(run, rows[:at], widths)), DamagedRecordError(f"{path}: input {row[0]}: {error!r}")
        raise


def _page(base: sqlite3.Connection, path: Path, seen: int, limit: int) -> tuple[list[Row], int, StorageError | None]:
    """Rows after ``seen`` without a hole, the last committed input, and what is wrong after these rows."""
    end, damage = _end(base, path)
    query = "SELECT input, kind, t_ns, utc_ns, body FROM inputs WHERE input > ? AND input <= ? ORDER BY input LIMIT ?"
    rows, cut = _taken(base, path, query, (seen, end, limit))
    whole = _without_hole(rows, seen)
    if whole < len(rows):
        return rows[:whole], end, DamagedRecordError(f"{path}: input {seen + 1 + whole} is missing")
    if cut is not None:
        return rows, end, cut
    if not rows and seen < end:
        return rows, end, damage or DamagedRecordError(f"{path}: inputs {seen + 1} to {end} are missing")
    return rows, end, damage if len(rows) < limit else None


def _without_hole(rows: list[Row], seen: int) -> int:
    """How many rows from the first follow ``seen`` one by one."""
    if [row[0] for row in rows] == list(range(seen + 1, seen + 1 + len(rows))):
        return len(rows)
    return next(at for at, row in enumerate(rows) if row[0] != seen + 1 + at)


def _end(base: sqlite3.Connection, path: Path) -> tuple[int, StorageError | None]:
    """The last committed input; where that cannot be told, no bound and the reason."""
    try:
        last = last_commit(base)
    except sqlite3.Error as error:
        return _NO_BOUND, told(error, path, "commits")
    return (-1, DamagedRecordError(f"{path}: no commits")) if last is None else (last[1], None)


def _taken(
    base: sqlite3.Connection, path: Path, query: str, args: tuple[int, ...]
) -> tuple[list[Any], StorageError | None]:
    """Rows of a query as far as they can be read, and what stopped it."""
    rows: list[Any] = []
    try:
        rows.extend(base.execute(query, args))  # keeps what came before an error
    except sqlite3.Error as error:
        return rows, told(error, path, f"unreadable after row {rows[-1][0] if rows else args[0]}")
    return rows, None


_EVENTS = """
    SELECT n, body, (SELECT hash FROM commits WHERE last_event >= n ORDER BY last_event LIMIT 1)
    FROM events WHERE n > ? AND n <= ? ORDER BY n LIMIT ?
"""
_LAST_EVENT = "SELECT coalesce(max(last_event), 0) FROM commits WHERE last_event IS NOT NULL"


def _events(path: Path, seen: int) -> Iterator[CommittedEvent]:
    with reading(path) as base:
        while True:
            end = base.execute(_LAST_EVENT).fetchone()[0]
            rows, damage = _taken(base, path, _EVENTS, (seen, end, _EVENTS_PAGE))
            for n, body, chain_hash in rows:
                yield _event(path, seen + 1, n, body, chain_hash)
                seen = n
            if damage is not None:
                raise damage
            if seen >= end:
                return
            if not rows:
                raise DamagedRecordError(f"{path}: events {seen + 1} to {end} are missing")


def _event(path: Path, due: int, n: int, body: bytes, chain_hash: str | None) -> CommittedEvent:
    if n != due:
        raise DamagedRecordError(f"{path}: event {due} is missing")
    try:
        if chain_hash is None:
            raise ValueError("is in no commit")
        return CommittedEvent(event=event_of(parse(body)), hash=chain_hash)
    except MALFORMED as error:
        raise DamagedRecordError(f"{path}: event {n}: {error!r}") from error
