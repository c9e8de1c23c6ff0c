"""kill -9 of a watch in mid-stream, and what the next one knows; damage and refused rig files on the way."""

import json
import logging
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from brakewater.engine import Engine
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.record.segment import segment_path
from brakewater.record.verify import verify
from brakewater.restart import Restored, restored, start_of
from brakewater.review.replay import Tally, compare, replayed
from brakewater.stream import Block, Event, Input, Start
from streams import GPM, demo, scans, start

pytestmark = pytest.mark.integration

RIG = demo()
LEAN = {"aux-flow": 60 * GPM}  # below the least flow, above the wetting flow: low after 2 s
DRY = {"aux-flow": 0.0}

CHILD = """
import asyncio, json, os, pathlib, sys
from brakewater.engine import Engine
from brakewater.loop import Loop
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.restart import restored, start_of
from brakewater.stream import Request
from field_rigs import Played, samples_of
from streams import demo, scans

folder, flow, acknowledge = pathlib.Path(sys.argv[1]), float(sys.argv[2]), sys.argv[3]
rig = demo()
sample = samples_of(scans(rig, 1, values={"aux-flow": flow}))[0]

def tell(**what):
    os.write(1, (json.dumps(what) + "\\n").encode())

async def main():
    journal = Journal(folder, on_commit=lambda made: tell(committed=made.last_input))
    before = restored(Record(folder))
    asked = False

    class Out:
        def show(self, picture):
            nonlocal asked
            standing = {one.alarm: one.state for one in picture.alarms if one.state != "normal"}
            if acknowledge and not asked and standing.get(acknowledge) == "unacknowledged":
                asked = True
                asyncio.get_running_loop().call_soon(
                    loop.ask, Request(id=f"ack-{before.run}", actor="driller", do="acknowledge",
                                      args={"alarm": "aux." + acknowledge}))
            tell(run=picture.run, input=picture.input, standing=standing)

    loop = Loop(engine=before.engine, journal=journal, clock=before.clock, latest=(Out(),), again=lambda _: 1 / 0)
    loop.begin(start_of(before, version="0", rig=rig))
    tell(began=before.run, standing={a.alarm: a.state for a in before.engine.alarms() if a.state != "normal"}
         if before.run > 1 else {})
    await loop.watch(Played((sample for _ in range(10**6)), lambda _: asyncio.sleep(0.02)))

asyncio.run(main())
"""


def killed(folder: Path, flow: float, acknowledge: str, until: dict[str, str], after_s: float) -> dict[str, str]:
    """Watch in a child process until these alarms stand so, a little longer, then kill -9; gives what it began with."""
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(folder), str(flow), acknowledge],
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])},
        text=True,
    )
    assert child.stdout is not None
    lines = map(json.loads, child.stdout)
    began: dict[str, Any] = next(line for line in lines if "began" in line)
    shown = next(line["input"] for line in lines if line.get("standing") == until)
    next(line for line in lines if line.get("committed", 0) >= shown)  # what is shown is not yet recorded
    time.sleep(after_s)
    child.send_signal(signal.SIGKILL)
    child.communicate(timeout=10)
    assert child.returncode == -signal.SIGKILL
    found: dict[str, str] = began["standing"]
    return found


def standing(engine: Engine) -> dict[str, str]:
    return {alarm.alarm: alarm.state for alarm in engine.alarms() if alarm.state != "normal"}


def assert_identical(folder: Path) -> list[Event]:
    tally = Tally()
    events = [event for _, outcome in replayed(Record(folder), Engine(), tally) for event in outcome.events]
    found = compare(Record(folder), events, tally)
    assert (found.differences, found.not_comparable) == ([], [])
    assert len({event.identity for event in events}) == len(events)
    assert verify(folder).verdict == "consistent"
    return events


def test_alarms_come_back_as_they_stood_over_many_kills(tmp_path: Path) -> None:
    chance = random.Random(9)
    flow_low, acknowledged = {"cooling-flow-low": "unacknowledged"}, {"cooling-lost": "acknowledged"}
    both = acknowledged | flow_low
    story = [
        # flow, acknowledged in this run, stands before the kill
        (0.0, "cooling-lost", both),
        (0.0, "cooling-flow-low", acknowledged | {"cooling-flow-low": "acknowledged"}),
        (90 * GPM, "", {}),
    ]
    before: dict[str, str] = {}
    for run, (flow, acknowledge, then) in enumerate(story, 1):
        assert killed(tmp_path, flow, acknowledge, then, chance.uniform(0, 0.05)) == before
        before = then
        assert Record(tmp_path).runs() == list(range(1, run + 1))
        events = assert_identical(tmp_path)
    moves = [(event.alarm, event.now) for event in events]
    assert sorted(moves) == sorted(set(moves))  # nothing was raised or acknowledged a second time
    assert {event.run for event in events} == {1, 2, 3}
    assert standing(restored(Record(tmp_path)).engine) == {}
    stamps = [t for item in Record(tmp_path).inputs() for t in times(item)]
    assert stamps == sorted(stamps)


def times(item: Input) -> list[int]:
    return item.t_ns.tolist() if isinstance(item, Block) else [item.t_ns]


def test_an_on_delay_goes_on_over_a_kill(tmp_path: Path) -> None:
    killed(tmp_path, LEAN["aux-flow"], "", {}, 0.05)  # after one commit: lone scans wait a second for it
    blocks = [item for item in Record(tmp_path).inputs() if isinstance(item, Block)]
    began_ns, last_ns = int(blocks[0].t_ns[0]), int(blocks[-1].t_ns[-1])
    assert last_ns < began_ns + 1_900_000_000
    last = restored(Record(tmp_path))
    assert last.clock.steady_ns() > last_ns
    engine, opened = last.engine, start(RIG, run=2, t_ns=began_ns + 1_900_000_000, snapshot=last.snapshot)
    with Journal(tmp_path) as journal:
        journal.begin(opened, engine.feed(opened).events)
        for number, after_ns in ((1, 1_999_999_999), (2, 2_000_000_000)):
            block = scans(RIG, 1, run=2, first=number, t0=began_ns + after_ns, values=LEAN)
            events = engine.feed(block).events
            journal.append(block, events)
            assert [event.alarm for event in events] == ["cooling-flow-low"] * (number - 1)
    assert_identical(tmp_path)


