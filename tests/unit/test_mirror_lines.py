import re
from pathlib import Path

import numpy as np
import pytest

from brakewater.alarms.lifecycle import State
from brakewater.engine import Engine
from brakewater.record.batches import Batches
from brakewater.record.influx import Verdict, _verdict, retry_after_s, too_old_of
from brakewater.record.journal import Journal
from brakewater.record.lines import PRIORITIES, STATES, Lines, field_name
from brakewater.record.parked import Parked
from brakewater.record.segment import segment_path
from brakewater.stream import Start
from mirror_parts import RIG, SECOND, due, incident, parsed, write
from record_streams import event
from rig_parts import demo_rig
from streams import UTC, gap, scans, two

BEGIN = (0, -1)


def drained(batches: Batches) -> list[str]:
    lines: list[str] = []
    while (batch := batches.next()) is not None:
        lines += [line.decode() for line in batch.lines]
    return lines


def begun(run: int = 1, *, t_ns: int = 0, utc_ns: int = UTC, boot: str = "b") -> Start:
    return Start(run=run, t_ns=t_ns, utc_ns=utc_ns, boot=boot, version="0", rig_toml=RIG.text, own=RIG.own)


@pytest.mark.parametrize("every_ns", [0, SECOND, 7 * SECOND // 10, 5 * SECOND])
def test_lines_say_what_the_engine_says(tmp_path: Path, every_ns: int) -> None:
    inputs = [*incident(900, utc0=UTC), *incident(300, run=2, t0=400 * SECOND, utc0=UTC + 400 * SECOND)]
    write(tmp_path, inputs)
    expected = due(inputs, every_ns)
    for block in (2048, 97, 1):
        assert parsed(drained(Batches(tmp_path, every_ns, BEGIN, block=block))) == expected


def test_numbers_never_change_their_type(tmp_path: Path) -> None:
    write(tmp_path, incident(900, utc0=UTC))
    whole = {
        pair.split("=")[0]
        for line in drained(Batches(tmp_path, 0, BEGIN))
        for pair in line.split(" ")[1].split(",")
        if pair.endswith("i")
    }
    assert whole == {"n", "run", "input"}


def test_a_line_to_the_letter() -> None:
    engine = Engine()
    engine.feed(begun())
    now = engine.alarms()
    outcome = engine.feed(scans(RIG, 2, values={"aux-flow": 0.005}, status={"aux-inlet": 1}))
    at = np.array([1])
    lines = Lines(RIG).scans(outcome, at, np.array([UTC]), np.array([2]), now)
    brake = lines[1].decode()
    flow = outcome.readings["aux-flow"].values[1]
    assert brake.startswith(
        f"brakewater,rig=rig-4,brake=aux aux_flow_m3_s={float(flow)!r},aux_flow_m3_s_q=0,aux_inlet_degc_q=2,"
    )
    assert brake.endswith(f" {UTC}")
    assert ",heat_w_q=2," in brake
    assert "nan" not in brake
    assert re.fullmatch(rb"brakewater,rig=rig-4,brake=rig [^ ]+ \d{19}", lines[0])


def test_an_event_to_the_letter() -> None:
    line = Lines(RIG).event(event(3, 104233, 17, alarm="signal-bad:aux-flow", value=21.0), UTC)
    assert line.decode() == (
        "brakewater_event,rig=rig-4,brake=aux,alarm=signal-bad:aux-flow "
        f"state=1,priority=3,value=21.0,n=17i,run=3i,input=104233i {UTC}"
    )
    rig_wide = Lines(RIG).event(event(3, 104233, 17, brake=None, value=None), UTC).decode()
    assert ",brake=rig," in rig_wide
    assert "value" not in rig_wide


def test_every_state_and_priority_has_a_number_of_its_own() -> None:
    assert sorted(STATES) == sorted(State)
    assert sorted(STATES.values()) == list(range(len(State)))
    assert {rule.priority for rig in (RIG, two()) for rule in rig.alarms} <= PRIORITIES.keys()


def test_names_of_points_are_told_apart() -> None:
    rig = demo_rig(more="")
    assert field_name(next(point for point in rig.points if point.name == "aux-level")) == "aux_level_m"
    text = RIG.text.replace('name = "aux-in-service"', 'name = "cooling-margin"')
    text = text.replace('name = "pump-running"', 'name = "self-queued"')
    engine = Engine()
    engine.feed(begun())
    engine = Engine()
    engine.feed(Start(run=1, t_ns=0, utc_ns=UTC, boot="b", version="0", rig_toml=text))
    block = scans(engine.rig, 1)
    lines = Lines(engine.rig).scans(engine.feed(block), np.array([0]), block.utc_ns, block.input, engine.alarms())
    for line in lines:
        names = [pair.split("=")[0] for pair in line.decode().split(" ")[1].split(",")]
        assert len(names) == len(set(names))
    assert b",point_cooling_margin=" in lines[1]
    assert b",point_self_queued=" in lines[0]


# ------------------------------------------------------------- going back


def test_beginning_anywhere_makes_the_same_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("brakewater.record.batches.ENOUGH", 1)
    inputs = [*incident(1500, utc0=UTC), *incident(900, run=2, t0=600 * SECOND, utc0=UTC + 600 * SECOND)]
    write(tmp_path, inputs)
    batches = Batches(tmp_path, SECOND, BEGIN, block=130)
    places, lines = [(0, BEGIN)], []
    while (batch := batches.next()) is not None:
        lines += [line.decode() for line in batch.lines]
        places.append((len(lines), batches.place))
    assert len(places) > 15
    for count, place in places:
        assert sorted(drained(Batches(tmp_path, SECOND, place, block=77))) == sorted(lines[count:])


def test_what_is_committed_later_follows(tmp_path: Path) -> None:
    start, block = begun(), scans(RIG, 40)
    batches = Batches(tmp_path, SECOND, BEGIN)
    assert batches.next() is None
    with Journal(tmp_path) as journal:
        journal.begin(start)
        lines = drained(batches)
        for at in range(0, 40, 4):
            journal.append(block.cut(at, at + 4))
            assert journal.wait_committed(10)
            lines += drained(batches)
        journal.append(gap(block))
        assert journal.wait_committed(10)
        assert drained(batches) == []
    assert parsed(lines) == due([start, block], SECOND)


# ------------------------------------------------------------- wall times


def test_a_clock_of_1970_waits_and_then_gets_the_right_times(tmp_path: Path) -> None:
    lost, told = scans(RIG, 60, utc0=5 * SECOND), scans(RIG, 40, first=61)
    start = begun(utc_ns=4 * SECOND)
    batches = Batches(tmp_path, SECOND, BEGIN, block=25)
    with Journal(tmp_path) as journal:
        journal.begin(start)
        journal.append(lost)
        assert journal.wait_committed(10)
        assert batches.next() is None
        assert batches.waiting
        journal.append(told.cut(0, 1))
        assert journal.wait_committed(10)
        lines = drained(batches)
        assert not batches.waiting
        journal.append(told.cut(1, 40))
        assert journal.wait_committed(10)
        lines += drained(batches)
    ahead_ns = int(told.utc_ns[0] - told.t_ns[0])
    right = [scans(RIG, 60, utc0=int(lost.t_ns[0]) + ahead_ns), told]
    assert parsed(lines) == due([start, *right], SECOND)
    assert batches.untimed == 0


def test_times_set_right_stay_the_same_when_sent_again(tmp_path: Path) -> None:
    block = scans(RIG, 300)
    block.utc_ns[40:90] = 7
    block.utc_ns[200:] = 2**62
    late = scans(RIG, 30, run=2, t0=100 * SECOND)
    write(tmp_path, [begun(), block, begun(2, t_ns=90 * SECOND), late], piece=50)
    lines = drained(Batches(tmp_path, 0, BEGIN))
    assert len(lines) == 2 * 330
    for at in (0, 39, 60, 210):
        again = drained(Batches(tmp_path, 0, (1, at), block=17))
        assert set(again) <= set(lines)
        assert len(again) == 2 * (330 - at)


def test_a_time_that_nothing_tells_is_left_out_and_counted(tmp_path: Path) -> None:
    dark = scans(RIG, 60, utc0=5 * SECOND)
    later = scans(RIG, 10, run=2, t0=100 * SECOND)
    write(tmp_path, [begun(utc_ns=5), dark, begun(2, t_ns=90 * SECOND, boot="after a reboot"), later])
    batches = Batches(tmp_path, 0, BEGIN)
    assert parsed(drained(batches)) == due([begun(2), later], 0)
    assert batches.untimed == 60


# ---------------------------------------------------------------- damage


def test_damage_ends_a_run_and_not_the_mirror(tmp_path: Path) -> None:
    import sqlite3  # noqa: PLC0415

    first, second = [begun(), scans(RIG, 100)], [begun(2, t_ns=90 * SECOND), scans(RIG, 50, run=2, t0=100 * SECOND)]
    write(tmp_path, [*first, *second])
    with sqlite3.connect(segment_path(tmp_path, 1)) as base:
        base.execute("DELETE FROM inputs WHERE input = 61")
    base.close()
    batches = Batches(tmp_path, 0, BEGIN)
    lines = drained(batches)
    assert drained(batches) == []
    assert parsed(lines) == due([begun(), scans(RIG, 60), *second], 0)
    assert batches.skipped == 1


# ---------------------------------------------------------------- parts


def test_parked_once_and_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    parked = Parked(tmp_path, "a/b")
    parked.add([(b"one", "bad"), (b"two", "bad")])
    parked.add([(b"two", "bad")])
    assert parked.count == 2
    assert parked.path.name == "mirror.a%2Fb.parked.jsonl"
    assert len(parked.path.read_text().splitlines()) == 2
    monkeypatch.setattr("brakewater.record.parked.MOST_BYTES", 10)
    parked.add([(b"three", "bad")])
    assert parked.count == 3
    assert len(parked.path.read_text().splitlines()) == 2
    Parked(tmp_path / "nowhere", "x").add([(b"one", "bad")])


@pytest.mark.parametrize(
    ("headers", "wait_s"),
    [
        ({}, None),
        ({"Retry-After": "7"}, 7.0),
        ({"Retry-After": " 0 "}, 0.0),
        ({"Retry-After": "99999999"}, 3600.0),
        ({"Retry-After": "soon"}, None),
        ({"Retry-After": "Wed, 21 Oct 2015 07:28:00 GMT", "Date": "Wed, 21 Oct 2015 07:27:50 GMT"}, 10.0),
        ({"Retry-After": "Wed, 21 Oct 2015 07:28:00 GMT", "Date": "Wed, 21 Oct 2015 07:29:00 GMT"}, 0.0),
        ({"Retry-After": "Wed, 21 Oct 2015 07:28:00 GMT"}, None),
    ],
)
def test_retry_after(headers: dict[str, str], wait_s: float | None) -> None:
    assert retry_after_s(headers) == wait_s


def test_verdicts() -> None:
    assert {status: _verdict(status) for status in (302, 400, 401, 404, 413, 422, 429, 500, 503, 418)} == {
        302: Verdict.SHUT,
        400: Verdict.REFUSED,
        401: Verdict.SHUT,
        404: Verdict.SHUT,
        413: Verdict.REFUSED,
        422: Verdict.REFUSED,
        429: Verdict.BUSY,
        500: Verdict.AWAY,
        503: Verdict.AWAY,
        418: Verdict.AWAY,
    }


@pytest.mark.parametrize(
    ("status", "says", "lines"),
    [
        (422, "422 failure writing points to database: partial write: points beyond retention policy dropped=24", 24),
        (500, "500 unexpected error writing points: partial write: points beyond retention policy dropped=1", 1),
        (422, "422 The request contained data outside the bucket's retention window", 0),
        (500, "500 retention policy not found: week", None),
        (400, "400 partial write: field type conflict dropped=3", None),
        (503, "503 points beyond retention policy dropped=24", None),
    ],
)
def test_lines_from_before_what_a_server_keeps(status: int, says: str, lines: int | None) -> None:
    """A policy that is not there is a wrong set-up: were its lines left out, nothing would ever be mirrored."""
    assert too_old_of(status, says) == lines
