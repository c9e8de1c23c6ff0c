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


def told_steps(child: "subprocess.Popen[str]", count: int) -> str:
    """The lines of so many steps, fewer where it ends before."""
    assert child.stdout is not None
    lines = [child.stdout.readline() for _ in range(count)]
    assert lines[0], "ended before anything was sealed"
    return "".join(lines)


def nothing_half_done(folder: Path) -> bool:
    """No draft, and no side file of a segment that is sealed."""
    sealed_only = set(sealed_paths(folder)) - set(segment_runs(folder))
    left = [file for file in (folder / "hot").iterdir() if int(file.name.partition(".")[0]) in sealed_only]
    return not left and not list((folder / "segments").glob(".sealing-*"))


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
    assert nothing_half_done(tmp_path)


def test_killed_at_random(tmp_path: Path) -> None:
    chance, seen, kills, late = random.Random(4), dict.fromkeys(STEPS, 0), 0, 0
    many_runs(tmp_path / "uncut", RUNS)
    with sealing(tmp_path / "uncut") as child:
        told_steps(child, 1)
        began = time.monotonic()
        child.communicate(timeout=100)
    assert child.returncode == 0
    a_step_s = (time.monotonic() - began) / (len(STEPS) * (RUNS - 1))
    many_runs(tmp_path, RUNS)
    before = whole(tmp_path)
    while kills < KILLS:
        child = sealing(tmp_path)
        # Steps are told, and so each has its share of the kills however slow the machine is; within one, time says.
        first = told_steps(child, chance.randint(1, 2 * len(STEPS)))
        time.sleep(chance.uniform(0, a_step_s))
        child.kill()
        rest, _ = child.communicate(timeout=20)
        last = (first + rest).split("\n")[-2].split()[0]
        if child.returncode == -signal.SIGKILL:
            kills, seen[last] = kills + 1, seen[last] + 1
        else:  # it was through before
            late += 1
            assert child.returncode == 0
            assert late < 4 * KILLS, "kills come too late to say anything"
        assert whole(tmp_path) == before, f"kill {kills} after {last}"
        both_say_the_same(tmp_path)
        if len(segment_runs(tmp_path)) == 1:
            many_runs(tmp_path, RUNS, first=max(segment_runs(tmp_path)) + 1)
            before = whole(tmp_path)
    assert sealed(tmp_path)
    report = verify(tmp_path)
    print(
        f"{kills} kills of the sealing process at work, last step told: {seen}; {late} came too late;"
        f" {report.inputs} inputs, {report.verdict}"
    )
    assert report.verdict == "consistent"
    assert whole(tmp_path) == before
    assert nothing_half_done(tmp_path)
