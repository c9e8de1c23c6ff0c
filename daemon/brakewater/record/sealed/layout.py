"""Where sealed segments lie, and how they are found."""

import os
from pathlib import Path
from typing import Final

from brakewater.record.segment import BusyRecordError
from brakewater.units import utc_text

MANIFEST: Final = "manifest.json"
RIG: Final = "rig.toml"
START: Final = "start.json"
SCANS: Final = "scans.parquet"
COMMANDS: Final = "commands.jsonl"
EVENTS: Final = "events.jsonl"
CHAIN: Final = "chain.parquet"
FILES: Final = (RIG, START, SCANS, COMMANDS, EVENTS, CHAIN)
"""All but the manifest, which names them with their checksums."""

_RUN_DIGITS = 8


def segments_folder(folder: Path) -> Path:
    """Where the sealed segments of a record folder are."""
    return folder / "segments"


def sealed_path(folder: Path, run: int, utc_ns: int) -> Path:
    """Folder of a run that began at that wall time."""
    year, month, day = utc_text(utc_ns)[:10].split("-")
    return segments_folder(folder) / year / month / day / f"{run:0{_RUN_DIGITS}d}"


def sealed_paths(folder: Path) -> dict[int, Path]:
    """Run -> folder of its sealed segment, in order of runs.

    Raises:
        BusyRecordError: the folders cannot be listed.
    """
    try:
        found = _numbered(segments_folder(folder), 4)
    except OSError as error:
        raise BusyRecordError(f"{segments_folder(folder)}: cannot be listed: {error}") from error
    return {int(path.name): path for path in sorted(found, key=lambda path: (int(path.name), path))}


def sealed_again(folder: Path) -> list[Path]:
    """Folders of runs that ``sealed_paths`` has another folder of; other tools read them with the rest.

    Raises:
        OSError: the folders cannot be listed.
    """
    counted = set(sealed_paths(folder).values())
    return sorted(path for path in _numbered(segments_folder(folder), 4) if path not in counted)


def _numbered(folder: Path, levels: int) -> list[Path]:
    """Folders so many levels below whose names, and those above them, are numbers."""
    if not folder.is_dir():
        return []
    with os.scandir(folder) as entries:
        below = [Path(entry.path) for entry in entries if entry.name.isdecimal()]
    return below if levels == 1 else [path for one in below for path in _numbered(one, levels - 1)]
