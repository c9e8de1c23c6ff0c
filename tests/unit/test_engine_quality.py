"""Every stage between a converted value and one that is used, each on a stream made for it; the rig is ``rich``."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

import streams
from brakewater.alarms.catalogue import CATALOGUE
from brakewater.engine import Engine
from brakewater.engine.lasting import Lasting
from brakewater.quality import MEANINGS, Quality, Reason, Status, quality
from brakewater.rig import Rig
from brakewater.stream import Block
from brakewater.wording import ENGLISH

RIG = streams.rich()
DEMO = streams.demo()
GPM = streams.GPM
S = 1_000_000_000


def asking(point: str, keys: str) -> Rig:
    """The demo rig with more keys of one point."""
    return streams.parse(streams.changed(DEMO.text, (f'name = "{point}"\n', f'name = "{point}"\n{keys}\n')))


def reading(rig: Rig, point: str, *blocks: Block) -> tuple[list[float], list[int]]:
    """Values and codes of a point over all blocks."""
    engine = Engine()
    engine.feed(streams.start(rig))
    columns = [engine.feed(block).readings[point] for block in blocks]
    values = np.concatenate([column.values for column in columns])
    return values.tolist(), np.concatenate([column.codes for column in columns]).tolist()


def codes(rig: Rig, point: str, **what: Any) -> list[int]:
    return reading(rig, point, streams.scans(rig, **what))[1]


def names(found: list[int]) -> set[str]:
    return {Reason(code).name for code in found}


def alarms(rig: Rig, *blocks: Block) -> dict[str, int]:
    """Alarm -> reason code with which it came."""
    played = streams.play([streams.start(rig), *blocks])
    return {event.alarm: event.reason for event in played.events if event.now == "unacknowledged"}


# --------------------------------------------------------------------- tables


def test_every_reason_has_its_sentence_and_category() -> None:
    """Categories after NAMUR NE 107: F, C, S and M; failure and function check are no use, or stand in by hand."""
    assert MEANINGS.keys() == set(Reason)
    for reason, meaning in MEANINGS.items():
        assert meaning.says.endswith(".")
        assert meaning.says.count(".") - meaning.says.count("3.6") == 1
        assert meaning.ne107 in ("F", "C", "S", "M") or reason is Reason.GOOD
        assert quality(reason) is Quality.BAD or meaning.ne107 != "F"


def test_every_alarm_has_its_record() -> None:
    for kind in CATALOGUE.values():
        assert all((kind.consequence, kind.causes, kind.response, kind.time_to_respond))
        assert ENGLISH.alarms[kind.name]


# ------------------------------------------------------------- range and age


@pytest.mark.parametrize(("degc", "code"), [(-49.0, 0), (-51.0, 80), (249.0, 0), (260.0, 80)])
def test_a_thermometer_has_a_range_of_its_own(degc: float, code: int) -> None:
    ohms = 100.0 * (1 + 3.9083e-3 * degc - 5.775e-7 * degc * degc)
    if degc < 0:
        ohms += 100.0 * -4.183e-12 * (degc - 100.0) * degc**3
    assert codes(DEMO, "aux-inlet", n=2, raw={"aux-inlet": ohms / 0.01}) == [code, code]


def test_an_open_sensor_says_more_than_its_range() -> None:
    assert codes(DEMO, "aux-inlet", n=1, raw={"aux-inlet": 60000.0}) == [Reason.SENSOR_OPEN]


def test_a_range_of_the_file_rules() -> None:
    rig = asking("aux-flow", 'sensor-range = ["-1 gal/min", "100 gal/min"]')
    values, found = reading(rig, "aux-flow", streams.scans(rig, 2, values={"aux-flow": [99 * GPM, 101 * GPM]}))
    assert found == [0, Reason.OUT_OF_SENSOR_RANGE]
    assert values[1] == 0.0


def test_an_old_reading_is_uncertain() -> None:
    """Two scans and the timeout: 550 ms."""
    ages = [0, 550_000_000, 550_000_001, 0]
    assert codes(DEMO, "aux-outlet", n=4, age={"plc1": ages}) == [0, 0, Reason.OLD, 0]
    rig = asking("aux-outlet", 'most-age = "2 s"')
    assert codes(rig, "aux-outlet", n=4, age={"plc1": ages}) == [0, 0, 0, 0]


@pytest.mark.parametrize("point", ["tank", "one-inlet-c"])
def test_an_old_reading_of_a_slow_group_with_and_without_stages(point: str) -> None:
    """Every fifth scan of 200 ms: two readings and the timeout are 2.5 s. What is damped stays as old as its oldest."""
    found = codes(RIG, point, n=4, age={"rio1": [0, 2_500_000_000, 2_500_000_001, 0]})
    assert found[:3] == [0, 0, Reason.OLD]


def test_an_old_flow_is_an_unknown_flow() -> None:
    block = streams.scans(DEMO, 30, age={"plc1": 10**9})
    found = alarms(DEMO, block)
    assert found["cooling-lost"] == Reason.OLD
    assert found["signal-doubtful:aux-level"] == Reason.OLD
    assert not [alarm for alarm in found if alarm.startswith("signal-bad")]


# ------------------------------------------------------------ jump and frozen


def test_a_jump_is_refused_and_then_believed() -> None:
    rig = asking("aux-inlet", 'jump-limit = "5 degC/s"')
    values = [27.0, 27.5, 60.0, 28.0, 60.0, 60.0, 60.0, 60.0, 60.0]
    shown, found = reading(rig, "aux-inlet", streams.scans(rig, 9, values={"aux-inlet": values}))
    assert found == [0, 0, 94, 0, 94, 94, 94, 0, 0]
    assert shown[2] == 0.0
    assert shown[-1] == pytest.approx(60.0, abs=0.02)


def test_a_sample_met_again_on_a_slow_line_is_one_sample() -> None:
    """A jump shown five times is one refusal: the fourth *reading* is believed, the times a little off."""
    rig, n = RIG, 40
    block = streams.scans(rig, n, values={"tank": np.repeat([25.0, 25, 25, 60, 60, 60, 60, 60], 5)})
    (column,) = {slot.group for slot in rig.slots if slot.point.name == "tank"}
    age = block.age_ns.copy()
    rng = np.random.default_rng(1)
    age[:, column] = np.arange(n) % 5 * rig.scan_ns + rng.integers(0, 200_000, n)
    _, found = reading(rig, "tank", replace(block, age_ns=age))
    assert found == [0] * 15 + [94] * 15 + [0] * 10


def test_frozen_only_where_noise_is_expected() -> None:
    rig = asking("aux-level", 'frozen-after = "10 s"')
    found = codes(rig, "aux-level", n=60)
    assert found == [0] * 51 + [Reason.FROZEN] * 9
    assert set(codes(rig, "aux-flow", n=60)) == {0}
    moving = codes(rig, "aux-level", n=200, values={"aux-level": 0.3 + 0.001 * (np.arange(200) // 40)})
    assert set(moving) == {0}


def test_a_frozen_value_means_nothing() -> None:
    rig = asking("aux-level", 'frozen-after = "10 s"')
    values, _ = reading(rig, "aux-level", streams.scans(rig, 60))
    assert values[-1] == 0.0
    assert alarms(rig, streams.scans(rig, 100))["signal-bad:aux-level"] == Reason.FROZEN


# ------------------------------------------------------ meter, trim, damping


def test_a_pulse_counter_becomes_a_flow() -> None:
    values, found = reading(RIG, "one-flow", streams.scans(RIG, 100))
    assert found[:6] == [Reason.UNKNOWN, *[Reason.SETTLING] * 4, 0]
    assert set(found[6:]) == {0}
    assert values[-1] == pytest.approx(90 * GPM, rel=0.01)  # 284 pulses in the window of 1 s


@pytest.mark.parametrize(("step", "name"), [(-30, "COUNTER_REVERSED"), (30_000, "COUNTER_RESET")])
def test_what_a_counter_may_do(step: int, name: str) -> None:
    count = 1000.0 + 57 * np.arange(30)
    count[20:] += step - 57 * (step < 0)
    assert names(codes(RIG, "one-flow", n=30, raw={"one-flow": count})) >= {name}


def test_a_counter_that_is_reset_leaves_the_flow_unknown_for_its_window() -> None:
    count = 1000.0 + 57 * np.arange(60)
    count[40:] += 30_000
    found = codes(RIG, "one-flow", n=60, raw={"one-flow": count})
    assert found[39:46] == [0, *[Reason.COUNTER_RESET] * 5, 0]


def test_a_trim_is_applied_after_the_range() -> None:
    """True value = 1.01 x value + 0.2 K."""
    values, _ = reading(RIG, "one-inlet", streams.scans(RIG, 2, values={"one-inlet": 40.0}))
    assert values[0] == pytest.approx(40.6, abs=0.03)


def test_damping_is_a_mean_of_the_last_scans() -> None:
    rig = asking("aux-inlet", 'damping = "1 s"')  # 2 tau / scan = 10 scans
    values, found = reading(rig, "aux-inlet", streams.scans(rig, 40, values={"aux-inlet": [20.0] * 20 + [30.0] * 20}))
    assert values[19] == pytest.approx(20.0, abs=0.02)
    assert values[24] == pytest.approx(25.0, abs=0.02)
    assert values[29] == pytest.approx(30.0, abs=0.02)
    assert set(found) == {0}


def test_damping_never_hides_a_failure() -> None:
    rig = asking("aux-inlet", 'damping = "10 s"')
    assert codes(rig, "aux-inlet", n=3, raw={"aux-inlet": [11000.0, 60000.0, 11000.0]}) == [0, Reason.SENSOR_OPEN, 0]


def test_points_that_ask_for_nothing_keep_no_state() -> None:
    engine = Engine()
    engine.feed(streams.start(DEMO))
    assert engine._conditioner.state() == {"times": {}, "points": {}, "beats": {}}


# ----------------------------------------------------------------- stuck device


def stuck(n: int, **more: Any) -> Block:
    return streams.scans(RIG, n, first=101, t0=101 * RIG.scan_ns, values={"beat": 7.0}, **more)


def test_a_device_whose_heartbeat_stands_still_is_stuck() -> None:
    engine = Engine()
    engine.feed(streams.start(RIG))
    engine.feed(streams.scans(RIG, 100))
    outcome = engine.feed(stuck(60))
    at = 26  # 5 s after the beat's last move, with the first scan of this block
    for name in ("one-inlet", "one-in-service", "beat"):
        assert outcome.readings[name].codes.tolist() == [0] * at + [Reason.STUCK_DEVICE] * (60 - at)
        assert outcome.readings[name].values[-1] == 0.0
    assert outcome.readings["one-flow"].codes[-1] == Reason.STUCK_DEVICE
    assert set(outcome.readings["slow-beat"].codes.tolist()) == {0}
    found = {event.alarm: event.input - 101 for event in outcome.events if event.now == "unacknowledged"}
    assert found["device-stuck:plc1"] == at
    assert found["cooling-lost"] - at <= 15
    assert not [alarm for alarm in found if alarm.startswith("signal-bad") and alarm not in _FROZEN]


_FROZEN = {"signal-bad:one-level", "signal-bad:tank"}  # they ask for noise and get none here


def test_a_device_that_beats_again_is_well() -> None:
    engine = Engine()
    engine.feed(streams.start(RIG))
    engine.feed(streams.scans(RIG, 100))
    engine.feed(stuck(60))
    outcome = engine.feed(streams.scans(RIG, 20, first=161))
    assert outcome.readings["one-inlet"].codes.tolist() == [0] * 20
    assert "returned-unacknowledged" in [e.now for e in outcome.events if e.alarm == "device-stuck:plc1"]


def test_a_silent_device_is_not_stuck() -> None:
    found = alarms(RIG, streams.scans(RIG, 100), stuck(100, status={"plc1": Status.SILENT}))
    assert "device-silent:plc1" in found
    assert "device-stuck:plc1" not in found


def test_a_slow_device_is_judged_by_its_own_time() -> None:
    """Every fifth scan, stuck after 6 s."""
    values = {"slow-beat": 3.0}
    engine = Engine()
    engine.feed(streams.start(RIG))
    found = engine.feed(streams.scans(RIG, 60, values=values)).readings["one-inlet-c"].codes
    assert found.tolist() == [0] * 31 + [Reason.STUCK_DEVICE] * 29


# ---------------------------------------------------------------------- lasting


@pytest.mark.parametrize("seed", range(20))
def test_lasting_against_a_plain_count(seed: int) -> None:
    rng = np.random.default_rng(seed)
    holds = rng.random(200) < 0.8
    t = np.cumsum(rng.integers(0, 3, 200)).astype(np.int64)
    wanted, since = [], None
    for now, is_so in zip(t.tolist(), holds.tolist(), strict=True):
        since = (now if since is None else since) if is_so else None
        wanted.append(since is not None and now - since >= 5)
    lasting, found, at = Lasting(5), [], 0
    while at < 200:
        n = int(rng.integers(1, 30))
        found += lasting.feed(t[at : at + n], holds[at : at + n]).tolist()
        again = Lasting(5)
        again.restore(lasting.state())
        lasting, at = again, at + n
    assert found == wanted


def test_a_number_no_sensor_shows_is_bad_even_where_the_file_gives_no_range() -> None:
    """Words in the wrong order read as -3e38 or the like; a loop's own limits need no such range."""
    values, codes = reading(DEMO, "block-position", streams.scans(DEMO, 3, raw={"block-position": -1e30}))
    assert (values, codes) == ([0.0] * 3, [Reason.OUT_OF_SENSOR_RANGE] * 3)
    point = next(point for point in DEMO.points if point.name == "aux-flow")
    assert point.sensed is None
