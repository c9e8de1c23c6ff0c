"""How far each follower has read, in ``cursors.sqlite3`` beside the segments.

Followers deliver at least once, so a cursor may be behind but never ahead. Therefore nothing here is worth a failure:
what cannot be written stays in memory and is written with the next one; a damaged file is set aside and begun again.

Beside the cursors stands what tells the runs that were read from others of their numbers. Where the record was taken
away or replaced, or its end is gone, followers begin again with what they have not read (``settle``).
"""

import logging
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final, Self

from brakewater.errors import StorageError
from brakewater.record.marks import known_up_to, mark_of

_NAME = "cursors.sqlite3"
_TABLE = "CREATE TABLE IF NOT EXISTS cursors (name TEXT PRIMARY KEY, run INTEGER NOT NULL, number INTEGER NOT NULL)"
_SPANS = """
    CREATE TABLE IF NOT EXISTS spans (
      name TEXT NOT NULL, run INTEGER NOT NULL, number INTEGER NOT NULL, to_run INTEGER NOT NULL,
      to_number INTEGER NOT NULL
    )
"""
_MARKS = "CREATE TABLE IF NOT EXISTS marks (run INTEGER PRIMARY KEY, mark TEXT NOT NULL)"
_SET = "INSERT INTO cursors VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET run = excluded.run, number = excluded.number"

_log = logging.getLogger(__name__)

Place = tuple[int, int]
"""Run and number."""
Span = tuple[Place, Place]
"""What a follower still has to do: after the first place, up to the second."""
FOR_EVER: Final[Place] = (2**62, 2**62)
"""End of a span that goes on."""


