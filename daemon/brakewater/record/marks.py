"""What tells a run from any other of its number, so that followers notice another record than the one they read."""

from collections.abc import Mapping
from pathlib import Path
from typing import Final

from brakewater.errors import StorageError
from brakewater.record.places import Places
from brakewater.record.sealed.manifest import read_manifest
from brakewater.record.segment import reading
from brakewater.record.trimmed import trimmed

NOTHING: Final = 0
"""No run at all."""


def mark_of(folder: Path, run: int) -> str | None:
    """Steady and wall time of its Start, which no other has to the nanosecond; None where there is no such run.

    Raises:
        StorageError: it cannot be read.
    """
    place = Places(folder).of(run)
    if place is None:
        return None
    if place.sealed:
        manifest = read_manifest(place.path)
        return f"{manifest.t_ns} {manifest.utc_ns}"
    with reading(place.path) as base:
        row = base.execute("SELECT t_ns, utc_ns FROM inputs WHERE input = 0").fetchone()
    return None if row is None else f"{row[0]} {row[1]}"


def known_up_to(folder: Path, marks: Mapping[int, str]) -> int:
    """The last run of a record up to which it is the one that was read; ``NOTHING`` where it is another one.

    What was deleted by retention or cannot be read speaks against nothing; nor does anything where there are no marks.

    Args:
        folder: record folder.
        marks: run -> mark, of runs that were read.

    Raises:
        StorageError: the folder cannot be listed.
    """
    newest = max(Places(folder).begun(), default=NOTHING)
    gone = {run for run, _ in trimmed(folder).values()}
    for run in sorted(marks, reverse=True):
        if _is_still(folder, run, marks[run], gone):
            return newest if run == max(marks) else run
    return NOTHING if marks else newest


def _is_still(folder: Path, run: int, mark: str, gone: set[int]) -> bool:
    try:
        found = mark_of(folder, run)
    except StorageError:
        return True
    return found == mark or (found is None and run in gone)
