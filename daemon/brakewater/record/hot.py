"""Reading a hot segment: what is committed, in order, while it is being written.

Statements are short and paged by key, so that no reader ever holds the WAL. Every page is checked for holes; damage is
reported only after all that is whole before it was given.
"""

import json
import sqlite3
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from brakewater.errors import DamagedRecordError, StorageError
from brakewater.record.rows import Row, Widths, block_of, inputs_of, joined
from brakewater.record.segment import last_commit, read_widths, reading, told
from brakewater.stream import Block, Input

MALFORMED = (ValueError, TypeError, KeyError, OverflowError, AttributeError, struct.error, json.JSONDecodeError)
"""What decoding a row that is not ours may raise."""

_PAGE = 1024
"""Rows fetched and decoded together: few enough to stay in the processor's cache."""
_FEWEST_SCANS = 64
"""Below it rows are as quick."""
_EVENTS_PAGE = 1024
_NO_BOUND = 2**63 - 1


def hot_inputs(path: Path, run: int, after: int, block: int) -> Iterator[Input]:
    """Committed inputs beyond ``after``, up to what is committed when the end is reached.

    Args:
        path: file of the segment.
        run: its run.
        after: last input already seen; -1 for all.
        block: the most scans in one block.

    Raises:
        DamagedRecordError: after all that is whole before the damage; names file and row.
    """
    return joined(_inputs(path, run, after, block), block)


def hot_rows(path: Path) -> Iterator[Row]:
    """Every committed input as the row that was hashed.

    Raises:
        DamagedRecordError: after all that is whole before the damage.
    """
    with reading(path) as base:
        seen = -1
        while True:
            rows, end, damage = _page(base, path, seen, _PAGE)
            yield from rows
            if damage is not None:
                raise damage
            seen = rows[-1][0] if rows else seen
            if seen >= end:
                return


def hot_others(path: Path) -> list[Row]:
    """Committed starts, commands and gaps, without the scans, which are most of it.

    Raises:
        DamagedRecordError: they cannot be read.
    """
    with reading(path) as base:
        try:
            last = last_commit(base)
            query = (
                "SELECT input, kind, t_ns, utc_ns, body FROM inputs"
                " WHERE kind IN ('start', 'command', 'gap') AND input <= ? ORDER BY input"
            )
            return base.execute(query, (last[1] if last else -1,)).fetchall()
        except sqlite3.Error as error:
            raise told(error, path, "starts and commands") from error


def _inputs(path: Path, run: int, seen: int, block: int) -> Iterator[Input]:
    with reading(path) as base:
        widths: Widths | None = None
        while True:
            widths = widths or _widths(base, path)
            while widths is not None and (scans := _scans(base, run, seen, block, widths)) is not None:
                yield scans
                seen = int(scans.input[-1])
            rows, end, damage = _page(base, path, seen, min(block, _PAGE))
            widths = widths or _widths(base, path)
            items, malformed = _decoded(path, run, rows, widths)
            yield from items
            if (wrong := malformed or damage) is not None:
                raise wrong
            seen = rows[-1][0] if rows else seen
            if seen >= end:
                return


_SCANS = """
    SELECT sum(kind = 'scan' AND length(body) = ? AND t_ns = (t_ns | 0) AND utc_ns = (utc_ns | 0)),
        group_concat(t_ns), group_concat(utc_ns), group_concat(hex(body), '')
    FROM (SELECT * FROM inputs WHERE input > ? AND input <= ? ORDER BY input)
"""


def _scans(base: sqlite3.Connection, run: int, seen: int, most: int, widths: Widths) -> Block | None:
    """The next scans put together by SQLite itself, far quicker than row by row.

    None where they are few, or where anything but whole scans stands among them: then rows tell what it is.
    """
    try:
        last = last_commit(base)
        end = min(last[1] if last else -1, seen + most)
        if end - seen < _FEWEST_SCANS:
            return None
        whole, t_ns, utc_ns, bodies = base.execute(_SCANS, (widths.dtype.itemsize, seen, end)).fetchone()
    except sqlite3.Error:
        return None
    if whole != end - seen:
        return None
    t, utc = (np.fromstring(text, np.int64, sep=",") for text in (t_ns, utc_ns))
    return block_of(run, np.arange(seen + 1, end + 1), t, utc, bytes.fromhex(bodies), widths)


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


def hot_events(path: Path, after: int) -> Iterator[tuple[int, bytes, str]]:
    """Number, body and hash of the commit of each committed event beyond number ``after``.

    Raises:
        DamagedRecordError: after all that is whole before the damage; names file and event.
    """
    seen = after
    with reading(path) as base:
        while True:
            end = base.execute(_LAST_EVENT).fetchone()[0]
            rows, damage = _taken(base, path, _EVENTS, (seen, end, _EVENTS_PAGE))
            for n, body, chain_hash in rows:
                if n != seen + 1:
                    raise DamagedRecordError(f"{path}: event {seen + 1} is missing")
                if chain_hash is None:
                    raise DamagedRecordError(f"{path}: event {n}: is in no commit")
                yield n, body, chain_hash
                seen = n
            if damage is not None:
                raise damage
            if seen >= end:
                return
            if not rows:
                raise DamagedRecordError(f"{path}: events {seen + 1} to {end} are missing")
