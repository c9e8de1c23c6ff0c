import json
from copy import deepcopy
from dataclasses import replace

import numpy as np
import pytest

import streams
from brakewater.engine import Engine
from brakewater.engine.rising import Rising
from brakewater.errors import Defect, RigFileError
from brakewater.quality import Reason
from brakewater.stream import Column, Input

RIG = streams.demo()
GPM = streams.GPM
BLOCK = streams.scans(RIG, 1)
MOST_BYTES = 64 * 1024
LAMP = ("[[lamp]]", '[[brake.alarm]]\nalarm = "cooling-lost"\nsetpoint = "8 gal/min"\n[[lamp]]')


def loaded(flow: float = 0.0, n: int = 20) -> Engine:
    engine = Engine()
    streams.play(
        [streams.start(RIG), streams.scans(RIG, 60), streams.scans(RIG, n, first=61, values={"aux-flow": flow})], engine
    )
    return engine


@pytest.mark.parametrize("item", [BLOCK, streams.command(BLOCK), streams.gap(BLOCK)])
def test_the_first_input_is_a_start(item: Input) -> None:
    with pytest.raises(Defect, match="before its Start"):
        Engine().feed(item)


def test_a_refused_rig_file_leaves_the_engine_as_it_was() -> None:
    engine = loaded()
    before = engine.state()
    with pytest.raises(RigFileError):
        engine.feed(replace(streams.start(RIG, run=2), rig_toml="schema = 2"))
    assert engine.state() == before


def test_a_restart_says_nothing_and_forgets_nothing() -> None:
    before = loaded()
    again = Engine()
    outcome = again.feed(streams.start(RIG, run=2, t_ns=60 * 10**9, snapshot=before.state()))
    assert outcome.events == ()
    assert again.alarms() == before.alarms()
    assert again.state() == before.state()
    seen = again.feed(streams.command(streams.start(RIG, run=2), alarm="aux.cooling-lost"))
    assert seen.events[0].identity == "2.1.1"


def test_an_on_delay_goes_on_over_a_restart() -> None:
    """Low for 1.8 s of the 2 s, then down for an hour: the first low scan is the alarm."""
    before = loaded(flow=70 * GPM, n=9)
    t = 3600 * 10**9
    block = streams.scans(RIG, 1, run=2, t0=t, values={"aux-flow": 70 * GPM})
    played = streams.play([streams.start(RIG, run=2, t_ns=t, snapshot=before.state()), block])
    assert played.moves() == [(1, "cooling-flow-low", "unacknowledged")]


def test_an_off_delay_begins_anew_after_a_restart() -> None:
    """What the flow did meanwhile is unknown, and the unknown never clears anything."""
    before = loaded(flow=70 * GPM)
    before.feed(streams.scans(RIG, 5, first=81))
    t = 3600 * 10**9
    block = streams.scans(RIG, 20, run=2, t0=t)
    played = streams.play([streams.start(RIG, run=2, t_ns=t, snapshot=before.state()), block])
    assert played.moves() == [(16, "cooling-flow-low", "returned-unacknowledged")]


def test_commands_stay_known_over_restarts() -> None:
    engine = Engine()
    begin = streams.start(RIG)
    engine.feed(begin)
    engine.feed(streams.command(begin, "note", key="a", text="x"))
    for run in range(2, 5):
        state = engine.state()
        engine.feed(streams.start(RIG, run=run, snapshot=state))
        assert engine.state() == state
        again = streams.command(streams.start(RIG, run=run), "note", key="a", text="x")
        assert not engine.feed(again).answers[0].ok


def test_a_changed_alarm_closes_and_begins_anew() -> None:
    before = loaded()
    kept = before.state()
    rig = streams.parse(streams.changed(RIG.text, LAMP))
    for engine in (before, Engine()):  # one that watched, and one that knows the snapshot alone
        outcome = engine.feed(streams.start(rig, run=2, t_ns=20 * 10**9, snapshot=kept))
        (event,) = outcome.events
        assert (event.alarm, event.was, event.now, event.why) == ("cooling-lost", "unacknowledged", "normal", "changed")
        assert (event.brake, event.priority, event.first_out) == ("aux", "critical", True)
        assert event.setpoint == pytest.approx(5 * GPM)
        states = {now.alarm: now.state for now in engine.alarms()}
        assert (states["cooling-lost"], states["cooling-flow-low"]) == ("normal", "unacknowledged")


