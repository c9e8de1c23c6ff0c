"""The journal's disk: opens segments and commits groups, each whole or not at all. Used by one thread only.

A commit with anything but lone scans is FULL: it is on the platter when ``write`` returns, and every commit before it.
So is one of lone scans five seconds after the last such one. Those with more than lone scans, and one a minute, are
signed where there is a key, and only they may be shown outside as heads of the chain: what someone else holds is then
never ahead of what a power cut leaves.
Any failure may simply be answered by ``let_go`` and the same ``write`` again; a commit that had got through in spite
of its error is found by its hash and not doubled.
"""

import logging
import os
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from brakewater.errors import StorageError
from brakewater.record import chain
from brakewater.record.backlog import Entry, RecordedEvent
from brakewater.record.durable import sync_folder
from brakewater.record.rights import check_rights
from brakewater.record.rows import Row, Widths, packed, rows_of, widths_of
from brakewater.record.sealed.layout import sealed_paths
from brakewater.record.sealed.manifest import read_manifest
from brakewater.record.segment import (
    SCHEMA,
    TABLES,
    BusyRecordError,
    Head,
    NewerRecordError,
    head_of,
    hot_folder,
    is_begun,
    remove_segment,
    segment_path,
    segment_runs,
    sync_segment,
)
from brakewater.record.signing import Signature, Signer
from brakewater.stream import Block, Start

Connect = Callable[[Path], sqlite3.Connection]

WAL_IDLE_BYTES = 1 << 20
"""A WAL that holds about more than this is folded into the file when nothing waits."""
WAL_LIMIT_BYTES = 16 << 20
"""A WAL that holds about more than this is folded in at once."""
_PAGE = 4096
_PAGES = 4
"""That a commit writes anew beside the rows themselves: the ends of its tables and of their index."""

