"""Which closed segments are sealed now."""

import fcntl
import logging
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from time import time_ns
from typing import Final

from brakewater.errors import StorageError
from brakewater.record.places import Places
from brakewater.record.sealed.layout import segments_folder
from brakewater.record.sealing.seal import Step, no_step, seal
from brakewater.record.segment import hot_folder

PATIENCE_NS: Final = 7 * 86_400 * 1_000_000_000
"""A segment that a follower has not read yet is left hot for so long, since that costs the watch less to read."""
_LOCK: Final = "sealing.lock"
_CURSORS: Final = {"cursors": "SELECT run FROM cursors", "spans": "SELECT run FROM spans"}
_SIDES: Final = ("-wal", "-shm", "-journal")

_log = logging.getLogger(__name__)


def seal_due(folder: Path, *, values: bool = False, step: Step = no_step) -> list[int]:
    """Seal every closed segment that followers are through with; the newest run is never closed.

    Args:
        folder: record folder.
        values: keep full-rate values beside the raw words.
        step: told before each step.

    Returns:
        Runs that could not be sealed and stay hot.

    Raises:
        StorageError: another process is sealing there, or the folder cannot be read.
    """
    failed = []
    with _alone(folder):
        _tidy(folder)
        for run in _due(folder):
            try:
                _log.info("run %d is sealed in %s", run, seal(folder, run, values=values, step=step))
            except (StorageError, OSError, ValueError) as error:
                _log.error("run %d stays hot: %s", run, error)
                failed.append(run)
    return failed


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    handle = os.open(folder / _LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(handle)
        raise StorageError(f"{folder}: another process is sealing there") from error
    try:
        yield
    finally:
        os.close(handle)


def _tidy(folder: Path) -> None:
    """Throw away what an attempt cut short has left."""
    for draft in segments_folder(folder).glob(".sealing-*"):
        shutil.rmtree(draft, ignore_errors=True)
    for side in _SIDES:
        for file in hot_folder(folder).glob(f"*.sqlite3{side}"):
            whole = file.with_name(file.name.removesuffix(side))
            if not whole.exists() and Places(folder).of(int(whole.stem)) is not None:
                file.unlink(missing_ok=True)


def _due(folder: Path) -> list[int]:
    places = Places(folder).begun()
    if not places:
        return []
    reading = _slowest(folder)
    return [
        run
        for run, place in places.items()
        if not place.sealed and run < max(places) and (run < reading or _age_ns(place.path) > PATIENCE_NS)
    ]


def _age_ns(hot: Path) -> int:
    try:
        return time_ns() - hot.stat().st_mtime_ns
    except FileNotFoundError:
        return 0


def _slowest(folder: Path) -> int:
    """The oldest run that a follower is still at; beyond all where there is none."""
    file = folder / "cursors.sqlite3"
    if not file.exists():
        return 2**62
    try:
        with closing(sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True, timeout=5)) as base:
            tables = {name for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
            runs = [run for name in _CURSORS if name in tables for (run,) in base.execute(_CURSORS[name])]
    except sqlite3.Error as error:
        _log.info("%s: %s", file, error)
        return 2**62
    return min(runs, default=2**62)
