"""Proof that a record is unaltered since it was written: sequence numbers and chain, and where they do not fit.

What is proved is consistency. Whoever rewrites a record may hash it anew throughout; only a signature or a head kept
elsewhere shows that, and the report gives the head to hold against one.
"""

import sqlite3
import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from brakewater.errors import StorageError
from brakewater.record import chain
from brakewater.record.documents import gap_of, parse
from brakewater.record.reader import MALFORMED, Record
from brakewater.record.rows import Row, Widths, packed
from brakewater.record.segment import Head, read_meta, read_widths, reading, segment_path
from brakewater.stream import Gap


@dataclass(frozen=True, slots=True, kw_only=True)
class Altered:
    """One place where the record is not what was written."""

    file: str
    place: str
    """For example ``input 17``, ``events 3 to 5``, ``commit 12``."""
    says: str

    def __str__(self) -> str:
        return f"{self.file}: {self.place}: {self.says}"


@dataclass(slots=True, kw_only=True)
class Report:
    """What verification found."""

    runs: int = 0
    inputs: int = 0
    events: int = 0
    commits: int = 0
    gaps: list[Gap] = field(default_factory=list)
    altered: list[Altered] = field(default_factory=list)
    head: Head | None = None

    @property
    def verdict(self) -> Literal["consistent", "broken"]:
        """``consistent`` where nothing is altered."""
        return "broken" if self.altered else "consistent"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Commit:
    number: int
    first_input: int
    last_input: int
    first_event: int | None
    last_event: int | None
    digest: str
    sums: bytes
    hash: str


def verify(folder: Path) -> Report:
    """Check all hot segments of a record folder.

    Raises:
        StorageError: the folder cannot be read.
    """
    report = Report()
    for run in Record(folder).runs():
        _Segment(segment_path(folder, run), run, report).check()
    return report


