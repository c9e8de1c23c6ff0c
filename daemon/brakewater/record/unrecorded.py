"""Stands in for the journal where the record folder cannot be written: the watch goes on, and says so."""

from brakewater.record.backlog import Lost
from brakewater.record.journal import Figures
from brakewater.stream import Block, Command, Event, Gap, Start


class Unrecorded:
    """Takes everything and keeps nothing; its figures tell."""

    lost: Lost | None = None

    commit_age_ns: int = 0

    def __init__(self) -> None:
        self.queued = 0

    def begin(self, start: Start, events: tuple[Event, ...] = (), *, wait_s: float = 10.0) -> None:
        """Forget a Start."""

    def append(self, item: Block | Command | Gap, _events: tuple[Event, ...] = ()) -> None:
        """Forget an input, but count it."""
        self.queued += len(item) if isinstance(item, Block) else 1

    def wait_committed(self, _timeout_s: float | None = None) -> bool:
        """Never: nothing is."""
        return False

    def figures(self) -> Figures:
        """All inputs stand as waiting; nothing is being recorded."""
        return Figures(
            commit_age_ns=0,
            queued=self.queued,
            commit_latency_ns=0,
            failures=1,
            losing=True,
            wal_bytes=0,
            lost=self.queued,
        )

    def close(self, timeout_s: float = 5.0) -> None:
        """Nothing to do."""
