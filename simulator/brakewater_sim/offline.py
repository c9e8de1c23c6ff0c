"""A scenario straight into a record: the inputs the daemon would have recorded, without wire and without waiting.

    done = record(scenario, rig, Path("trip"))       # a record folder with inputs only; done.digest names its content

The same scenario, seed, rig file and version give the same inputs to the last bit. The record is written beside its
folder and moved there when it is whole, so that nothing half written is ever found.
"""

import hashlib
import json
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from time import monotonic, monotonic_ns
from typing import Final

import numpy as np

from brakewater import __version__
from brakewater.errors import StorageError
from brakewater.quality import Status
from brakewater.record.journal import Journal
from brakewater.record.rows import packed, rows_of
from brakewater.rig import SELF, Point, Rig
from brakewater.stream import Block, Start
from brakewater_sim.registers import Registers, Wiring
from brakewater_sim.scenarios import Scenario
from brakewater_sim.simulate import Simulation, Tick
from brakewater_sim.truth import Truth

CHUNK: Final = 4096
"""Scans in one block."""
AGE_NS: Final = 5_000_000
"""How old every device's answer is: an invented, steady 5 ms."""
UTC_NS: Final = int(datetime(2031, 2, 3, 4, 5, 6, tzinfo=UTC).timestamp()) * 1_000_000_000
"""Wall time of every simulated start."""
PATIENCE_S: Final = 60.0
"""How long the disk may take for one block."""
_LOOK_S: Final = 1.0
_REFUSALS: Final = 3
"""A disk that refuses more often than this is full, not slow."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """What was written."""

    folder: Path
    scans: int
    seconds: float
    digest: str
    """SHA-256 in hex over all inputs, packed as the record hashes them."""


def start_of(rig: Rig) -> Start:
    """The input that opens every simulated record."""
    return Start(run=1, t_ns=0, utc_ns=UTC_NS, boot="simulated@0", version=__version__, rig_toml=rig.text, own=rig.own)


def blocks(
    scenario: Scenario,
    rig: Rig,
    *,
    seed: int = 1,
    seconds: float | None = None,
    chunk: int = CHUNK,
    watch: Callable[[Tick], None] = lambda _: None,
) -> Iterator[Block]:
    """The scans of a scenario at the rig's cadence, the first one at 0.

    Args:
        scenario: what happens.
        rig: whose registers show it.
        seed: of noise and waves.
        seconds: length; default the scenario's.
        chunk: scans in one block.
        watch: told every tick that a scan shows, before the scan.
    """
    total = _total(scenario, rig, seconds)
    simulation = Simulation(scenario, seed, {point.role for point in rig.points})
    wiring, scan = Wiring(rig), _Scan(rig, scenario.lost_one_in, seed)

    def row(number: int) -> tuple[list[int], list[int], list[int]]:
        tick = simulation.advance_to(number * rig.scan_ns)
        watch(tick)
        return scan.row(number, wiring.registers(tick))

    for first in range(0, total, chunk):
        numbers = range(first, min(first + chunk, total))
        rows = [row(number) for number in numbers]
        t_ns = np.array(numbers, np.int64) * rig.scan_ns
        yield Block(
            run=1,
            input=np.array(numbers, np.int64) + 1,
            t_ns=t_ns,
            utc_ns=t_ns + UTC_NS,
            words=np.array([words for words, _, _ in rows], np.uint16),
            status=np.array([status for _, status, _ in rows], np.uint8),
            age_ns=np.array([ages for _, _, ages in rows], np.int64),
        )


class _Scan:
    """How a rig's scan is laid out.

    What is read only in one of several scans is asked behind it and shows in the next ones, ever older.
    """

    def __init__(self, rig: Rig, lost_one_in: int = 0, seed: int = 1) -> None:
        self._slots, self._groups, self._scan_ns = rig.slots, rig.groups, rig.scan_ns
        self._devices = [device.name for device in rig.devices]
        self._lost_one_in, self._draw = lost_one_in, Random(f"{seed}:answers")  # noqa: S311 - luck, no secret
        self._slow = [slot for slot in rig.slots if slot.point.every > 1]
        self._kept: dict[int, tuple[list[int], int]] = {
            slot.index: ([0] * slot.point.count, Status.SILENT) for slot in self._slow
        }
        """Of each slow point, what was read last."""
        self._asked: dict[int, int] = {}
        """Of each slow group, the scan behind which it was asked last."""

    def row(self, number: int, registers: Registers) -> tuple[list[int], list[int], list[int]]:
        """Words, status and ages of scan ``number``."""
        words: list[int] = []
        status: list[int] = []
        quiet = registers.silent | self._lost()
        for slot in self._slots:
            found = self._kept[slot.index] if slot.point.every > 1 else _read(slot.point, quiet, registers)
            words += found[0]
            status.append(found[1])
        ages = [self._age_ns(index, number) for index in range(len(self._groups))]
        for slot in self._slow:
            if number % slot.point.every == 0:
                self._kept[slot.index], self._asked[slot.group] = _read(slot.point, quiet, registers), number
        return words, status, ages

    def _age_ns(self, index: int, number: int) -> int:
        group = self._groups[index]
        if group.device == SELF:
            return 0
        return AGE_NS if group.every == 1 else (number - self._asked.get(index, number)) * self._scan_ns

    def _lost(self) -> frozenset[str]:
        """Devices whose answer to this scan is lost."""
        if not self._lost_one_in:
            return frozenset()
        return frozenset(name for name in self._devices if self._draw.randrange(self._lost_one_in) == 0)


def _read(point: Point, quiet: frozenset[str], registers: Registers) -> tuple[list[int], int]:
    if point.device in quiet:
        return [0] * point.count, Status.SILENT
    found = registers.read((point.device, point.table), point.address, point.count)
    return found or [0] * point.count, Status.OK


def _unfinished(whole: Path) -> Path:
    """A name beside it that nobody has, not even one that was killed with this process's number."""
    return whole.with_name(f"{whole.name}.unfinished-{os.getpid()}-{monotonic_ns()}")


