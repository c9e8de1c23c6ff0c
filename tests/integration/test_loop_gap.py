"""A disk that fails past the bound: alarms go on; then a new run with the live state, and a Gap that names the loss."""

import asyncio
import sqlite3
from pathlib import Path

import pytest

from brakewater.engine import Engine
from brakewater.record.reader import Record
from brakewater.record.verify import verify
from brakewater.review.replay import Tally, compare, drifts, replayed
from brakewater.stream import Block, Gap, Request, Start
from field_rigs import Played, run, until
from gap_parts import CALM, DRY, Gapped

pytestmark = pytest.mark.integration


async def _acknowledged(made: Gapped) -> None:
    await until(lambda: not made.loop._scheduled)
    answer = await made.loop.ask(
        Request(id="c1", actor="driller", do="acknowledge", args={"alarm": "aux.cooling-lost"})
    )
    assert answer.ok, answer.says


def test_a_loss_is_told_and_the_record_goes_on(tmp_path: Path) -> None:
    made = Gapped(tmp_path)

    async def before(number: int) -> None:
        made.clock.t_ns += 200_000_000
        await asyncio.sleep(0.001)
        if number == 20:
            made.disk.fails = sqlite3.OperationalError("database or disk is full")
        if number in (40, 55, 69):
            await until(lambda: not made.loop._scheduled)  # so that the loss has begun before it is dry
        if number == 100:
            await until(lambda: not made.loop._scheduled)
            assert made.journal.figures().losing
            assert made.journal.lost is None
            assert made.standing()["cooling-lost"] == "unacknowledged"  # it rose after the loss had begun
            await _acknowledged(made)
        if number == 130:
            made.disk.fails = None
            await until(lambda: made.journal.lost is not None)
        if number in (135, 160):
            await until(lambda: not made.loop._scheduled)  # turns are far apart on a busy machine
            assert made.journal.wait_committed(10)

    async def test() -> None:
        await made.loop.watch(Played([CALM] * 70 + [DRY] * 70 + [CALM] * 60, before))
        await until(lambda: not made.loop._scheduled)

    run(test())
    assert made.journal.lost is None
    made.journal.close()
    record = Record(tmp_path)
    assert record.runs() == [1, 2]
    assert verify(tmp_path).verdict == "consistent"
    check_gap(made, record)
    check_replay(record)


def check_gap(made: Gapped, record: Record) -> None:
    (lost,), (snapshot,) = made.lost, made.snapshots
    first, *rest = record.inputs(from_run=2)
    assert isinstance(first, Start)
    assert first.snapshot == snapshot
    assert b'"state":"acknowledged"' in snapshot
    (gap,) = [item for item in rest if isinstance(item, Gap)]
    assert (gap.input, (gap.lost_run, gap.lost_first, gap.lost_last)) == (1, lost)
    numbers = [
        n
        for item in record.inputs(from_run=1)
        for n in (item.input.tolist() if isinstance(item, Block) else [item.input])
        if item.run == 1
    ]
    assert numbers == list(range(gap.lost_first))  # all before the gap is there
    assert made.ends == [(1, gap.lost_last)]  # and all of run 1 after it is lost
    last = made.pictures[-1]
    assert (last.run, gap.lost_last + last.input - 1) == (2, 201)  # 200 scans, a command


def check_replay(record: Record) -> None:
    tally, engine = Tally(), Engine()
    events = [event for _, outcome in replayed(record, engine, tally) for event in outcome.events]
    found = compare(record, events, tally)
    assert found.differences == []
    assert len(found.not_comparable) == 1
    assert engine.drifted == [2]
    assert drifts(tally) == [
        "run 2 began with another state than replay comes to: inputs before it are lost; replay goes on from there"
    ]
    moves = [(event.run, event.alarm, event.now) for event in events]
    assert not any(run_ == 1 for run_, _, _ in moves)
    assert (2, "cooling-lost", "normal") in moves


def test_nothing_is_told_while_the_disk_only_stumbles(tmp_path: Path) -> None:
    made = Gapped(tmp_path)

    async def before(number: int) -> None:
        made.clock.t_ns += 200_000_000
        await asyncio.sleep(0.001)
        if number == 15:
            made.disk.fails = sqlite3.OperationalError("database or disk is full")
        if number == 25:
            made.disk.fails = None
            await until(lambda: made.journal.wait_committed(0))

    async def test() -> None:
        await made.loop.watch(Played([CALM] * 50, before))
        await until(lambda: not made.loop._scheduled)

    run(test())
    made.journal.close()
    assert (Record(tmp_path).runs(), made.snapshots) == ([1], [])
    assert verify(tmp_path).inputs == 51


def test_runs_that_cannot_begin_are_put_off_ever_longer_so_that_alarms_go_out(tmp_path: Path) -> None:
    made = Gapped(tmp_path)

    async def before(number: int) -> None:
        made.clock.t_ns += 200_000_000
        await asyncio.sleep(0.02)
        if number == 10:
            made.disk.fails = sqlite3.DatabaseError("database disk image is malformed")
        if number in (30, 60):
            await until(lambda: not made.loop._scheduled)
        if number == 60:
            assert made.standing()["cooling-lost"] == "unacknowledged"

    async def test() -> None:
        await made.loop.watch(Played([CALM] * 30 + [DRY] * 30 + [CALM] * 60, before))
        await until(lambda: not made.loop._scheduled)

    run(test())
    assert made.standing()["cooling-lost"] == "returned-unacknowledged"
    assert len(made.snapshots) <= 4  # two at once, then after 1 and 2 s, of a hundred turns
    assert made.journal.figures().losing
    assert made.journal.commit_age_ns > 1_000_000_000
    assert "malformed" in made.journal.figures().trouble
    made.disk.fails = None

    async def well(_number: int) -> None:
        made.clock.t_ns += 200_000_000
        await asyncio.sleep(0.1)

    run(made.loop.watch(Played([CALM] * 60, well)))
    made.journal.close()
    found = verify(tmp_path)
    assert found.verdict == "consistent"
    last = len(made.snapshots) + 1
    assert Record(tmp_path).runs() == [1, last]
    assert [gap.lost_run for gap in found.gaps] == list(range(1, last))  # none that began in vain is taken for removed
    tally, engine = Tally(), Engine()
    events = [event for _, outcome in replayed(Record(tmp_path), engine, tally) for event in outcome.events]
    compared = compare(Record(tmp_path), events, tally)
    assert compared.differences == []
    assert len(compared.not_comparable) == last - 1