def test_what_is_gone_closes_with_an_event_from_the_snapshot_alone() -> None:
    """A replay that begins at the new Start must make the same event as the daemon that lived through the change."""
    engine = Engine()
    bad = streams.scans(RIG, 30, raw={"tank-temperature": 60000.0})
    streams.play([streams.start(RIG), bad], engine)
    point = RIG.text[
        RIG.text.index('[[point]]\nname = "tank-temperature"') : RIG.text.index('[[point]]\nname = "ambient')
    ]
    begin = streams.start(streams.parse(streams.changed(RIG.text, (point, ""))), run=2, snapshot=engine.state())
    lived, fresh = engine.feed(begin).events, Engine().feed(begin).events
    assert lived == fresh
    (event,) = fresh
    assert (event.alarm, event.brake, event.reason) == ("signal-bad:tank-temperature", None, Reason.SENSOR_OPEN)
    assert (event.was, event.now, event.why) == ("unacknowledged", "normal", "changed")


def test_a_changed_level_range_does_not_cool_the_rotor() -> None:
    """Out of service for a moment: the rotor may be hot, whatever becomes of the level's window."""
    before = loaded(flow=90 * GPM)
    rig = streams.parse(streams.changed(RIG.text, ('"1000 mm"', '"1200 mm"')))
    t = 20 * 10**9
    dry = streams.scans(rig, 5, run=2, t0=t, values={"aux-flow": 0.0, "aux-in-service": 0.0})
    played = streams.play([streams.start(rig, run=2, t_ns=t, snapshot=before.state()), dry])
    assert played.moves() == [(2, "cooling-lost", "unacknowledged")]
    assert played.picture is not None
    assert played.picture.derived["aux", "level_rate_m_s"][1] == Reason.UNKNOWN


def reloaded(*, up_m: float, version: str = "0", size: int = 300) -> tuple[str, float]:
    """State of the level's alarm a minute after a reload, and how high the level stands above its usual, m.

    It rose by so much from 300 mm within a minute; then the range of its transmitter becomes 900 mm.
    """
    before, t = Engine(), 180 * 10**9
    level = 0.3 + up_m * np.clip((np.arange(900) - 600) / 300.0, 0.0, 1.0)
    streams.play([streams.start(RIG, version=version), streams.scans(RIG, 900, values={"aux-level": level})], before)
    rig = streams.parse(streams.changed(RIG.text, ('"1000 mm"', '"900 mm"')))
    begin = streams.start(rig, run=2, t_ns=t, snapshot=before.state(), version=version)
    parts = [
        streams.scans(rig, size, run=2, first=first, t0=t + first * rig.scan_ns, values={"aux-level": 0.9 * level[-1]})
        for first in range(1, 301, size)
    ]
    kept = json.loads(streams.play([begin, *parts]).state)
    return kept["alarms"]["aux.brake-level-rising"]["state"], kept["brakes"]["aux"]["rising"]["above"] / 1e6


@pytest.mark.parametrize("size", [1, 300])
def test_a_changed_level_range_takes_no_choked_level_for_the_usual_one(size: int) -> None:
    state, up_m = reloaded(up_m=0.1, size=size)
    assert state == "unacknowledged"
    assert up_m == pytest.approx(0.1, abs=0.005)


def test_a_changed_level_range_alone_is_no_rise() -> None:
    state, up_m = reloaded(up_m=0.0)
    assert state == "normal"
    assert up_m == pytest.approx(0.0, abs=0.001)


def test_before_0_4_a_changed_level_range_cleared_the_rise() -> None:
    state, up_m = reloaded(up_m=0.1, version="0.3.0")
    assert state == "returned-unacknowledged"
    assert up_m == pytest.approx(0.0, abs=0.001)


def test_two_reloads_within_a_second_forget_no_rise() -> None:
    rising = Rising(RIG.scan_ns, allowance_m=0.01, high_m=0.45, wetting_m3_s=3e-4)
    kept = {"above": 100_000, "met": True, "s": 100_000}
    rising.begin_above(kept)
    again = Rising(RIG.scan_ns, allowance_m=0.01, high_m=0.45, wetting_m3_s=3e-4)
    again.begin_above(rising.state())
    level, flow, codes = np.full(5, 0.36), np.full(5, 5e-3), np.zeros(5, np.uint8)
    found = again.feed(Column(values=level, codes=codes), Column(values=flow, codes=codes))
    assert found["level_rise_m"].values[-1] == pytest.approx(0.1)
    assert found["level_rising"].values[-1] == 1.0


def test_a_snapshot_of_before_there_were_stages_is_taken() -> None:
    kept = json.loads(loaded().state())
    for key in ("points", "hands"):
        del kept[key]
    for key in ("votes", "checks"):
        del kept["brakes"]["aux"][key]
    engine = Engine()
    assert engine.feed(streams.start(RIG, run=2, snapshot=json.dumps(kept).encode())).events == ()
    assert engine.state() == loaded().state()


