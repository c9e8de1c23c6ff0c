"""Stands in for the journal where the record folder cannot be written: the watch goes on, and says so."""

import time
from collections.abc import Sequence

from brakewater.record.backlog import Lost
from brakewater.record.journal import Figures
from brakewater.stream import Block, Command, Event, Gap, Start


class Unrecorded:
    """Takes everything and keeps nothing; its figures tell."""

    lost: Lost | None = None
    losses: Sequence[Lost] = ()

    def __init__(self, trouble: str = "") -> None:
        """Nothing yet; ``trouble`` says why, in words."""
        self.queued, self._trouble = 0, trouble
        self._first_ns: int | None = None
        """Monotonic time of the first input that was forgotten."""

    @property
    def commit_age_ns(self) -> int:
        """For how long nothing has been recorded, so that it is not the log alone that tells."""
        return 0 if self._first_ns is None else time.monotonic_ns() - self._first_ns

    def begin(self, start: Start, events: tuple[Event, ...] = (), *, wait_s: float = 10.0) -> None:
        """Forget a Start."""

    def append(self, item: Block | Command | Gap, _events: tuple[Event, ...] = ()) -> None:
        """Forget an input, but count it."""
        self._first_ns = self._first_ns or time.monotonic_ns()
        self.queued += len(item) if isinstance(item, Block) else 1

    def wait_committed(self, _timeout_s: float | None = None) -> bool:
        """Never: nothing is."""
        return False

    def figures(self) -> Figures:
        """All inputs stand as waiting; nothing is being recorded."""
        return Figures(
            commit_age_ns=self.commit_age_ns,
            queued=self.queued,
            commit_latency_ns=0,
            failures=1,
            losing=True,
            wal_bytes=0,
            lost=self.queued,
            trouble=self._trouble,
        )

    def close(self, timeout_s: float = 5.0) -> None:
        """Nothing to do."""
