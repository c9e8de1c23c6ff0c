"""The journal's thread: takes groups from the backlog, commits them, and never dies of a disk."""

import logging
import sqlite3
import threading
import time
from collections.abc import Callable, Sequence

from brakewater.errors import StorageError
from brakewater.record.backlog import Backlog, Entry
from brakewater.record.segment import BusyRecordError
from brakewater.record.writer import Committed, SegmentWriter

_FIRST_WAIT_S, _LONGEST_WAIT_S = 0.05, 2.0

_log = logging.getLogger(__name__)


def may_pass(error: Exception) -> bool:
    """True where trying again makes sense: disk full, input/output errors, locks; not damage, not our own defects."""
    if isinstance(error, OSError | BusyRecordError):
        return True
    # SQLITE_ERROR is a statement that can never work, for example on a table that is not there.
    return isinstance(error, sqlite3.OperationalError) and getattr(error, "sqlite_errorname", "") != "SQLITE_ERROR"


class Committer:
    """Runs ``SegmentWriter`` in a thread of its own."""

    def __init__(self, backlog: Backlog, writer: SegmentWriter, on_commit: Callable[[Committed], None] | None) -> None:
        self.failures = 0
        self.latency_ns = 0
        self.trouble = "no answer from the disk yet"
        """What was last wrong, in words."""
        self._backlog = backlog
        self._writer = writer
        self._on_commit = on_commit
        self.failing = False
        """Since the last attempt."""
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, name="journal", daemon=True)
        self._thread.start()

    def close(self, timeout_s: float) -> bool:
        """Commit what waits and end; False where the disk did not take it in that time."""
        self._backlog.close()
        self._thread.join(timeout_s)
        in_time = not self._thread.is_alive()
        self._stop.set()
        self._thread.join(_LONGEST_WAIT_S)
        return in_time

    def _work(self) -> None:
        while (group := self._backlog.next_group()) and self._settle(group):
            pass
        self._writer.close()

    def _settle(self, group: Sequence[Entry]) -> bool:
        """Commit a group however long it takes; False where told to stop."""
        wait_s = _FIRST_WAIT_S
        while (error := self._attempt(group)) is not None:
            self._writer.let_go()
            if not may_pass(error):
                self._give_up(group[0], error)
                return True
            if self._stop.wait(wait_s):
                return False
            wait_s = min(2 * wait_s, _LONGEST_WAIT_S)
        return True

    def _attempt(self, group: Sequence[Entry]) -> Exception | None:
        began = time.monotonic_ns()
        try:
            committed = self._writer.write(group)
        except Exception as error:  # noqa: BLE001 - whatever it is, the watch goes on
            self._note(error)
            return error
        self.latency_ns = time.monotonic_ns() - began
        self._backlog.drop(len(group))
        self._recovered()
        self._tell(group[0], committed)
        self._fold()
        return None

    def _note(self, error: Exception) -> None:
        self.failures += 1
        self.trouble = self._writer.rights() or f"{type(error).__name__}: {error}"
        if not self.failing:
            _log.error("the record cannot be written, trying on: %s", self.trouble)
        self.failing = True

    def _recovered(self) -> None:
        if self.failing:
            _log.warning("the record is being written again")
        self.failing = False

    def _give_up(self, entry: Entry, error: Exception) -> None:
        _log.error("run %d will not be recorded further: %s", entry.item.run, error)
        self._backlog.abandon_run()
        if entry.ticket is not None:
            entry.ticket.error = error if isinstance(error, StorageError) else StorageError(self.trouble)
            entry.ticket.done.set()

    def _tell(self, entry: Entry, committed: Committed) -> None:
        if entry.ticket is not None:
            entry.ticket.done.set()
        if self._on_commit is None:
            return
        try:
            self._on_commit(committed)
        except Exception:  # noqa: BLE001 - a listener's defect is not the record's
            _log.exception("on_commit failed")

    def _fold(self) -> None:
        try:
            self._writer.fold(idle=self._backlog.weight == 0)
        except (sqlite3.Error, OSError) as error:  # all is committed; only the WAL is larger than it might be
            self._note(error)
            self._writer.let_go()