def test_a_drift_is_noticed() -> None:
    engine = loaded()
    kept = json.loads(engine.state())
    kept["alarms"]["aux.cooling-lost"]["state"] = "normal"
    engine.feed(streams.start(RIG, run=2, snapshot=json.dumps(kept).encode()))
    assert engine.drifted == [2]


def test_what_if_keeps_its_own_rig_and_state() -> None:
    other = streams.parse(streams.changed(RIG.text, LAMP))
    engine = Engine(instead=other)
    low = streams.scans(RIG, 5, values={"aux-flow": 6 * GPM})
    played = streams.play([streams.start(RIG), low, streams.start(RIG, run=2, snapshot=loaded().state())], engine)
    assert played.moves() == [(2, "cooling-lost", "unacknowledged")]
    assert engine.rig is other


def noisy(rig: streams.Rig, n: int) -> streams.Block:
    """One block of everything at once, its last tenth."""
    rng = np.random.default_rng(3)
    block, part = streams.scans(rig, n), slice(n - n // 10, n)
    block.words[part] = rng.integers(0, 65536, block.words[part].shape, dtype=np.uint16)
    block.status[part] = rng.choice([0, 0, 0, 1, 0x82], block.status[part].shape)
    return block


def size_after(rig: streams.Rig, days: float) -> int:
    engine, n = Engine(), 8192
    begin = streams.start(rig)
    engine.feed(begin)
    for key in range(1100):
        engine.feed(streams.command(begin, "note", key=f"{key:0200d}", text="x"))
    block = noisy(rig, n)
    for at in range(round(days * 86_400e9 / rig.scan_ns / n)):
        engine.feed(replace(block, input=block.input + at * n, t_ns=block.t_ns + at * n * rig.scan_ns))
    return len(engine.state())


def slow(rig: streams.Rig) -> streams.Rig:
    return streams.parse(rig.text.replace('scan = "200 ms"', 'scan = "1 s"').replace('scan = "500 ms"', 'scan = "1 s"'))


@pytest.mark.parametrize("rig", [slow(RIG), slow(streams.two())], ids=["demo", "two"])
def test_a_snapshot_stays_small_after_days(rig: streams.Rig) -> None:
    assert size_after(rig, 3) < MOST_BYTES


@pytest.mark.long
@pytest.mark.timeout(600)
@pytest.mark.parametrize("rig", [RIG, streams.two(), streams.rich()], ids=["demo", "two", "rich"])
def test_a_snapshot_stays_small_after_thirty_days_at_full_rate(rig: streams.Rig) -> None:
    assert size_after(rig, 30) < MOST_BYTES


def test_a_snapshot_stays_small_with_every_stage() -> None:
    """Windows here are of seconds, so that a day says as much as thirty."""
    assert size_after(streams.rich(), 1) < MOST_BYTES


def test_a_snapshot_stays_small_at_the_fastest_scan() -> None:
    rig = streams.parse(RIG.text.replace('scan = "200 ms"', 'scan = "20 ms"').replace('"150 ms"', '"15 ms"'))
    assert size_after(rig, 0.01) < MOST_BYTES


def test_a_start_without_a_snapshot_begins_without_memory_in_replay_as_it_did_live() -> None:
    """A watch whose past could not be replayed began anew; going on with the old state would invent its alarms."""
    engine = loaded()
    assert any(alarm.state != "normal" for alarm in engine.alarms())
    engine.feed(streams.start(RIG, run=2, t_ns=60 * 10**9))
    assert {alarm.state for alarm in engine.alarms()} == {"normal"}


@pytest.mark.parametrize("scans", [0, 1, 7])
def test_a_copy_of_an_engine_goes_on_as_the_engine_does(scans: int) -> None:
    """The panel keeps copies of one that reads a record: right after its Start, and between scans that come alone."""
    engine = Engine()
    engine.feed(streams.start(RIG))
    for at in range(scans):
        engine.feed(streams.scans(RIG, 1, first=1 + at))
    other = deepcopy(engine)
    for at in range(40):
        block = streams.scans(RIG, 1, first=1 + scans + at, values={"aux-flow": 0.0 if at > 5 else 70 * GPM})
        assert [one.identity for one in other.feed(block).events] == [one.identity for one in engine.feed(block).events]
    assert other.state() == engine.state()
    assert other.alarms() == engine.alarms()
    assert any(one.state == "unacknowledged" for one in engine.alarms())
