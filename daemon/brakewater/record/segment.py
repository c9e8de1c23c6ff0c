"""A hot segment: one run, one SQLite file in WAL mode, for any tool that reads SQLite.

meta      key, value     schema, run, prev_run, prev_hash and the widths of a scan (words, points, devices)
inputs    input, kind, t_ns, utc_ns, body       scans packed (rows.py), all else canonical JSON
events    n, input, body                        canonical JSON
commits   commit_no, first_input, ... hash      the chain (chain.py); a row is written with the rows it covers
signatures   commit_no, key, signature          over heads of the chain (signing.py), where there is a key
"""

import logging
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from brakewater.errors import DamagedRecordError, StorageError, WrongRecordError, plainly
from brakewater.record.durable import sync_file
from brakewater.record.rows import Widths

SCHEMA = 1
APPLICATION_ID = 0x42524B57
"""Marks a file as ours for ``file`` and the like."""

TABLES = f"""
PRAGMA application_id = {APPLICATION_ID};
PRAGMA user_version = {SCHEMA};
CREATE TABLE meta (key TEXT PRIMARY KEY, value NOT NULL) WITHOUT ROWID;
CREATE TABLE inputs (
  input INTEGER PRIMARY KEY,
  kind TEXT NOT NULL CHECK (kind IN ('start', 'scan', 'command', 'gap')),
  t_ns INTEGER NOT NULL,
  utc_ns INTEGER NOT NULL,
  body BLOB NOT NULL
);
CREATE TABLE events (n INTEGER PRIMARY KEY, input INTEGER NOT NULL, body BLOB NOT NULL);
CREATE TABLE commits (
  commit_no INTEGER PRIMARY KEY,
  first_input INTEGER NOT NULL,
  last_input INTEGER NOT NULL,
  first_event INTEGER,
  last_event INTEGER,
  inputs_digest TEXT NOT NULL,
  sums BLOB NOT NULL,
  hash TEXT NOT NULL
);
CREATE TABLE signatures (commit_no INTEGER PRIMARY KEY, key TEXT NOT NULL, signature TEXT NOT NULL);
CREATE INDEX commits_by_event ON commits (last_event) WHERE last_event IS NOT NULL;
"""

_log = logging.getLogger(__name__)


class NewerRecordError(WrongRecordError):
    """A newer version of this program wrote there: no damage, so nothing may be mended or written beside it."""

    def __init__(self, path: object, found: object) -> None:
        """Say it.

        Args:
            path: the file.
            found: the format it says it has.
        """
        self.found = found
        super().__init__(
            f"{path}: found record format {found}, written by a newer version; this one knows formats up to {SCHEMA}:"
            " use the newer version, or another record folder"
        )


class BusyRecordError(StorageError):
    """Cannot be read at this moment: locked, no room or memory to read it with, or a folder that may not be listed."""


MOST_COPIED_BYTES: Final = 64 << 20
"""A run that is larger is not copied into memory: a day of a large rig is a gigabyte."""
_MOST_SCAN_BYTES: Final = 1 << 24
"""No rig's scan is so wide, by far."""
_RUN_DIGITS = 8
_SIDE_FILES = ("", "-wal", "-shm", "-journal")
_NO_ROOM = ("SQLITE_IOERR_SHM", "SQLITE_FULL")
"""How SQLite begins to name trouble with the index of the WAL, or with a full disk (sqlite.org/rescode.html)."""
_BUSY = (*_NO_ROOM, "SQLITE_BUSY", "SQLITE_LOCKED", "SQLITE_PROTOCOL", "SQLITE_NOMEM", "SQLITE_IOERR_LOCK")
"""What SQLite calls trouble that is none of the file's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """Where the chain stands."""

    run: int
    commit_no: int
    hash: str


def hot_folder(folder: Path) -> Path:
    """Where the hot segments of a record folder are."""
    return folder / "hot"


def segment_path(folder: Path, run: int) -> Path:
    """File of a run."""
    return hot_folder(folder) / f"{run:0{_RUN_DIGITS}d}.sqlite3"


def segment_runs(folder: Path) -> list[int]:
    """Runs that have a file, begun or not, in order.

    Raises:
        BusyRecordError: the folder cannot be listed.
    """
    try:
        names = [path.stem for path in hot_folder(folder).iterdir() if path.suffix == ".sqlite3"]
    except (FileNotFoundError, NotADirectoryError):
        return []
    except OSError as error:  # glob would call a folder that may not be listed an empty one
        raise BusyRecordError(f"{hot_folder(folder)}: cannot be listed: {plainly(error)}") from error
    return sorted(int(name) for name in names if name.isdecimal() and len(name) >= _RUN_DIGITS)


def hot_bytes(folder: Path) -> int:
    """Size of all hot segments with what SQLite keeps beside them."""
    total = 0
    with suppress(OSError):
        for path in hot_folder(folder).glob("*.sqlite3*"):
            with suppress(OSError):  # it may have been sealed in between
                total += path.stat().st_size
    return total


def remove_segment(path: Path) -> None:
    """Delete a segment's file and what SQLite keeps beside it."""
    for suffix in _SIDE_FILES:
        path.with_name(path.name + suffix).unlink(missing_ok=True)


