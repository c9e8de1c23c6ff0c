"""What waits for the disk: a bounded queue in memory, and the account of what did not fit.

The loop puts, the writer thread looks and takes away what is durable. Past the bound whole entries are refused, and
from the first refusal on all of that run, because a run has no holes: what was lost is one range, first to last.
"""

import threading
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from brakewater.errors import StorageError
from brakewater.stream import Block, Command, Gap, Start

GROUP_NS = 1_000_000_000
"""Longest wait of a lone scan for its commit."""
GROUP_WEIGHT = 8192
"""Scans, commands, gaps and events in one commit, if entries are smaller than that."""
FIRST_PAUSE_NS, LONGEST_PAUSE_NS = 1_000_000_000, 64_000_000_000
"""Between two runs that cannot begin: each begins off-delays anew, and an alarm must be able to go out; assumptions."""

RecordedEvent = tuple[int, int, bytes]
"""n, input, canonical JSON"""
Lost = tuple[int, int, int]
"""run, first and last input"""


@dataclass(slots=True, kw_only=True)
class Ticket:
    """What became of a Start, for whoever waits for it."""

    done: threading.Event = field(default_factory=threading.Event)
    error: StorageError | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Entry:
    """An input or block with its events: what must be committed together."""

    item: Start | Block | Command | Gap
    first: int
    last: int
    events: tuple[RecordedEvent, ...] = ()
    ticket: Ticket | None = None
    """Only with a Start."""
    at_ns: int = field(default_factory=time.monotonic_ns)

    @property
    def weight(self) -> int:
        """Rows it will take."""
        return self.last - self.first + 1 + len(self.events)

    @property
    def urgent(self) -> bool:
        """True where it must be durable at once: all but scans without events."""
        return bool(self.events) or not isinstance(self.item, Block)