# ---- in this process: a record, and how it may be harmed


def record(folder: Path, *runs: dict[str, float]) -> None:
    """One run each of 100 scans and what the engine makes of it, restarted from one to the next."""
    with Journal(folder) as journal:
        for number, values in enumerate(runs, 1):
            before = restored(Record(folder)) if number > 1 else None
            engine = before.engine if before else Engine()
            opened = start(RIG, run=number, t_ns=(number - 1) * 10**11, snapshot=before.snapshot if before else b"")
            journal.begin(opened, engine.feed(opened).events)
            for k in range(10):
                t0 = opened.t_ns + (k + 1) * 2_000_000_000
                block = scans(RIG, 10, run=number, first=1 + 10 * k, t0=t0, values=values)
                journal.append(block, engine.feed(block).events)
                assert journal.wait_committed(10)


def rework(folder: Path, run: int, statement: str, *args: object) -> None:
    with closing(sqlite3.connect(segment_path(folder, run), isolation_level=None)) as base:
        base.execute(statement, args)


def errors(caplog: pytest.LogCaptureFixture) -> list[str]:
    return [one.getMessage() for one in caplog.records if one.levelno >= logging.ERROR]


def check_start(found: Restored, folder: Path, run: int) -> None:
    """A new run begins with what was restored and can be recorded."""
    opened = start_of(found, version="0", rig=RIG)
    assert (opened.run, opened.snapshot) == (run, found.snapshot)
    with Journal(folder) as journal:
        journal.begin(opened, found.engine.feed(opened).events)
    assert Record(folder).runs()[-1] == run


def test_no_record_at_all(tmp_path: Path) -> None:
    for one in (None, Record(tmp_path)):
        found = restored(one)
        assert (found.run, found.snapshot) == (1, b"")
        assert found.clock.steady_ns() < 1_000_000_000
    check_start(found, tmp_path, 1)


def test_what_is_whole_before_a_hole_counts(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    record(tmp_path, {}, DRY)
    rework(tmp_path, 2, "DELETE FROM inputs WHERE input = 15")
    found = restored(Record(tmp_path))
    assert standing(found.engine) == {"cooling-lost": "unacknowledged", "cooling-flow-low": "unacknowledged"}
    assert found.engine.picture().input == 14
    (said,) = errors(caplog)
    assert "goes on from what is whole" in said
    assert "input 15 is missing" in said
    assert found.clock.steady_ns() >= 10**11 + 2_000_000_000 + 13 * 200_000_000
    check_start(found, tmp_path, 3)


@pytest.mark.parametrize("harm", ["garbage", "no-start", "cut"])
def test_where_the_last_start_is_lost_the_run_before_counts(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, harm: str
) -> None:
    record(tmp_path, DRY, {})
    path = segment_path(tmp_path, 2)
    match harm:
        case "garbage":
            path.write_bytes(b"no database at all, " * 2000)
        case "cut":
            path.write_bytes(path.read_bytes()[:3000])
        case _:
            rework(tmp_path, 2, "UPDATE inputs SET body = ? WHERE input = 0", b"{}")
    found = restored(Record(tmp_path))
    assert standing(found.engine) == {"cooling-lost": "unacknowledged", "cooling-flow-low": "unacknowledged"}
    said = errors(caplog)
    assert said[0].startswith("run 2 cannot be read, the watch goes on from the run before: ")
    assert found.clock.steady_ns() >= 21_800_000_000
    check_start(found, tmp_path, 3)


def test_nothing_that_can_be_read(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    record(tmp_path, DRY)
    segment_path(tmp_path, 1).write_bytes(b"no database at all, " * 2000)
    found = restored(Record(tmp_path))
    assert (found.run, found.snapshot) == (2, b"")
    assert len(errors(caplog)) == 1
    check_start(found, tmp_path, 2)


def test_a_rig_file_that_is_refused_now(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    record(tmp_path, DRY)
    with Journal(tmp_path) as journal:
        journal.begin(
            Start(run=2, t_ns=10**11, utc_ns=0, boot="b", version="0", rig_toml="schema = 99", snapshot=b"{}")
        )
        journal.append(scans(RIG, 10, run=2, first=1, t0=10**11))
    found = restored(Record(tmp_path))
    assert (found.run, found.snapshot) == (3, b"")
    (said,) = errors(caplog)
    assert "cannot be replayed, the watch begins without memory" in said
    assert found.clock.steady_ns() >= 10**11 + 9 * 200_000_000  # time goes on all the same
    check_start(found, tmp_path, 3)


def test_a_defect_in_the_past(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    record(tmp_path, DRY)
    feed = Engine.feed

    def raising(self: Engine, item: Input) -> object:
        if isinstance(item, Block) and 50 in item.input:
            raise ZeroDivisionError("ours")
        return feed(self, item)

    monkeypatch.setattr(Engine, "feed", raising)
    found = restored(Record(tmp_path))
    monkeypatch.undo()
    assert (found.run, found.snapshot) == (2, b"")
    assert "begins without memory: ours" in errors(caplog)[0]
    assert found.clock.steady_ns() >= 20 * 10**9 + 9 * 200_000_000  # of the last input, beyond the defect
    check_start(found, tmp_path, 2)
