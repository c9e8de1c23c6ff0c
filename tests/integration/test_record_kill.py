"""kill -9 of a process that records under load: nothing acknowledged is lost, no hole, no double, chain unbroken.

This does not show what a power cut does: the page cache outlives a process.
"""

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from brakewater.record.reader import Record
from brakewater.record.verify import verify
from brakewater.stream import Block, Start
from record_streams import block, flat

ROUNDS = int(os.environ.get("BRAKEWATER_KILLS", "10"))

CHILD = """
import itertools, pathlib, sys
from record_streams import block, command, event, start
from brakewater.record.journal import Journal
from brakewater.record.reader import Record

def tell(made):
    print(made.run, made.last_input, made.last_event or 0, flush=True)

folder = pathlib.Path(sys.argv[1])
journal = Journal(folder, on_commit=tell, bound=2000)
for run in itertools.count(Record(folder).next_run()):
    journal.begin(start(run))
    for number in range(1, 401):
        item = command(run, number) if number % 97 == 0 else block(run, number)
        journal.append(item, (event(run, number, number // 7),) if number % 7 == 0 else ())
        if number % 20 == 0:
            journal.wait_committed()
"""


def one_kill(folder: Path, after_s: float) -> tuple[int, int, int]:
    """Record, kill, and give the last acknowledged run, input and event."""
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(folder)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])},
    )
    assert child.stdout is not None
    first = child.stdout.readline()
    time.sleep(after_s)
    child.send_signal(signal.SIGKILL)
    out, errors = child.communicate(timeout=10)
    assert child.returncode == -signal.SIGKILL, errors.decode()
    lines = (first + out).decode().rsplit("\n", 1)[0].splitlines()
    acknowledged = [tuple(map(int, line.split())) for line in lines if line.count(" ") == 2]
    last = max(one[:2] for one in acknowledged)
    events = max((one[2] for one in acknowledged if one[0] == last[0]), default=0)
    return last[0], last[1], events


@pytest.mark.integration
@pytest.mark.timeout(60 + 5 * ROUNDS)
def test_kill_under_load(tmp_path: Path) -> None:
    chance = random.Random(4)
    for _ in range(ROUNDS):
        first_run = Record(tmp_path).next_run()
        acknowledged = one_kill(tmp_path, chance.uniform(0, 0.3))
        check(tmp_path, first_run, acknowledged)
    report = verify(tmp_path)
    print(f"{ROUNDS} kills: {report.runs} runs, {report.inputs} inputs, {report.events} events, {report.verdict}")


def check(folder: Path, first_run: int, acknowledged: tuple[int, int, int]) -> None:
    report = verify(folder)
    assert report.verdict == "consistent", report.altered
    record = Record(folder)
    last: dict[int, int] = {}
    for item in record.inputs(from_run=first_run):
        first = 0 if isinstance(item, Start) else int(item.input[0]) if isinstance(item, Block) else item.input
        assert first == last.get(item.run, -1) + 1
        last[item.run] = int(item.input[-1]) if isinstance(item, Block) else item.input
        made = block(item.run, first, len(item)) if isinstance(item, Block) else None
        assert made is None or flat([made]) == flat([item])
    run, number, n = acknowledged
    assert last[run] >= number
    events: dict[int, list[int]] = {run: [] for run in last}
    for one in record.events(after=(first_run, 0)):
        events[one.event.run].append(one.event.input)
    assert len(events[run]) >= n
    # Every event with its input, every input with its events.
    assert events == {run: list(range(7, number + 1, 7)) for run, number in last.items()}