class Cursors:
    """The cursors of one record folder; may be used from any thread."""

    def __init__(self, folder: Path) -> None:
        """Open or make the store.

        Raises:
            StorageError: the folder cannot be written.
        """
        self._folder, self._path = folder, folder / _NAME
        self._lock = threading.Lock()
        self._known: dict[str, Place] = {}
        self._spans: dict[str, tuple[Span, ...]] = {}
        self._marks: dict[int, str] = {}
        self._unwritten: set[str] = set()
        self.failures = 0
        self._base = self._opened()

    def _opened(self) -> sqlite3.Connection:
        try:
            return self._open()
        except sqlite3.OperationalError as error:
            raise StorageError(f"{self._path}: cannot be opened: {error}") from error
        except sqlite3.DatabaseError as error:
            _log.warning("%s: set aside, every follower begins again: %s", self._path, error)
            self._path.replace(self._path.with_suffix(".damaged"))
            return self._open()

    def _open(self) -> sqlite3.Connection:
        base = sqlite3.connect(self._path, isolation_level=None, check_same_thread=False)
        try:
            base.execute("PRAGMA journal_mode=TRUNCATE")
            base.execute("PRAGMA synchronous=FULL")  # less may leave a database that is none after a power cut
            base.execute(_TABLE)
            base.execute(_SPANS)
            for name, *row in base.execute("SELECT * FROM spans ORDER BY run, number"):
                self._spans[name] = (*self._spans.get(name, ()), ((row[0], row[1]), (row[2], row[3])))
            self._known = {name: (run, number) for name, run, number in base.execute("SELECT * FROM cursors")}
            # Made where the first is written: a full disk must not keep a file of an older version from being read.
            if base.execute("SELECT count(*) FROM sqlite_master WHERE name = 'marks'").fetchone()[0]:
                self._marks = dict(base.execute("SELECT * FROM marks"))
        except sqlite3.Error:
            base.close()
            raise
        return base

    def get(self, name: str) -> Place | None:
        """Run and number up to which a follower is done; None where it has not begun."""
        with self._lock:
            return self._known.get(name)

    def spans(self, name: str) -> tuple[Span, ...]:
        """What a follower still has to do where that is more than one stretch, in order; else nothing."""
        with self._lock:
            return self._spans.get(name, ())

    def set(self, name: str, cursor: Place, spans: tuple[Span, ...] = ()) -> None:
        """A follower is done up to this run and number; the record is needed from there on.

        Args:
            name: of the follower.
            cursor: run and number.
            spans: all it still has to do, where that is more than one stretch.
        """
        with self._lock:
            self._known[name], self._spans[name] = cursor, spans
            self._unwritten.add(name)
            try:
                self._write()
            except sqlite3.Error as error:
                self.failures += 1
                _log.warning("%s: %s", self._path, error)

    def _write(self) -> None:
        for name in sorted(self._unwritten):
            run = self._known[name][0]
            mark = self._new_mark(run)
            with self._together():
                if mark is not None:
                    self._base.execute(_MARKS)
                    self._base.execute("INSERT OR REPLACE INTO marks VALUES (?, ?)", (run, mark))
                self._put(name)
            self._unwritten.discard(name)
            if mark is not None:
                self._marks[run] = mark

    @contextmanager
    def _together(self) -> Iterator[None]:
        """All of it or nothing."""
        self._base.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._base.execute("COMMIT")
        except sqlite3.Error:
            if self._base.in_transaction:
                self._base.execute("ROLLBACK")
            raise

    def _put(self, name: str) -> None:
        self._base.execute(_SET, (name, *self._known[name]))
        self._base.execute("DELETE FROM spans WHERE name = ?", (name,))
        rows = [(name, *after, *to) for after, to in self._spans.get(name, ())]
        self._base.executemany("INSERT INTO spans VALUES (?, ?, ?, ?, ?)", rows)

    def _new_mark(self, run: int) -> str | None:
        """Of a run that has none yet; None also where it cannot be told now."""
        if run in self._marks or run >= FOR_EVER[0]:
            return None
        try:
            return mark_of(self._folder, run)
        except StorageError:
            return None

    def settle(self) -> None:
        """Hold all cursors against the record, before anything is recorded: none may stand beyond what was read of it.

        Raises:
            StorageError: the record cannot be listed.
        """
        with self._lock:
            last = known_up_to(self._folder, self._marks)
            ahead = sorted(name for name in self._known if last < self._newest_run(name) < FOR_EVER[0])
            back = (last, FOR_EVER[1]) if last and self._marks else None  # without marks only the number speaks
            if ahead:
                _log.warning(
                    "%s: the record is not the one that was read, or its end is gone: %s %s", self._folder,
                    ", ".join(ahead), f"go on after run {last}" if back else "begin again with all that is here",
                )  # fmt: skip
            self._marks = {run: mark for run, mark in self._marks.items() if run <= last}
            for name in ahead:
                self._turn_back(name, back)
            try:
                self._rewrite()
            except sqlite3.Error as error:
                self.failures += 1
                _log.warning("%s: %s", self._path, error)

    def _newest_run(self, name: str) -> int:
        return max([self._known[name], *(after for after, _ in self._spans.get(name, ()))])[0]

    def _turn_back(self, name: str, to: Place | None) -> None:
        """Let a follower be done up to a place and no further; None: it has not begun."""
        spans = self._spans.pop(name, ())
        del self._known[name]
        if to is None:
            return
        owed = tuple((after, min(end, to)) for after, end in spans[:-1] if after < to)
        self._known[name] = owed[0][0] if owed else to
        if owed:
            self._spans[name] = (*owed, (to, FOR_EVER))

    def _rewrite(self) -> None:
        """All of it anew, with the marks that are lacking: a file of an older version has none."""
        for run in {run for run, _ in self._known.values()}:
            mark = self._new_mark(run)
            if mark is not None:
                self._marks[run] = mark
        with self._together():
            self._base.execute(_MARKS)
            for table in ("cursors", "spans", "marks"):
                self._base.execute(f"DELETE FROM {table}")  # noqa: S608 - names of ours
            self._base.executemany("INSERT INTO marks VALUES (?, ?)", self._marks.items())
            for name in self._known:
                self._put(name)
        self._unwritten.clear()

    def close(self) -> None:
        """Write what is left, and close."""
        with self._lock:
            try:
                self._write()
            except sqlite3.Error as error:
                _log.warning("%s: %s", self._path, error)
            self._base.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