class Backlog:
    """The queue between the loop and the writer thread."""

    def __init__(self, *, bound: int) -> None:
        self._bound = bound
        self._plenty = min(GROUP_WEIGHT, max(1, bound // 2))  # enough for a commit before its time
        self._entries: deque[Entry] = deque()
        self._weight = 0
        self._urgent = 0
        self._changed = threading.Condition()
        self._closing = False
        self._hurry = 0
        self._losing: Lost | None = None
        self.lost_count = 0
        """Inputs that were not recorded, since the journal was opened."""
        self._due: list[Lost] = []
        self._given_up_ns, self._pause_ns, self._next_ns = 0, 0, 0
        """Since when runs are given up, or 0; how long a further one is put off, and until when."""

    def put(self, entry: Entry) -> None:
        """Queue an entry, or count it as lost. Never waits for the disk. A Start always finds room."""
        with self._changed:
            item = entry.item
            if isinstance(item, Start):
                self._turn_over()
            elif self._losing or self._weight >= self._bound:
                self._lose(item.run, entry.first, entry.last)
                return
            if isinstance(item, Gap):
                self._settle((item.lost_run, item.lost_first, item.lost_last))
            self._entries.append(entry)
            self._weight += entry.weight
            self._urgent += entry.urgent
            if entry.urgent or len(self._entries) == 1 or self._weight >= self._plenty:
                self._changed.notify_all()

    def _lose(self, run: int, first: int, last: int) -> None:
        known = self._losing
        self.lost_count += last - first + 1
        self._losing = (run, min(first, known[1]), max(last, known[2])) if known else (run, first, last)

    def _turn_over(self) -> None:
        if self._losing:
            self._due.append(self._losing)
            self._losing = None

    def _settle(self, lost: Lost) -> None:
        if lost in self._due:
            self._due.remove(lost)

    def next_group(self) -> Sequence[Entry]:
        """Entries for one commit, a Start by itself; they stay queued until ``drop``. Waits; empty when all is done."""
        with self._changed:
            while (wait_s := self._wait_s()) != 0:
                self._changed.wait(wait_s)
            return self._group()

    def _wait_s(self) -> float | None:
        if self._closing or self._urgent or (self._hurry and self._entries) or self._weight >= self._plenty:
            return 0
        if not self._entries:
            return None
        return max(0, self._entries[0].at_ns + GROUP_NS - time.monotonic_ns()) / 1e9

    def _group(self) -> list[Entry]:
        group: list[Entry] = []
        weight = 0
        for entry in self._entries:
            starts = isinstance(entry.item, Start)
            if group and (starts or weight + entry.weight > GROUP_WEIGHT):
                break
            group.append(entry)
            weight += entry.weight
            if starts:
                break
        return group

    def drop(self, count: int) -> None:
        """Forget the first entries: they are durable."""
        with self._changed:
            for _ in range(count):
                self._forget(self._entries.popleft())
            self._given_up_ns, self._pause_ns = 0, 0
            self._changed.notify_all()

    def abandon_run(self) -> None:
        """Count as lost whatever waits of the run at the front: its segment can never be written again."""
        with self._changed:
            run = self._entries[0].item.run
            self._put_off(self._entries[0])
            lost: Lost | None = None
            while self._entries and self._entries[0].item.run == run:
                entry = self._entries.popleft()
                self._forget(entry)
                if isinstance(entry.item, Gap):  # what it tells is still to be told
                    self._due.append((entry.item.lost_run, entry.item.lost_first, entry.item.lost_last))
                lost = (run, lost[1] if lost else entry.first, entry.last)
            self._account(lost, newer_run=bool(self._entries))
            self._changed.notify_all()

    def _put_off(self, failed: Entry) -> None:
        self._given_up_ns = self._given_up_ns or failed.at_ns
        if isinstance(failed.item, Start):  # the first time at once: a later run may be all that is wanted
            self._next_ns = time.monotonic_ns() + self._pause_ns
            self._pause_ns = min(max(2 * self._pause_ns, FIRST_PAUSE_NS), LONGEST_PAUSE_NS)

    def _account(self, lost: Lost | None, *, newer_run: bool) -> None:
        if lost is None:
            return
        if not newer_run:
            self._lose(*lost)
            return
        self.lost_count += lost[2] - lost[1] + 1
        known = [due for due in self._due if due[0] == lost[0]]
        self._due = [due for due in self._due if due[0] != lost[0]]
        self._due.append((lost[0], lost[1], max(due[2] for due in [lost, *known])))

    def _forget(self, entry: Entry) -> None:
        self._weight -= entry.weight
        self._urgent -= entry.urgent

    def close(self) -> None:
        """Let the writer take what is left, and end."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()

    def wait_empty(self, timeout_s: float | None) -> bool:
        """Have all committed now; True once nothing waits, False after the time."""
        with self._changed:
            self._hurry += 1
            self._changed.notify_all()
            try:
                return self._changed.wait_for(lambda: not self._entries, timeout=timeout_s)
            finally:
                self._hurry -= 1

    @property
    def lost(self) -> Lost | None:
        """A loss to be told now that nothing waits and so the disk is well: what the next Gap has to name."""
        with self._changed:
            if self._entries or time.monotonic_ns() < self._next_ns:
                return None
            return self._due[0] if self._due else self._losing

    @property
    def losses(self) -> Sequence[Lost]:
        """All that is to be told, in the order of runs."""
        with self._changed:
            return sorted([*self._due, *([self._losing] if self._losing else [])])

    @property
    def losing(self) -> bool:
        """True while inputs are refused."""
        return self._losing is not None

    @property
    def weight(self) -> int:
        """Rows waiting."""
        return self._weight

    @property
    def age_ns(self) -> int:
        """How long the oldest entry has waited, or nothing has been written since runs are given up; else 0."""
        with self._changed:
            since_ns = self._given_up_ns or (self._entries[0].at_ns if self._entries else 0)
            return time.monotonic_ns() - since_ns if since_ns else 0
