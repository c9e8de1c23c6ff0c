"""Replay of a day at 5 scans/s from its record, against the least numpy work on the same words in blocks of 8192.

From a sealed segment, where all but the last days of a record stand, and from the journal.
"""

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from benchmarks.table import Row, paired
from brakewater.engine import Engine
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.record.sealing.seal import seal
from brakewater.review.replay import Tally, replayed
from brakewater.rig import load
from brakewater.rig.load import demo_file
from brakewater.stream import Block, Start

DAY = 432_000
CHUNK = 8192


def words_of_a_day(rig: object, scans: int = DAY) -> np.ndarray:
    """[scans, W] words of a busy day: flow, temperatures and level with noise and slow swings, brake in service."""
    random = np.random.default_rng(1)
    words = np.zeros((scans, rig.words), np.uint16)  # type: ignore[attr-defined]
    column = {slot.point.name: slot.column for slot in rig.slots}  # type: ignore[attr-defined]
    swing = np.sin(np.arange(scans) * (2 * np.pi / 700))
    words[:, column["aux-flow"]] = (15_600 + 300 * swing + random.normal(0, 40, scans)).astype(np.uint16)
    words[:, column["aux-level"]] = (8_300 + 100 * swing + random.normal(0, 60, scans)).astype(np.uint16)
    words[:, column["aux-inlet"]] = (11_300 + random.normal(0, 2, scans)).astype(np.uint16)
    words[:, column["aux-outlet"]] = (12_000 + 300 * swing + random.normal(0, 3, scans)).astype(np.uint16)
    words[:, column["tank-temperature"]] = 11_300
    words[:, column["aux-in-service"]] = 3
    for link in ("self.broker", "self.panel"):
        if link in column:
            words[:, column[link]] = 1
    return words


def write_day(folder: Path, scans: int = DAY) -> None:
    """A record of inputs only."""
    rig = load(demo_file())
    words = words_of_a_day(rig, scans)
    with Journal(folder, bound=scans + 10) as journal:
        journal.begin(Start(run=1, t_ns=0, utc_ns=10**18, boot="bench", version="0", rig_toml=rig.text, own=rig.own))
        for first in range(0, scans, CHUNK):
            journal.append(block(rig, words, first, min(first + CHUNK, scans)))
            journal.wait_committed()


def block(rig: object, words: np.ndarray, first: int, last: int) -> Block:
    """Scans of the day as a block."""
    number = np.arange(first + 1, last + 1)
    return Block(
        run=1,
        input=number,
        t_ns=number * 200_000_000,
        utc_ns=10**18 + number * 200_000_000,
        words=words[first:last],
        status=np.zeros((last - first, len(rig.points)), np.uint8),  # type: ignore[attr-defined]
        age_ns=np.full((last - first, len(rig.device_names)), 2_000_000),  # type: ignore[attr-defined]
    )


def replay(folder: Path) -> int:
    """Our replay, from the file."""
    tally = Tally()
    for _ in replayed(Record(folder), Engine(), tally):
        pass
    return tally.scans


def floor(words: np.ndarray) -> int:
    """Decode every point, heat by polynomials, twelve compares: the least that any replay must do."""
    alarms = 0
    for first in range(0, len(words), CHUNK):
        part = words[first : first + CHUNK]
        hook = np.ascontiguousarray(part[:, 0:2]).astype(">u2").view(">f4")[:, 0].astype(np.float64) * 4448.2
        block_m = np.ascontiguousarray(part[:, 3:1:-1]).astype(">u2").view(">f4")[:, 0].astype(np.float64)
        pump, service = ((part[:, 4] >> 1) & 1) != 0, (part[:, 11] & 1) != 0
        tank, inlet, outlet = (_degc(part[:, at]) for at in (5, 8, 9))
        ambient = part[:, 6].astype(np.int16).astype(np.float64) * 0.0555 - 17.8
        flow = part[:, 7].astype(np.int16).astype(np.float64) * (9.46e-3 / 27648)
        level = part[:, 10].astype(np.int16).astype(np.float64) * (1 / 27648)
        late, commit, queued = (_number(part, at) for at in (12, 14, 16))
        step = _number(part, 18).astype(np.int32)
        broker, panel = part[:, 20] != 0, part[:, 23] != 0
        disk, restarts = part[:, 21] * 1e-4, part[:, 22].astype(np.float64)
        heat = np.polyval(DENSITY, inlet) * flow * (np.polyval(ENTHALPY, outlet) - np.polyval(ENTHALPY, inlet))
        pairs = ((flow, 3e-4), (flow, 4.7e-3), (inlet, 37.8), (outlet, 71.1), (level, 0.45), (level, 0.6))
        for column, limit in (*pairs, (heat, 1e6), (tank, 40.0), (ambient, 50.0)):
            alarms += int(np.count_nonzero((column > limit) & service))
        for column, limit in ((commit * 1e-3, 2.0), (step * 1e-3, 1.0), (disk, 0.9)):
            alarms += int(np.count_nonzero(column > limit))
        alarms += int(np.count_nonzero(np.isfinite(hook) & np.isfinite(block_m) & pump & broker & panel))
        alarms += int(np.count_nonzero((late * 1e-6 < 1.0) & (queued > restarts)))
    return alarms


def _number(part: np.ndarray, at: int) -> np.ndarray:
    """Of two words, the high one first."""
    return part[:, at].astype(np.uint32) << 16 | part[:, at + 1]


DENSITY = np.polynomial.Polynomial([1000.0, 0.01, -5e-3, 2e-5, -1e-7, 1e-10]).coef[::-1]
ENTHALPY = np.polynomial.Polynomial([60.0, 4218.0, -1.0, 1e-2, -1e-4, 1e-6]).coef[::-1]


def _degc(counts: np.ndarray) -> np.ndarray:
    """IEC 60751 above 0 degC, from hundredths of an ohm."""
    a, b = 3.9083e-3, -5.775e-7
    return (-a + np.sqrt(a * a - 4 * b * (1 - counts.astype(np.float64) * 1e-4))) / (2 * b)


def rows() -> Iterator[Row]:
    """The benchmark."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_day(folder)
        words = words_of_a_day(load(demo_file()))
        journal = _row("replay of a day (432,000 scans) from the journal", folder, words, target=40)
        seal(folder, 1)
        yield _row("replay of a day from a sealed segment", folder, words, target=8)
        yield journal


def _row(what: str, folder: Path, words: np.ndarray, target: float) -> Row:
    ours, least, ratio = paired(lambda: replay(folder), lambda: floor(words))
    return Row(
        what=what,
        ours=f"{DAY / ours:,.0f} scans/s",
        floor=f"{DAY / least:,.0f} scans/s",
        ratio=ratio,
        target=target,
    )


if __name__ == "__main__":
    for row in rows():
        print(row, file=sys.stdout)