def connect(path: Path) -> sqlite3.Connection:
    """A connection for the writer, which alone says where a transaction begins and ends."""
    return sqlite3.connect(path, timeout=1.0, isolation_level=None)


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """A connection for a reader. It holds no transaction between statements, so that it never makes the WAL grow.

    Raises:
        DamagedRecordError: SQLite cannot make sense of the file.
        NewerRecordError: a newer version wrote it.
        BusyRecordError: the file is locked, or the disk has no room for what reading needs.
        StorageError: the file cannot be opened.
    """
    if os.path.exists(f"{path}-journal"):  # noqa: PTH110 - where it may not be seen, opening says what is wrong
        _roll_back(path)
    try:
        with closing(_opened(path)) as base:
            yield base
    except sqlite3.DatabaseError as error:
        raise told(error, path, "unreadable") from error


def _opened(path: Path) -> sqlite3.Connection:
    try:
        return _known(path, _connected(path, "ro"))
    except sqlite3.DatabaseError as error:
        if not _named(error).startswith(_NO_ROOM):
            raise
    return _known(path, _alone(path))


def _alone(path: Path) -> sqlite3.Connection:
    """All of it in memory; where that is too much, the file itself, which nobody else can read meanwhile.

    A reader shares an index of the WAL with others, in a file for which a full disk has no room. Alone, and as one who
    might write, it has the index in memory: long enough for a copy there.
    """
    alone = _connected(path, "rw")
    try:
        alone.execute("PRAGMA locking_mode=EXCLUSIVE")
        if sum(_size(f"{path}{side}") for side in ("", "-wal")) > MOST_COPIED_BYTES:
            return alone
    except sqlite3.Error:
        alone.close()
        raise
    with closing(alone):
        copy = sqlite3.connect(":memory:", check_same_thread=False)
        try:
            alone.backup(copy)
        except sqlite3.Error:
            copy.close()
            raise
    return copy


def _size(file: str) -> int:
    try:
        return os.stat(file).st_size  # noqa: PTH116 - a name with something at its end
    except OSError:
        return 0


def _known(path: Path, base: sqlite3.Connection) -> sqlite3.Connection:
    """The same, of a file that this version knows; else it is closed."""
    try:
        found = base.execute("PRAGMA user_version").fetchone()[0]
    except sqlite3.Error:
        base.close()
        raise
    if found > SCHEMA:
        base.close()
        raise NewerRecordError(path, found)
    return base


def _connected(path: Path, mode: str) -> sqlite3.Connection:
    """Makes no file. One reader may be handed from thread to thread; SQLite serialises."""
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode={mode}", uri=True, check_same_thread=False)


def _roll_back(path: Path) -> None:
    # Its writer was killed while it turned the WAL off; a reader may not undo that, a writer does it when it opens.
    try:
        with closing(_connected(path, "rw")) as base:
            base.execute("SELECT count(*) FROM sqlite_master")
    except sqlite3.Error as error:  # reading will say what is wrong
        _log.info("%s: %s", path, error)


def told(error: sqlite3.Error, path: Path, place: str) -> StorageError:
    """The error to raise for what SQLite says when reading."""
    name = _named(error)
    if name.startswith(("SQLITE_CANTOPEN", "SQLITE_READONLY", "SQLITE_PERM")):
        return StorageError(f"{path}: {place}: {error}; check who owns the file and that its folder may be written")
    if name.startswith(_BUSY):
        return BusyRecordError(f"{path}: {place}: {error}; check who holds the file and that the disk is not full")
    return DamagedRecordError(f"{path}: {place}: {error}")


def _named(error: sqlite3.Error) -> str:
    return getattr(error, "sqlite_errorname", "")


def is_begun(path: Path) -> bool:
    """True where the file has tables (they come together with the Start), or where something keeps one from telling.

    Raises:
        NewerRecordError: a newer version wrote it.
    """
    try:
        with reading(path) as base:
            return bool(base.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    except NewerRecordError:
        raise
    except StorageError:
        return True


def last_commit(base: sqlite3.Connection) -> tuple[int, int, str] | None:
    """Number, last input and hash of the last commit."""
    row = base.execute("SELECT commit_no, last_input, hash FROM commits ORDER BY commit_no DESC LIMIT 1").fetchone()
    return None if row is None else (row[0], row[1], row[2])


def head_of(folder: Path, run: int) -> Head | None:
    """Where the chain stood at the end of a run; None where the run never began.

    Raises:
        StorageError: the file cannot be read.
    """
    path = segment_path(folder, run)
    if not is_begun(path):
        return None
    with reading(path) as base:
        last = last_commit(base)
    return None if last is None else Head(run=run, commit_no=last[0], hash=last[2])


def read_meta(base: sqlite3.Connection) -> dict[str, int | str]:
    """All of ``meta``."""
    return dict(base.execute("SELECT key, value FROM meta"))


def read_widths(base: sqlite3.Connection) -> Widths | None:
    """Layout of a scan; None before the first scan.

    Raises:
        ValueError: the widths are no counts.
    """
    meta = read_meta(base)
    if "words" not in meta:
        return None
    counts = [int(meta.get(key, -1)) for key in ("words", "points", "devices")]
    widths = Widths(words=counts[0], points=counts[1], devices=counts[2]) if min(counts) >= 0 else None
    if widths is None or not 0 < widths.dtype.itemsize <= _MOST_SCAN_BYTES:
        raise ValueError(f"widths of a scan in meta are {counts}")
    return widths


def sync_segment(path: Path) -> None:
    """Make all commits of a segment durable, also those that were not FULL.

    Raises:
        OSError: the disk does not do it.
    """
    for suffix in ("", "-wal"):
        with suppress(FileNotFoundError):
            sync_file(Path(f"{path}{suffix}"))
