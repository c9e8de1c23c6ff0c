"""The journal: takes every input and event in order and makes them durable, without ever holding up the watch.

    loop: begin(start)  append(item, events)  ...        -> Backlog (bounded)
    writer thread:                       group commit    <-

A group with an event, command or gap is committed at once and FULL; lone scans wait at most a second. Where the disk
fails the writer tries again for as long as it takes. Past the bound inputs are lost, and counted. Then, on each tick:

    if journal.lost is not None:                    # the disk is well again
        losses = journal.losses
        journal.begin(start of a new run with the live snapshot, wait_s=0)
        journal.append(Gap naming one), for each of losses

A segment that can never be written again (damaged, removed) is given up in the same way.
"""

import logging
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from brakewater.errors import Defect, StorageError
from brakewater.record.backlog import Backlog, Entry, Lost, RecordedEvent, Ticket
from brakewater.record.committer import Committer
from brakewater.record.documents import canonical, event_doc
from brakewater.record.lock import FolderLock
from brakewater.record.rights import check_rights
from brakewater.record.rows import Widths, rows_of, widths_of
from brakewater.record.segment import connect as connect_plainly
from brakewater.record.signing import Signer
from brakewater.record.writer import Committed, Connect, SegmentWriter
from brakewater.stream import Block, Command, Event, Gap, Start

BOUND = 600
"""Inputs and events that may wait by default: a minute at ten scans a second."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """How the journal does, for the device ``self``."""

    commit_age_ns: int
    """How long the oldest uncommitted input has waited; 0 where none does. Over a second is not normal."""
    queued: int
    commit_latency_ns: int
    """What the last commit took."""
    failures: int
    """Commits that failed since the journal was opened."""
    losing: bool
    """True while inputs are not being recorded."""
    wal_bytes: int
    lost: int = 0
    """Inputs that were not recorded since the journal was opened."""
    trouble: str = ""
    """What keeps it from recording, in words; empty where nothing does."""


class Journal:
    """The writing side of a record folder. All but figures and ``wait_committed`` belongs to one thread."""

    def __init__(
        self,
        folder: Path,
        *,
        on_commit: Callable[[Committed], None] | None = None,
        bound: int = BOUND,
        connect: Connect = connect_plainly,
        signer: Signer | None = None,
    ) -> None:
        """Lock the folder and start the writer thread.

        Args:
            folder: record folder; made where it is not there.
            on_commit: called in the writer thread after every commit.
            bound: inputs and events that may wait.
            connect: opens a connection for the writer.
            signer: signs the chain; None leaves it unsigned.

        Raises:
            StorageError: another process records here, or the folder or something in it cannot be written.
        """
        with ExitStack() as undo:
            self._lock = undo.enter_context(FolderLock(folder))
            check_rights(folder)
            self._writer = SegmentWriter(folder, connect, signer)
            undo.pop_all()
        self._backlog = Backlog(bound=bound)
        self._committer = Committer(self._backlog, self._writer, on_commit)
        self._run, self._next_input, self._next_event = 0, 0, 1
        self._widths: Widths | None = None

    def begin(self, start: Start, events: tuple[Event, ...] = (), *, wait_s: float = 10.0) -> None:
        """Open a new segment with its Start and what the engine made of that; the former segment is closed.

        Args:
            start: of a run later than all before.
            events: of the Start itself.
            wait_s: how long to wait until it is durable; 0 returns at once.

        Raises:
            StorageError: not durable in that time. It stays queued, so going on is allowed.
            UnicodeDecodeError: the snapshot is no text.
        """
        rows_of(start)
        self._run, self._next_input, self._next_event, self._widths = start.run, 0, 1, None
        ticket = Ticket()
        self._put(start, 0, 0, events, ticket)
        if wait_s > 0:
            self._await(ticket, start.run, wait_s)

    def _await(self, ticket: Ticket, run: int, wait_s: float) -> None:
        if not ticket.done.wait(wait_s):
            raise StorageError(
                f"run {run}: its start could not be made durable in {wait_s:g} s: {self._committer.trouble}"
            )
        if ticket.error is not None:
            raise ticket.error

    def append(self, item: Block | Command | Gap, events: tuple[Event, ...] = ()) -> None:
        """Queue an input or block with its events for one commit. Does not wait, and knows no trouble with the disk.

        Args:
            item: follows the last one without a hole.
            events: what the engine made of it.

        Raises:
            Defect: out of sequence, of another run or of other widths than before.
            TypeError: a command's argument is no JSON value.
        """
        if isinstance(item, Block):
            self._check_widths(item)
            self._put(item, int(item.input[0]), int(item.input[-1]), events)
        else:
            rows_of(item)  # what cannot be written is refused here, not in the writer thread
            self._put(item, item.input, item.input, events)

    def _check_widths(self, block: Block) -> None:
        widths = widths_of(block)
        if self._widths not in (None, widths):
            raise Defect(f"run {self._run}: scans of {widths} after {self._widths}")
        if int(block.input[-1] - block.input[0]) != len(block) - 1:
            raise Defect(f"run {self._run}: a block's inputs have a hole")
        self._widths = widths

    def _put(
        self,
        item: Start | Block | Command | Gap,
        first: int,
        last: int,
        events: tuple[Event, ...],
        ticket: Ticket | None = None,
    ) -> None:
        if item.run != self._run or first != self._next_input:
            raise Defect(f"input {item.run}.{first} after {self._run}.{self._next_input - 1}")
        recorded = self._recorded(events) if events else ()
        self._next_input, self._next_event = last + 1, self._next_event + len(events)
        self._backlog.put(Entry(item=item, first=first, last=last, events=recorded, ticket=ticket))

    def _recorded(self, events: tuple[Event, ...]) -> tuple[RecordedEvent, ...]:
        numbers = [event.n for event in events]
        if numbers != list(range(self._next_event, self._next_event + len(events))):
            raise Defect(f"run {self._run}: events {numbers} after {self._next_event - 1}")
        return tuple((event.n, event.input, canonical(event_doc(event))) for event in events)

    @property
    def lost(self) -> Lost | None:
        """Run, first and last input of a loss that is due to be told by a Gap; None where there is none (yet)."""
        return self._backlog.lost

    @property
    def losses(self) -> Sequence[Lost]:
        """All that a Gap has to tell when ``lost`` is not None: of a run, and of each after it that began in vain."""
        return self._backlog.losses

    def wait_committed(self, timeout_s: float | None = None) -> bool:
        """Have everything committed now; False where it could not be done in that time. For those who may wait."""
        return self._backlog.wait_empty(timeout_s)

    @property
    def commit_age_ns(self) -> int:
        """How long the oldest uncommitted input has waited; cheap enough for every scan."""
        return self._backlog.age_ns

    @property
    def queued(self) -> int:
        """Rows waiting; cheap enough for every scan."""
        return self._backlog.weight

    def figures(self) -> Figures:
        """How the journal does at this moment."""
        return Figures(
            commit_age_ns=self._backlog.age_ns,
            queued=self._backlog.weight,
            commit_latency_ns=self._committer.latency_ns,
            failures=self._committer.failures,
            losing=self._backlog.losing,
            wal_bytes=self._writer.wal_bytes,
            lost=self._backlog.lost_count,
            trouble=self._committer.trouble if self._committer.failing else "",
        )

    def close(self, timeout_s: float = 5.0) -> None:
        """Commit all, close the segment, give the folder free. What the disk will not take in that time is lost."""
        if not self._committer.close(timeout_s):
            _log.error(
                "closed with %d inputs and events not recorded: %s", self._backlog.weight, self._committer.trouble
            )
        self._lock.release()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