FULL_NS = 60_000_000_000
"""Scans wait no longer than this for a commit that is signed and may be shown outside."""
SYNC_NS = 5_000_000_000
"""Nor longer than this for one that is on the platter: so much, and a second, a power cut takes at most."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Committed:
    """A commit group, now in the record for good."""

    run: int
    commit_no: int
    first_input: int
    last_input: int
    first_event: int | None
    last_event: int | None
    hash: str
    durable: bool
    """Survives a power cut, and may be shown outside."""
    synced: bool
    """It was FULL, as durable ones are. One that was not survives with the next that is."""
    signature: Signature | None = None

    @property
    def head(self) -> Head:
        """The head of the chain that it makes."""
        return Head(run=self.run, commit_no=self.commit_no, hash=self.hash)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Group:
    """All that one commit writes."""

    rows: list[Row]
    events: list[RecordedEvent]
    widths: Widths | None
    digest: str
    sums: bytes
    committed: Committed


class SegmentWriter:
    """Writes the segments of one record folder."""

    def __init__(self, folder: Path, connect: Connect, signer: Signer | None = None) -> None:
        self._folder = folder
        self._connect = connect
        self._signer = signer
        self._base: sqlite3.Connection | None = None
        self._mode = ""
        """What the connection was last told of how to sync."""
        self._before: Head | None = None
        self._head: Head | None = None
        self._knows_head = False
        self._run = 0
        self._file = ""
        """Of the run being written."""
        self._widths: Widths | None = None
        self._in_doubt = False
        self._full_t_ns = self._synced_t_ns = 0
        self._unfolded = 0
        """Bytes, about, that the WAL holds and the file does not: the WAL keeps its size when it is folded in."""
        self._unsigned = False
        with suppress(BusyRecordError):  # the first write asks again
            self._look_for_head()

    def write(self, entries: Sequence[Entry]) -> Committed:
        """Commit entries as one group; a Start opens its segment and is a group by itself.

        Raises:
            sqlite3.OperationalError, OSError, BusyRecordError: the disk is full or failing; may pass.
            Exception: anything else will not pass by trying again.
        """
        self._look_for_head()
        first = entries[0].item
        if isinstance(first, Start):
            self._turn_to(first.run)
        group = self._group(entries)
        base = self._connection()
        if not (self._in_doubt and self._stands(base, group)):
            self._insert(base, group)
        self._advance(group)
        return group.committed

    def _look_for_head(self) -> None:
        if not self._knows_head:
            self._head = self._before = newest_head(self._folder)
            self._knows_head = True

    def let_go(self) -> None:
        """Drop the connection after a failure; what was not committed is rolled back."""
        self._in_doubt = True
        base, self._base = self._base, None
        try:
            if base is not None:
                base.close()
        except sqlite3.Error as error:
            _log.warning("%s: %s", self._file, error)

    def fold(self, *, idle: bool) -> None:
        """Fold the WAL into the file where it has grown. A reader at work only makes it wait for the next time."""
        if self._base is not None and self._unfolded > (WAL_IDLE_BYTES if idle else WAL_LIMIT_BYTES):
            _, pages, folded = self._base.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
            self._unfolded = (pages - folded) * _PAGE

    def close(self) -> None:
        """Leave the segment as one plain file, without WAL unless a reader still uses it."""
        if self._base is None:
            return
        try:
            self._sync(self._base, "FULL")
            self._sign_the_end(self._base)
            self._base.execute("PRAGMA journal_mode=DELETE")
        except sqlite3.Error as error:  # nothing is lost: the WAL stays beside the file
            _log.info("%s: keeps its WAL: %s", self._file, error)
        self.let_go()

    def _sign_the_end(self, base: sqlite3.Connection) -> None:
        if self._signer is not None and self._unsigned and self._head is not None:
            _insert_signature(base, self._signer.sign(self._head))
            self._unsigned = False

    @property
    def wal_bytes(self) -> int:
        """Size of the WAL."""
        try:
            return os.stat(f"{self._file}-wal").st_size  # noqa: PTH116 - read often
        except OSError:
            return 0

    @property
    def _commits(self) -> int:
        return self._head.commit_no if self._head and self._head.run == self._run else 0

    def _turn_to(self, run: int) -> None:
        if run == self._run:
            return  # another try
        if (
            run < self._run
            or any(is_begun(segment_path(self._folder, old)) for old in segment_runs(self._folder) if old >= run)
            or max(sealed_paths(self._folder), default=0) >= run
        ):
            raise StorageError(f"{segment_path(self._folder, run)}: run {run} is recorded already; begin a later one")
        self.close()
        remove_segment(segment_path(self._folder, run))  # never begun: nothing was committed to it
        self._settle_before()
        self._run, self._before, self._widths, self._in_doubt = run, self._head, None, False
        self._file = str(segment_path(self._folder, run))

    def _settle_before(self) -> None:
        """What the new run follows must not be lost where the new run is not.

        The run before may end with scans that were never synced: its writer was killed, or a reader kept it from
        closing.
        """
        if self._head is None:
            return
        try:
            sync_segment(segment_path(self._folder, self._head.run))
        except OSError as error:  # to go on recording is worth more than proof of the last scans before
            _log.warning("%s: its last scans may not survive a power cut: %s", self._file, error)

    def _group(self, entries: Sequence[Entry]) -> _Group:
        rows = [row for entry in entries for row in rows_of(entry.item)]
        events = [event for entry in entries for event in entry.events]
        bodies, parts = [body for _, _, body in events], [packed(row) for row in rows]
        scans = [entry.item for entry in entries if isinstance(entry.item, Block)]
        widths, digest = widths_of(scans[0]) if scans else None, chain.inputs_digest(parts)
        first, last = rows[0][0], rows[-1][0]
        link = chain.link(
            prev=self._head.hash if self._head else chain.GENESIS,
            run=self._run,
            first_input=first,
            last_input=last,
            widths=widths,
            digest=digest,
            events=bodies,
        )
        durable = any(entry.urgent for entry in entries) or rows[-1][2] - self._full_t_ns >= FULL_NS
        committed = Committed(
            run=self._run,
            first_input=first,
            last_input=last,
            commit_no=self._commits + 1,
            first_event=events[0][0] if events else None,
            last_event=events[-1][0] if events else None,
            hash=link,
            durable=durable,
            synced=durable or rows[-1][2] - self._synced_t_ns >= SYNC_NS,
        )
        return _Group(
            rows=rows,
            events=events,
            widths=widths,
            digest=digest,
            sums=chain.sums(parts + bodies),
            committed=self._signed(committed),
        )

    def _signed(self, committed: Committed) -> Committed:
        if self._signer is None or not committed.durable:
            return committed
        return replace(committed, signature=self._signer.sign(committed.head))

    def _connection(self) -> sqlite3.Connection:
        if self._commits:
            self._look_for_file()
        if self._base is None:
            hot_folder(self._folder).mkdir(parents=True, exist_ok=True)
            sync_folder(self._folder)  # also where it was there: whoever made it may have been killed before this
            self._base, self._mode = self._connect(Path(self._file)), ""
            self._base.execute("PRAGMA journal_mode=WAL")
            self._base.execute("PRAGMA wal_autocheckpoint=0")
            self._base.execute(f"PRAGMA journal_size_limit={4 * WAL_IDLE_BYTES}")
            self._unfolded = self.wal_bytes
        return self._base

    def _look_for_file(self) -> None:
        try:
            os.stat(self._file)  # noqa: PTH116 - asked at every commit
        except (FileNotFoundError, NotADirectoryError):
            raise StorageError(f"{self._file}: was removed while it was being written") from None

    def rights(self) -> str:
        """What this user may not use in the record folder, and what mends it; nothing where it is not that."""
        try:
            check_rights(self._folder)
        except StorageError as error:
            return str(error)
        return ""

    def _stands(self, base: sqlite3.Connection, group: _Group) -> bool:
        if base.execute("SELECT count(*) FROM sqlite_master").fetchone() == (0,):
            return False
        number = group.committed.commit_no
        found = base.execute("SELECT hash FROM commits WHERE commit_no = ?", (number,)).fetchone()
        if found is None:
            return False
        if found != (group.committed.hash,):
            raise StorageError(f"{self._file}: commit {number} was written by someone else")
        # After a failed fsync only writing the pages anew makes them durable.
        self._sync(base, "FULL")
        base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return True

    def _insert(self, base: sqlite3.Connection, group: _Group) -> None:
        self._sync(base, "FULL" if group.committed.synced else "NORMAL")
        base.execute("BEGIN IMMEDIATE")
        if group.committed.commit_no == 1:
            self._lay_out(base)
        if group.widths and not self._widths:
            counts = {"words": group.widths.words, "points": group.widths.points, "devices": group.widths.devices}
            base.executemany("INSERT INTO meta VALUES (?, ?)", counts.items())
        base.executemany("INSERT INTO inputs VALUES (?, ?, ?, ?, ?)", group.rows)
        if group.events:
            base.executemany("INSERT INTO events VALUES (?, ?, ?)", group.events)
        made = group.committed
        base.execute(
            "INSERT INTO commits VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (
                made.commit_no,
                made.first_input,
                made.last_input,
                made.first_event,
                made.last_event,
                group.digest,
                group.sums,
                made.hash,
            ),
        )
        if made.signature is not None:
            _insert_signature(base, made.signature)
        base.execute("COMMIT")
        if made.commit_no == 1:
            sync_folder(hot_folder(self._folder))

    def _sync(self, base: sqlite3.Connection, mode: str) -> None:
        if mode != self._mode:
            base.execute(f"PRAGMA synchronous={mode}")
            self._mode = mode

    def _lay_out(self, base: sqlite3.Connection) -> None:
        for statement in TABLES.split(";"):
            base.execute(statement)
        before = self._before
        meta = {
            "schema": SCHEMA,
            "run": self._run,
            "prev_run": before.run if before else 0,
            "prev_hash": before.hash if before else chain.GENESIS,
        }
        base.executemany("INSERT INTO meta VALUES (?, ?)", meta.items())

    def _advance(self, group: _Group) -> None:
        made = group.committed
        self._head, self._unsigned = made.head, made.signature is None
        if made.durable:
            self._full_t_ns = group.rows[-1][2]
        if made.synced:
            self._synced_t_ns = group.rows[-1][2]
        self._widths = self._widths or group.widths
        self._unfolded += _PAGES * _PAGE + sum(len(row[4]) for row in group.rows) + sum(len(e[2]) for e in group.events)
        self._in_doubt = False


def _insert_signature(base: sqlite3.Connection, made: Signature) -> None:
    base.execute("INSERT INTO signatures VALUES (?, ?, ?)", (made.commit_no, made.key, made.signature))


def newest_head(folder: Path) -> Head | None:
    """Where the chain of the record stands, by the newest segment that can be read; None for an empty record.

    Raises:
        BusyRecordError: the newest one cannot be read at this moment. To go on from an older one would fork the chain.
        NewerRecordError: a newer version wrote it.
    """
    hot, sealed = _newest_hot(folder), _newest_sealed(folder)
    return max((head for head in (hot, sealed) if head is not None), key=lambda head: head.run, default=None)


def _newest_hot(folder: Path) -> Head | None:
    for run in reversed(segment_runs(folder)):
        try:
            head = head_of(folder, run)
        except (BusyRecordError, NewerRecordError):
            raise
        except StorageError as error:
            _log.error("the chain cannot go on from this segment: %s", error)
            continue
        if head is not None:
            return head
    return None


def _newest_sealed(folder: Path) -> Head | None:
    for path in reversed(list(sealed_paths(folder).values())):
        try:
            return read_manifest(path).head
        except StorageError as error:
            _log.error("the chain cannot go on from this segment: %s", error)
    return None
