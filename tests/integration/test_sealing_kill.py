"""kill -9 of the process that seals, before each of its steps and at random moments: nothing is lost or doubled."""

import hashlib
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterable
from pathlib import Path

import pytest

from brakewater.record.hot import hot_rows
from brakewater.record.reader import Record
from brakewater.record.rows import packed
from brakewater.record.sealed.layout import sealed_paths
from brakewater.record.sealed.read import Sealed
from brakewater.record.segment import segment_path, segment_runs
from brakewater.record.verify import verify
from record_streams import flat
from sealed_parts import many_runs

STEPS = ["write", "compare", "summary", "place", "remove"]
RUNS = 6
KILLS = int(os.environ.get("BRAKEWATER_KILLS", "12"))

CHILD = """
import os, pathlib, signal, sys
from brakewater.record.sealing.due import seal_due

def tell(step, run):
    print(step, run, flush=True)
    if step == sys.argv[2] and run == int(sys.argv[3]):
        os.kill(os.getpid(), signal.SIGKILL)

sys.exit(len(seal_due(pathlib.Path(sys.argv[1]), step=tell)))
"""

pytestmark = [pytest.mark.integration, pytest.mark.long]


def sealing(folder: Path, step: str = "", run: int = 0) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-c", CHILD, str(folder), step, str(run)], stdout=subprocess.PIPE, text=True
    )


def sealed(folder: Path) -> bool:
    """Seal all that is due, uncut."""
    with sealing(folder) as child:
        child.communicate(timeout=100)
    return child.returncode == 0


def digest(items: Iterable[object]) -> str:
    whole = hashlib.sha256()
    for item in items:
        whole.update(repr(item).encode())
    return whole.hexdigest()


def whole(folder: Path) -> tuple[str, str]:
    record = Record(folder)
    return digest(flat(record.inputs())), digest(record.events())


def both_say_the_same(folder: Path) -> None:
    """Where a run is hot and sealed at once, every row is the same."""
    for run, place in sealed_paths(folder).items():
        if run in segment_runs(folder):
            assert list(map(packed, Sealed(place).rows())) == list(map(packed, hot_rows(segment_path(folder, run))))


@pytest.mark.parametrize("step", STEPS)
def test_killed_before_each_step(tmp_path: Path, step: str) -> None:
    many_runs(tmp_path, 3)
    before = whole(tmp_path)
    with sealing(tmp_path, step, 2) as child:
        child.communicate(timeout=50)
    assert child.returncode == -signal.SIGKILL
    assert whole(tmp_path) == before
    both_say_the_same(tmp_path)
    assert sealed(tmp_path)
    assert whole(tmp_path) == before
    assert (segment_runs(tmp_path), list(sealed_paths(tmp_path))) == ([3], [1, 2])
    assert verify(tmp_path).verdict == "consistent"


def test_killed_at_random(tmp_path: Path) -> None:
    chance, seen = random.Random(4), dict.fromkeys([*STEPS, "start"], 0)
    many_runs(tmp_path / "uncut", RUNS)
    began = time.monotonic()
    assert sealed(tmp_path / "uncut")
    lasting = time.monotonic() - began  # start of the process included: kills fall over all of it, and on its end
    many_runs(tmp_path, RUNS)
    before = whole(tmp_path)
    for kill in range(KILLS):
        child = sealing(tmp_path)
        assert child.stdout is not None
        first = child.stdout.readline()
        time.sleep(chance.uniform(0, lasting))
        child.kill()
        rest, _ = child.communicate(timeout=20)
        last = (first + rest).split("\n")[-2].split()[0] if first else "start"
        seen[last] += 1
        assert whole(tmp_path) == before, f"kill {kill} after {last}"
        both_say_the_same(tmp_path)
        if len(segment_runs(tmp_path)) == 1:
            many_runs(tmp_path, RUNS, first=max(segment_runs(tmp_path)) + 1)
            before = whole(tmp_path)
    assert sealed(tmp_path)
    report = verify(tmp_path)
    print(f"{KILLS} kills of the sealing process, last step told: {seen}; {report.inputs} inputs, {report.verdict}")
    assert report.verdict == "consistent"
    assert whole(tmp_path) == before
