"""What a segment, hot or sealed, shows of itself to whoever checks it: rows, events, chain, signatures."""

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from brakewater.record.rows import Row, Widths
from brakewater.record.segment import Head, read_meta, read_widths, reading
from brakewater.record.signing import Signature

EventRow = tuple[int, int, bytes]
"""n, input, canonical JSON"""


@dataclass(frozen=True, slots=True, kw_only=True)
class CommitEntry:
    """A commit group as the chain has it."""

    number: int
    first_input: int
    last_input: int
    first_event: int | None
    last_event: int | None
    digest: str | None
    """Of its inputs; None where it is not kept."""
    sums: bytes
    sum_bytes: int = 4
    """How much is kept of each sum."""
    hash: str | None
    """None where it is not kept, and follows from the rows."""


class Evidence(Protocol):
    """One segment. All that it gives comes as recorded; nothing of it is believed.

    Any method may raise StorageError, sqlite3.DatabaseError or what decoding damaged bytes raises.
    """

    @property
    def file(self) -> str:
        """What to name when something is wrong."""
        ...

    def meta(self) -> Mapping[str, int | str]:
        """run, prev_run, prev_hash."""
        ...

    def widths(self) -> Widths | None:
        """Layout of a scan; None without scans."""
        ...

    def commits(self) -> Iterator[CommitEntry]:
        """In order."""
        ...

    def rows(self, first: int, last: int) -> list[Row]:
        """Inputs from first to last, as many as there are, in order."""
        ...

    def events(self, first: int, last: int) -> list[EventRow]:
        """Events from first to last, as many as there are, in order."""
        ...

    def rest(self, what: str, due: int) -> tuple[int, int]:
        """How many ``inputs`` or ``events`` there are from number ``due`` on, and the last of them."""
        ...

    def signatures(self) -> Mapping[int, Signature]:
        """Commit number -> signature over the head that it makes."""
        ...

    def file_complaints(self) -> Iterator[tuple[str, str]]:
        """Asked before anything is read: files that are not what they were, each a name and what is wrong."""
        ...

    def worked_out(self) -> int:
        """Columns that were worked out when it was sealed, which no commit covers."""
        ...

    def complaints(self) -> Iterator[tuple[str, str]]:
        """Asked at the end: what else is not as it says itself, each a place and what is wrong."""
        ...

    @property
    def head(self) -> Head | None:
        """The last commit as the segment says itself; None where only its commits tell."""
        ...


class HotEvidence:
    """A hot segment."""

    def __init__(self, path: Path, base: sqlite3.Connection) -> None:
        self.file = str(path)
        self._base = base

    def meta(self) -> Mapping[str, int | str]:
        """The table ``meta``."""
        return read_meta(self._base)

    def widths(self) -> Widths | None:
        """From ``meta``."""
        return read_widths(self._base)

    def commits(self) -> Iterator[CommitEntry]:
        """The table ``commits``, page by page."""
        query = """
            SELECT commit_no, first_input, last_input, first_event, last_event, inputs_digest, sums, hash
            FROM commits WHERE commit_no > ? ORDER BY commit_no LIMIT 512
        """
        seen = 0
        while rows := self._base.execute(query, (seen,)).fetchall():
            yield from map(_entry, rows)
            seen = rows[-1][0]

    def rows(self, first: int, last: int) -> list[Row]:
        """From the table ``inputs``."""
        query = "SELECT input, kind, t_ns, utc_ns, body FROM inputs WHERE input BETWEEN ? AND ? ORDER BY input"
        return self._base.execute(query, (first, last)).fetchall()

    def events(self, first: int, last: int) -> list[EventRow]:
        """From the table ``events``."""
        query = "SELECT n, input, body FROM events WHERE n BETWEEN ? AND ? ORDER BY n"
        return self._base.execute(query, (first, last)).fetchall()

    def rest(self, what: str, due: int) -> tuple[int, int]:
        """Rows that no commit has."""
        query = {
            "inputs": "SELECT count(*), coalesce(max(input), 0) FROM inputs WHERE input >= ?",
            "events": "SELECT count(*), coalesce(max(n), 0) FROM events WHERE n >= ?",
        }[what]
        count, last = self._base.execute(query, (due,)).fetchone()
        return count, last

    def signatures(self) -> Mapping[int, Signature]:
        """The table ``signatures``."""
        return signatures_in(self._base)

    def file_complaints(self) -> Iterator[tuple[str, str]]:
        """Nothing is known of the file as a whole."""
        return iter(())

    def worked_out(self) -> int:
        """It has rows alone."""
        return 0

    def complaints(self) -> Iterator[tuple[str, str]]:
        """Nothing but its commits."""
        return iter(())

    @property
    def head(self) -> Head | None:
        """Its commits tell."""
        return None


def signatures_in(base: sqlite3.Connection) -> dict[int, Signature]:
    """Signatures of a hot segment; none in one of a version that had none."""
    if not base.execute("SELECT count(*) FROM sqlite_master WHERE name = 'signatures'").fetchone()[0]:
        return {}
    rows = base.execute("SELECT commit_no, key, signature FROM signatures").fetchall()
    return {
        number: Signature(commit_no=number, key=str(key), signature=str(signature)) for number, key, signature in rows
    }


def _entry(row: tuple[int, int, int, int | None, int | None, str, bytes, str]) -> CommitEntry:
    number, first_input, last_input, first_event, last_event, digest, sums, link = row
    return CommitEntry(
        number=number,
        first_input=first_input,
        last_input=last_input,
        first_event=first_event,
        last_event=last_event,
        digest=digest,
        sums=sums,
        hash=link,
    )


@contextmanager
def hot_evidence(path: Path) -> Iterator[Evidence]:
    """A hot segment, open for checking.

    Raises:
        StorageError: it cannot be read, also in the midst.
    """
    with reading(path) as base:
        yield HotEvidence(path, base)