@contextmanager
def new_folder(folder: Path) -> Iterator[Path]:
    """A folder beside ``folder`` in which a record is made; it takes that name when all went well, else it is removed.

    Raises:
        StorageError: ``folder`` holds something, or nothing can be made or moved there.
    """
    allowed = "allowed: a new folder or an empty one, nothing is overwritten"
    if folder.is_symlink() or (folder.exists() and not (folder.is_dir() and not any(folder.iterdir()))):
        raise StorageError(f"{folder}: found something there; {allowed}")
    if folder.exists() and (folder.is_mount() or folder.samefile(Path.cwd())):
        raise StorageError(f"{folder}: found a folder that cannot be replaced; allowed: a new one inside of it")
    unfinished = _unfinished(folder.absolute())
    try:
        unfinished.mkdir(parents=True)
        yield unfinished
        unfinished.replace(folder)
    except OSError as error:
        raise StorageError(f"{folder}: cannot be written: {error.strerror or error}") from error
    finally:
        shutil.rmtree(unfinished, ignore_errors=True)


def record(
    scenario: Scenario,
    rig: Rig,
    folder: Path,
    *,
    seed: int = 1,
    seconds: float | None = None,
    progress: Callable[[float], None] = lambda _: None,
    truth: Path | None = None,
) -> Recorded:
    """Write a scenario into a new record folder.

    Args:
        scenario: what happens.
        rig: whose registers show it.
        folder: where; must be empty or not there.
        seed: of noise and waves.
        seconds: length; default the scenario's.
        progress: told the part that is done, 0 to 1, after every block.
        truth: file for what really happened (``truth.py``), or None.

    Raises:
        StorageError: the folder holds something, or the disk does not take it, or the file ``truth``; or that is there.
    """
    total = _total(scenario, rig, seconds)
    kept = Truth(scenario)
    with _beside(truth, folder) as told, new_folder(folder) as unfinished:
        digest = _write(
            start_of(rig),
            blocks(scenario, rig, seed=seed, seconds=seconds, watch=kept.see),
            unfinished,
            lambda last: progress(last / total),
            folder,
        )
        if told is not None:
            told.write_text(json.dumps(kept.document(seed), indent=1) + "\n", encoding="utf-8")
    return Recorded(folder=folder, scans=total, seconds=total * rig.scan_ns / 1e9, digest=digest)


@contextmanager
def _beside(truth: Path | None, folder: Path) -> Iterator[Path | None]:
    """The file of what really happened, until it is whole; tried before the work, not after it."""
    if truth is None:
        yield None
        return
    if truth.absolute().is_relative_to(folder.absolute()):
        raise StorageError(f"{truth}: found a file inside of the record; allowed: one beside it")
    if truth.is_dir():
        raise StorageError(f"{truth}: found a folder; allowed: a file")
    if truth.exists() or truth.is_symlink():
        raise StorageError(f"{truth}: found a file; allowed: a new one, nothing is overwritten")
    told = _unfinished(truth)
    try:
        told.touch()
        yield told
        told.replace(truth)
    except OSError as error:
        raise StorageError(f"{truth}: cannot be written: {error.strerror or error}") from error
    finally:
        told.unlink(missing_ok=True)


def _total(scenario: Scenario, rig: Rig, seconds: float | None) -> int:
    """Scans in a length; at least one."""
    return max(1, round((scenario.length_s if seconds is None else seconds) * 1e9) // rig.scan_ns)


def have_committed(journal: Journal, folder: Path) -> None:
    """Wait until all is in the record; not for a disk that refuses it again and again.

    Raises:
        StorageError: it is not taken.
    """
    until_s = monotonic() + PATIENCE_S
    while not journal.wait_committed(_LOOK_S):
        if journal.figures().failures > _REFUSALS or monotonic() > until_s:
            raise StorageError(f"{folder}: not written: the disk does not take it; see whether it is full")


def _write(start: Start, scans: Iterator[Block], unfinished: Path, reached: Callable[[int], None], folder: Path) -> str:
    """Digest of all inputs, every one of them committed; ``reached`` is told the last one after every block."""
    digest = hashlib.sha256()
    with Journal(unfinished, bound=2 * CHUNK) as journal:
        journal.begin(start)
        digest.update(b"".join(packed(row) for row in rows_of(start)))
        for block in scans:
            journal.append(block)
            digest.update(b"".join([packed(row) for row in rows_of(block)]))
            have_committed(journal, folder)
            reached(int(block.input[-1]))
    return digest.hexdigest()
