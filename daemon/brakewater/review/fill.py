"""A record of inputs only, as the simulator writes it, gets the events that a watch would have recorded with them.

The chain over inputs and events is made anew, so a record that a watch has written is never touched: it has its own.
"""

import os
import shutil
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Final

from brakewater.engine import Engine
from brakewater.errors import StorageError, plainly
from brakewater.record.durable import sync_folder
from brakewater.record.journal import Journal
from brakewater.record.lock import FolderLock
from brakewater.record.reader import Record
from brakewater.record.verify import verify
from brakewater.review.alarm_figures import inputs_only
from brakewater.review.replay import BLOCK, Tally, replayed
from brakewater.rig import Rig
from brakewater.stream import Event, Start

PATIENCE_S: Final = 60.0
"""How long the disk may take for one block."""
_BOUND: Final = 16 * BLOCK
"""Rows that may wait: more events than scans would be no alarm system."""
_ALLOWED: Final = "allowed: the folder of a record of inputs only, as brakewater-sim record writes it"
_OF_A_RECORD: Final = frozenset({"hot", "segments", "record.lock"})


def fill(folder: Path, tally: Tally, tell: Callable[[Event, Rig], None] = lambda _event, _rig: None) -> None:
    """Run the engine over a record of inputs only, and record what it makes of them beside them.

    It is written beside the record and takes its place when it is whole; inputs, numbers and times stay what they are.

    Args:
        folder: the record.
        tally: counts.
        tell: told each event, and the rig it is of.

    Raises:
        StorageError: it is no such record, or is damaged or altered, or a process records there, or the disk does not
            take it; the record is then as it was.
    """
    whole, beside = folder.absolute(), folder.absolute().with_name(f"{folder.absolute().name}.filling-{os.getpid()}")
    if not whole.is_dir():
        raise StorageError(f"{folder}: found a file; {_ALLOWED}")
    with FolderLock(whole):
        inputs = _inputs_of(whole)
        try:
            _write(whole, beside, tally, tell)
            _check(beside, whole, (inputs, tally.events))
            _take_its_place(beside, whole)
        except OSError as error:
            raise StorageError(f"{folder}: cannot be written: {plainly(error)}; it is as it was") from error
        finally:
            shutil.rmtree(beside, ignore_errors=True)


def _inputs_of(folder: Path) -> int:
    """How many there are in a record that may be filled."""
    others = sorted({one.name for one in folder.iterdir()} - _OF_A_RECORD)
    if others:
        raise StorageError(f"{folder}: found {others[0]} beside its runs; {_ALLOWED}, and nothing else in its folder")
    report = verify(folder)
    if report.altered or report.cut_off:
        found = str(report.altered[0]) if report.altered else "the newest run cannot be read to its end"
        raise StorageError(f"{folder}: {found}; {_ALLOWED}, whole and unaltered; brakewater verify says more")
    if report.events or report.keys or not inputs_only(Record(folder)):
        raise StorageError(f"{folder}: found a record that a watch has written, or one that has its events; {_ALLOWED}")
    return report.inputs


def _write(whole: Path, beside: Path, tally: Tally, tell: Callable[[Event, Rig], None]) -> None:
    engine = Engine()
    with Journal(beside, bound=_BOUND) as journal:
        for item, outcome in replayed(Record(whole), engine, tally):
            if isinstance(item, Start):
                journal.begin(item, outcome.events, wait_s=PATIENCE_S)
            else:
                journal.append(item, outcome.events)
            if not journal.wait_committed(PATIENCE_S):
                raise StorageError(f"{whole}: the disk did not take a block in {PATIENCE_S:g} s; it is as it was")
            for event in outcome.events:
                tell(event, engine.rig)
    if tally.damage:
        raise StorageError(f"{whole}: {tally.damage[0]}; it is as it was")


def _check(beside: Path, whole: Path, wanted: tuple[int, int]) -> None:
    """What was written must be all inputs and events: the journal goes on where a disk loses some of them."""
    made = verify(beside)
    if made.altered or (made.inputs, made.events) != wanted:
        found = f"only {made.inputs} of {wanted[0]} inputs and {made.events} of {wanted[1]} events were written"
        raise StorageError(f"{whole}: {found}; it is as it was; check the disk and try again")


def _take_its_place(beside: Path, whole: Path) -> None:
    before = whole.with_name(f"{whole.name}.inputs-{os.getpid()}")
    whole.rename(before)
    try:
        beside.rename(whole)
    except OSError:
        before.rename(whole)
        raise
    with suppress(OSError):  # some file systems cannot; both records are whole
        sync_folder(whole.parent)
    shutil.rmtree(before, ignore_errors=True)
