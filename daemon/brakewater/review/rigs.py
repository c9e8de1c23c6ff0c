"""Whose runs a record folder holds."""

import tomllib
from typing import Final

from brakewater.errors import DamagedRecordError
from brakewater.record.reader import Record
from brakewater.stream import Start

UNKNOWN: Final = "unknown"


def rigs_of(record: Record) -> dict[str, list[int]]:
    """Rig name -> its runs, from the rig file in each Start; a run whose Start cannot be read is ``unknown``."""
    found: dict[str, list[int]] = {}
    for run in record.runs():
        found.setdefault(_name(record, run), []).append(run)
    return found


def _name(record: Record, run: int) -> str:
    try:
        start = next(record.inputs(from_run=run, to_run=run, block=1), None)
        return str(tomllib.loads(start.rig_toml)["rig"]["name"]) if isinstance(start, Start) else UNKNOWN
    except (DamagedRecordError, tomllib.TOMLDecodeError, KeyError, TypeError):
        return UNKNOWN
