"""How far each follower has read, in ``cursors.sqlite3`` beside the segments.

Followers deliver at least once, so a cursor may be behind but never ahead. Therefore nothing here is worth a failure:
what cannot be written stays in memory and is written with the next one; a damaged file is set aside and begun again.
"""

import logging
import sqlite3
import threading
from pathlib import Path
from typing import Self

from brakewater.errors import StorageError

_NAME = "cursors.sqlite3"
_TABLE = "CREATE TABLE IF NOT EXISTS cursors (name TEXT PRIMARY KEY, run INTEGER NOT NULL, number INTEGER NOT NULL)"
_SET = "INSERT INTO cursors VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET run = excluded.run, number = excluded.number"

_log = logging.getLogger(__name__)


class Cursors:
    """The cursors of one record folder; may be used from any thread."""

    def __init__(self, folder: Path) -> None:
        """Open or make the store.

        Raises:
            StorageError: the folder cannot be written.
        """
        self._path = folder / _NAME
        self._lock = threading.Lock()
        self._known: dict[str, tuple[int, int]] = {}
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
            base.execute("PRAGMA synchronous=NORMAL")
            base.execute(_TABLE)
            self._known = {name: (run, number) for name, run, number in base.execute("SELECT * FROM cursors")}
        except sqlite3.Error:
            base.close()
            raise
        return base

    def get(self, name: str) -> tuple[int, int] | None:
        """Run and number up to which a follower is done; None where it has not begun."""
        with self._lock:
            return self._known.get(name)

    def set(self, name: str, cursor: tuple[int, int]) -> None:
        """A follower is done up to this run and number."""
        with self._lock:
            self._known[name] = cursor
            self._unwritten.add(name)
            try:
                self._write()
            except sqlite3.Error as error:
                self.failures += 1
                _log.warning("%s: %s", self._path, error)

    def _write(self) -> None:
        for name in sorted(self._unwritten):
            self._base.execute(_SET, (name, *self._known[name]))
            self._unwritten.discard(name)

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