class _Segment:
    """The check of one segment; adds to the report."""

    def __init__(self, path: Path, run: int, report: Report) -> None:
        self._path, self._run, self._report = path, run, report
        self._next_input, self._next_event, self._next_commit = 0, 1, 1
        self._before: tuple[str, ...] = ()
        """Hashes the next commit may follow: as recorded and as computed."""

    def check(self) -> None:
        """Check it all, as far as it can be read."""
        self._report.runs += 1
        try:
            with reading(self._path) as base:
                widths = self._check_meta(base)
                for commit in _commits(base):
                    self._check_commit(base, commit, widths)
                self._check_rest(base)
        except (StorageError, *MALFORMED) as error:
            self._blame(f"after input {self._next_input - 1} (commit {self._next_commit - 1})", f"unreadable: {error}")

    def _blame(self, place: str, says: str) -> None:
        self._report.altered.append(Altered(file=str(self._path), place=place, says=says))

    def _check_meta(self, base: sqlite3.Connection) -> Widths | None:
        meta, known = read_meta(base), self._report.head
        link = str(meta.get("prev_hash"))
        if meta.get("run") != self._run:
            self._blame("meta", f"says run {meta.get('run')}")
        if self._report.runs > 1 and (known is None or link != known.hash):
            self._blame(
                "meta", f"follows run {meta.get('prev_run')} at {link[:16]}, which is not how the run before ends"
            )
        self._before = (link,)
        return read_widths(base)

    def _check_commit(self, base: sqlite3.Connection, commit: _Commit, widths: Widths | None) -> None:
        self._check_sequence(commit)
        blamed = len(self._report.altered)
        rows, events = self._rows(base, commit), self._events(base, commit)
        parts = {row[0] - commit.first_input: _packed(row) for row in rows}
        digest = chain.inputs_digest(list(parts.values()))
        after = commit.last_input - commit.first_input + 1
        parts |= {after + n - (commit.first_event or 0): body for n, body in events}
        hashes = self._hashes(commit, rows, events, digest, widths)
        told = (commit.digest, commit.sums) == (digest, chain.sums(list(parts.values())))
        linked = commit.hash in hashes
        if not linked:
            self._name(commit, parts)
        # Where the commit before is missing nothing can be said of the link, only of the rows.
        if len(self._report.altered) == blamed and not (told and (linked or not hashes)):
            rows_fit = "; its inputs fit their digest" if digest == commit.digest else ""
            self._blame(f"commit {commit.number}", f"its entry, its place or the widths were changed{rows_fit}")
        self._count(commit, rows, events, hashes)

    def _hashes(
        self, commit: _Commit, rows: list[Row], events: list[tuple[int, bytes]], digest: str, widths: Widths | None
    ) -> list[str]:
        scans = any(row[1] == "scan" for row in rows)
        return [
            chain.link(
                prev=prev,
                run=self._run,
                first_input=commit.first_input,
                last_input=commit.last_input,
                widths=widths if scans else None,
                digest=digest,
                events=[body for _, body in events],
            )
            for prev in self._before
        ]

    def _name(self, commit: _Commit, parts: Mapping[int, bytes]) -> None:
        """Name the rows of a commit that are not what they were, as the sums tell."""
        after = commit.last_input - commit.first_input + 1
        for at in chain.odd_ones(parts, commit.sums):
            place = (
                f"input {commit.first_input + at}" if at < after else f"event {(commit.first_event or 0) + at - after}"
            )
            self._blame(place, "changed")

    def _check_sequence(self, commit: _Commit) -> None:
        if commit.number != self._next_commit:
            self._blame(f"commits {self._next_commit} to {commit.number - 1}", "missing")
            self._before = ()  # what this one follows cannot be told
        if commit.first_input != self._next_input:
            self._blame(f"inputs {self._next_input} to {commit.first_input - 1}", "in no commit")

    def _rows(self, base: sqlite3.Connection, commit: _Commit) -> list[Row]:
        span = (commit.first_input, commit.last_input)
        query = "SELECT input, kind, t_ns, utc_ns, body FROM inputs WHERE input BETWEEN ? AND ? ORDER BY input"
        rows = base.execute(query, span).fetchall()
        self._check_present("input", [row[0] for row in rows], *span)
        return rows

    def _events(self, base: sqlite3.Connection, commit: _Commit) -> list[tuple[int, bytes]]:
        if commit.first_event is None or commit.last_event is None:
            return []
        span = (commit.first_event, commit.last_event)
        rows = base.execute("SELECT n, input, body FROM events WHERE n BETWEEN ? AND ? ORDER BY n", span).fetchall()
        self._check_present("event", [row[0] for row in rows], *span)
        for n, number, body in rows:
            if not _is_of(body, self._run, number, n):
                self._blame(f"event {n}", "its columns and its document differ")
        return [(n, body) for n, _, body in rows]

    def _check_present(self, what: str, numbers: Sequence[int], first: int, last: int) -> None:
        for number in sorted(set(range(first, last + 1)) - set(numbers)):
            self._blame(f"{what} {number}", "missing")

    def _count(self, commit: _Commit, rows: list[Row], events: list[tuple[int, bytes]], hashes: list[str]) -> None:
        self._next_input, self._next_commit = commit.last_input + 1, commit.number + 1
        self._next_event = (commit.last_event or self._next_event - 1) + 1
        self._before = tuple({commit.hash, *hashes})
        report = self._report
        report.inputs, report.events, report.commits = (
            report.inputs + len(rows),
            report.events + len(events),
            report.commits + 1,
        )
        report.gaps.extend(
            gap_of(self._run, number, t_ns, utc_ns, body) for number, kind, t_ns, utc_ns, body in rows if kind == "gap"
        )
        report.head = Head(run=self._run, commit_no=commit.number, hash=commit.hash)

    def _check_rest(self, base: sqlite3.Connection) -> None:
        for what, query, due in (
            ("inputs", "SELECT count(*), max(input) FROM inputs WHERE input >= ?", self._next_input),
            ("events", "SELECT count(*), max(n) FROM events WHERE n >= ?", self._next_event),
        ):
            count, last = base.execute(query, (due,)).fetchone()
            if count:
                self._blame(f"{what} {due} to {last}", "in no commit")


def _commits(base: sqlite3.Connection) -> Iterator[_Commit]:
    query = """
        SELECT commit_no, first_input, last_input, first_event, last_event, inputs_digest, sums, hash
        FROM commits WHERE commit_no > ? ORDER BY commit_no LIMIT 512
    """
    seen = 0
    while rows := base.execute(query, (seen,)).fetchall():
        for number, first_input, last_input, first_event, last_event, digest, sums, link in rows:
            yield _Commit(
                number=number,
                first_input=first_input,
                last_input=last_input,
                first_event=first_event,
                last_event=last_event,
                digest=digest,
                sums=sums,
                hash=link,
            )
        seen = rows[-1][0]


def _packed(row: Row) -> bytes:
    try:
        return packed(row)
    except (struct.error, KeyError, TypeError):
        return b""  # holds what no row has, so no hash can fit


def _is_of(body: bytes, run: int, number: int, n: int) -> bool:
    try:
        doc = parse(body)
    except MALFORMED:
        return False
    return (doc.get("run"), doc.get("input"), doc.get("n")) == (run, number, n)
