"""The rules of the contract, each on a stream made for it. Demo rig: five scans a second, brake ``aux``."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

import streams
from brakewater.engine import Engine
from brakewater.errors import StorageError
from brakewater.quality import Reason, Status
from brakewater.rig import Rig, load
from brakewater.stream import Block

RIG = streams.demo()
SCAN_S = RIG.scan_ns / 1e9
CALM_N = 60
GPM = streams.GPM
BAD_FLOWS: dict[str, dict[str, Any]] = {
    "device exception": {"status": {"aux-flow": 0x82}},
    "device silent": {"status": {"plc1": Status.SILENT}},
    "wire broken": {"raw": {"aux-flow": -6912.0}},
    "loop shorted": {"raw": {"aux-flow": 32767.0}},
    "just below its range": {"raw": {"aux-flow": -500.0}},
}


def watch(
    *episodes: dict[str, Any], rig: Rig = RIG, before: dict[str, Any] | None = None, version: str = "0"
) -> tuple[streams.Played, int]:
    """Calm scans, then episodes (``n`` scans and what ``streams.scans`` takes); the input where the first begins."""
    calm = {"n": CALM_N, **(before or {})}
    return streams.play([streams.start(rig, version=version), *blocks(rig, calm, *episodes)]), CALM_N + 1


def blocks(rig: Rig, *episodes: dict[str, Any]) -> list[Block]:
    found, first = [], 1
    for episode in episodes:
        what = dict(episode)
        n = what.pop("n")
        found.append(streams.scans(rig, n, first=first, **what))
        first += n
    return found


def alarms(played: streams.Played) -> set[str]:
    return {event.alarm for event in played.events}


def raised(played: streams.Played, alarm: str) -> list[int]:
    """Inputs at which it came."""
    return [e.input for e in played.events if e.alarm == alarm and e.now == "unacknowledged"]


def test_calm_is_silent() -> None:
    played, _ = watch({"n": 400})
    assert played.events == []


@pytest.mark.parametrize("scan", ["20 ms", "100 ms", "200 ms", "1 s"])
def test_a_good_zero_flow_is_out_within_two_scans(scan: str) -> None:
    swaps = [('scan = "200 ms"', f'scan = "{scan}"'), ('timeout = "150 ms"', 'timeout = "15 ms"')]
    rig = streams.parse(streams.changed(RIG.text, *swaps))
    played, first = watch({"n": 10, "values": {"aux-flow": 0.0}}, rig=rig)
    assert raised(played, "cooling-lost") == [first + 1]
    event = played.events[0]
    assert (event.brake, event.priority, event.why, event.reason) == ("aux", "critical", "condition", 0)
    assert event.value == pytest.approx(0.0, abs=1e-6)
    assert event.setpoint == pytest.approx(5 * GPM)


def test_a_good_zero_flow_is_out_within_two_scans_though_the_first_came_late() -> None:
    """On a busy machine a scan ends late, and the next one on the grid follows closely."""
    dry = streams.scans(RIG, 3, first=CALM_N + 1, values={"aux-flow": 0.0})
    late = replace(dry, t_ns=dry.t_ns + np.array([SCAN_S * 0.99e9, 0, 0], np.int64))
    played = streams.play([streams.start(RIG), *blocks(RIG, {"n": CALM_N}), late])
    assert raised(played, "cooling-lost") == [CALM_N + 2]


@pytest.mark.parametrize("why", BAD_FLOWS)
def test_an_unknown_flow_is_out_within_three_seconds(why: str) -> None:
    played, first = watch({"n": 30, **BAD_FLOWS[why]})
    (at,) = raised(played, "cooling-lost")
    assert (at - first + 1) * SCAN_S <= 3.0
    event = next(event for event in played.events if event.alarm == "cooling-lost")
    assert event.why == "unknown"
    assert event.reason != 0


def test_an_unknown_flow_for_a_moment_is_no_alarm() -> None:
    played, _ = watch({"n": 9, "status": {"aux-flow": 0x84}}, {"n": 60})
    assert alarms(played) == set()


@pytest.mark.parametrize("status", [0x82, Status.SHORT, Status.MISMATCH])
def test_where_in_service_itself_is_bad_the_brake_counts_as_in_service(status: int) -> None:
    idle = {"values": {"aux-in-service": 0.0, "aux-flow": 0.0}}
    played, first = watch({"n": 3, "values": {"aux-flow": 0.0}, "status": {"aux-in-service": status}}, before=idle)
    assert raised(played, "cooling-lost") == [first + 1]


def test_out_of_service_and_cold_is_silent() -> None:
    idle = {"aux-in-service": 0.0, "aux-flow": 0.0, "aux-level": 0.55, "aux-inlet": 45.0, "aux-outlet": 80.0}
    played, _ = watch({"n": 400, "values": idle}, before={"values": idle})
    assert played.events == []


def test_after_service_the_rotor_may_be_hot_for_its_cool_down() -> None:
    rig = streams.parse(streams.changed(RIG.text, ('meter = "inlet"', 'meter = "inlet"\nrotor-cool-down = "10 s"')))
    stopped = {"aux-in-service": 0.0}
    dry = {**stopped, "aux-flow": 0.0}
    hot, _ = watch({"n": 48, "values": stopped}, {"n": 20, "values": dry}, rig=rig)
    assert len(raised(hot, "cooling-lost")) == 1
    cold, _ = watch({"n": 51, "values": stopped}, {"n": 100, "values": dry}, rig=rig)
    assert cold.events == []


def test_a_rotor_stays_hot_over_a_restart() -> None:
    """Out of service for two seconds of ten when the watch begins anew, and then the water goes."""
    rig = streams.parse(streams.changed(RIG.text, ('meter = "inlet"', 'meter = "inlet"\nrotor-cool-down = "10 s"')))
    dry = {"aux-in-service": 0.0, "aux-flow": 0.0}
    for seconds, found in ((2, 1), (11, 0)):
        before, _ = watch({"n": 5 * seconds, "values": {"aux-in-service": 0.0}}, rig=rig)
        t_ns = (CALM_N + 5 * seconds + 1) * rig.scan_ns
        engine = Engine()
        engine.feed(streams.start(rig, run=2, t_ns=t_ns, snapshot=before.state))
        events = engine.feed(streams.scans(rig, 20, run=2, t0=t_ns + rig.scan_ns, values=dry)).events
        assert len([event for event in events if event.alarm == "cooling-lost"]) == found


@pytest.mark.parametrize("cut", [1, 40])
def test_scan_by_scan_too_an_unknown_contact_counts_as_in_service(cut: int) -> None:
    idle = {"aux-in-service": 0.0, "aux-flow": 0.0}
    whole = streams.scans(RIG, 40, first=CALM_N + 1, values=idle, status={"aux-in-service": 0x82})
    parts = [whole.cut(at, at + cut) for at in range(0, 40, cut)]
    played = streams.play([streams.start(RIG), *blocks(RIG, {"n": CALM_N, "values": idle}), *parts])
    assert raised(played, "cooling-lost") == [CALM_N + 2]


def test_when_the_rotor_is_cold_its_alarms_go_by_themselves() -> None:
    rig = streams.parse(streams.changed(RIG.text, ('meter = "inlet"', 'meter = "inlet"\nrotor-cool-down = "10 s"')))
    played, first = watch({"n": 100, "values": {"aux-in-service": 0.0, "aux-flow": 0.0}}, rig=rig)
    assert raised(played, "cooling-lost") == [first + 1]
    back = [event.input for event in played.events if event.now == "returned-unacknowledged"]
    assert len(back) == 2
    assert min(back) >= first + 49 + 10


def test_energy_is_doubtful_after_service_without_flow_and_sound_after_rest_without_it() -> None:
    for service, reason in ((1.0, Reason.DOUBTFUL_BASIS), (0.0, Reason.GOOD)):
        engine = Engine()
        dry = {"n": 60, "values": {"aux-flow": 0.0, "aux-in-service": service}}
        streams.play(
            [streams.start(RIG), *blocks(RIG, {"n": 60}, dry, {"n": 60})][: 3 if service == 0.0 else 4], engine
        )
        assert engine.picture().derived["aux", "energy_j"][1] == reason
        assert engine.picture().derived["aux", "energy_std_j"][1] == reason


def test_below_the_wetting_flow_the_outlet_tells_nothing() -> None:
    engine = Engine()
    stream = [
        streams.start(RIG),
        *blocks(RIG, {"n": 60}, {"n": 60, "values": {"aux-flow": 4 * GPM, "aux-outlet": 90.0}}),
    ]
    played = streams.play(stream, engine)
    derived = engine.picture().derived
    for key in ("outlet_rise_k", "heat_w", "heat_limit_w", "cooling_margin"):
        assert derived["aux", key] == (0.0, Reason.NO_FLOW)
    assert engine.picture().readings["aux-outlet"][1] == Reason.GOOD
    assert alarms(played) == {"cooling-lost", "cooling-flow-low"}


def test_no_flow_does_not_clear_a_hot_outlet() -> None:
    played, _ = watch({"n": 20, "values": {"aux-outlet": 75.0}}, {"n": 200, "values": {"aux-flow": 0.0}})
    assert "returned-unacknowledged" not in [e.now for e in played.events if e.alarm == "outlet-temperature-high"]
    assert len(raised(played, "outlet-temperature-high")) == 1


def test_a_silent_device_leads_and_only_what_may_never_wait_follows() -> None:
    played, first = watch({"n": 100, "status": {"plc1": Status.SILENT}})
    assert alarms(played) == {"device-silent:plc1", "cooling-lost", "rotor-hot-no-flow"}
    # An unknown flow counts as none: the rotor is taken to be hot within seconds of it.
    assert {one.cause for one in played.events if one.alarm == "rotor-hot-no-flow"} == {"rig.device-silent:plc1"}
    (at,) = raised(played, "device-silent:plc1")
    assert at == first + 5  # on-delay 1 s


def test_nothing_follows_from_what_happens_to_another_brake() -> None:
    lost = {"one-flow": 0.0}
    played, _ = watch({"n": 60, "values": lost}, {"n": 60, "values": {**lost, "two-outlet": 95.0}}, rig=streams.two())
    causes = {(one.brake, one.alarm): one.cause for one in played.events if one.now == "unacknowledged"}
    assert ("one", "cooling-lost") in causes
    assert causes["two", "outlet-temperature-high"] is None


@pytest.mark.parametrize(
    "status", [Status.SILENT, Status.REFUSED, Status.RESET, Status.SHORT, Status.MISMATCH, Status.ABSENT, Status.SLOW]
)
def test_every_kind_of_no_answer_is_silence(status: Status) -> None:
    played, _ = watch({"n": 30, "status": {"plc1": status}})
    assert raised(played, "device-silent:plc1")


@pytest.mark.parametrize(("version", "comes"), [("0", True), ("0.3.0", False)])
@pytest.mark.parametrize("code", [0x8A, 0x8B])
def test_a_gateway_that_says_that_nobody_is_behind_it_answers_for_no_device(
    code: int,
    version: str,
    comes: bool,  # noqa: FBT001 - the table's column
) -> None:
    played, _ = watch({"n": 60, "status": {"plc1": code}}, version=version)
    assert bool(raised(played, "device-silent:plc1")) == comes
    assert any(alarm.startswith("signal-bad:") for alarm in alarms(played)) != comes


OPEN, GOOD = 60000.0, 10950.0
"""Of the tank's Pt100."""
WIRES = {
    "every second scan": np.arange(300) % 2 == 0,
    "half of them at random": np.random.default_rng(41).random(300) < 0.5,
    "two of five": np.arange(300) % 5 < 2,
    "one of five": np.arange(300) % 5 == 0,
    "one of fifty at random": np.random.default_rng(42).random(20_000) < 0.02,
    "three seconds once": np.arange(300) < 3 / SCAN_S,
}


@pytest.mark.parametrize(
    ("version", "told"),
    [("0", {"every second scan", "half of them at random", "two of five"}), ("0.3.0", set())],
)
def test_a_loose_wire_is_told_of_and_lone_bad_scans_are_not(version: str, told: set[str]) -> None:
    found = set()
    for name, is_bad in WIRES.items():
        raw = {"tank-temperature": np.where(is_bad, OPEN, GOOD)}
        played, _ = watch({"n": len(is_bad), "raw": raw}, version=version)
        found |= {name} if raised(played, "signal-bad:tank-temperature") else set()
    assert found == told


def test_a_loose_wire_is_told_of_once_and_until_it_is_mended() -> None:
    raw = {"tank-temperature": np.where(np.arange(3000) % 2 == 0, OPEN, GOOD)}
    played, first = watch({"n": 3000, "raw": raw}, {"n": 30})
    came, over = (event for event in played.events if event.alarm == "signal-bad:tank-temperature")
    # Half of the time adds twice what the other half takes off: sixteen seconds for its four, to the next bad scan.
    assert (came.input - first) * SCAN_S == pytest.approx(16, abs=2 * SCAN_S)
    assert (over.now, over.input) == ("returned-unacknowledged", first + 3000 - 1 + 2 / SCAN_S)


@pytest.mark.parametrize(("version", "comes"), [("0", True), ("0.3.0", False)])
def test_a_device_that_answers_every_second_time_is_told_of(version: str, comes: bool) -> None:  # noqa: FBT001
    status = np.where(np.arange(100) % 2 == 0, Status.SILENT, Status.OK)
    played, _ = watch({"n": 100, "status": {"plc1": status}}, version=version)
    assert bool(raised(played, "device-silent:plc1")) == comes


def test_how_long_a_loose_wire_was_bad_outlives_a_restart() -> None:
    loose = {"n": 60, "raw": {"tank-temperature": np.where(np.arange(60) % 2 == 0, OPEN, GOOD)}}
    _, before, after = blocks(RIG, {"n": CALM_N}, loose, loose)
    (whole,) = streams.play([streams.start(RIG), before, after]).events
    engine, again = Engine(), Engine()
    engine.feed(streams.start(RIG))
    engine.feed(before)
    again.feed(streams.start(RIG, run=2, t_ns=int(before.t_ns[-1]), snapshot=engine.state()))
    (found,) = again.feed(replace(after, run=2)).events
    assert whole.input == found.input > CALM_N + 60


def test_an_exception_is_an_answer() -> None:
    played, _ = watch({"n": 60, "status": {"plc1": 0x82}})
    assert not raised(played, "device-silent:plc1")
    assert len([alarm for alarm in alarms(played) if alarm.startswith("signal-bad:")]) == 10


def test_one_bad_signal_is_named_after_its_hold() -> None:
    played, first = watch({"n": 60, "raw": {"tank-temperature": 60000.0}})
    assert [(e.alarm, e.reason, e.value) for e in played.events] == [
        ("signal-bad:tank-temperature", Reason.SENSOR_OPEN, None)
    ]
    assert raised(played, "signal-bad:tank-temperature") == [first + 20]


def test_the_daemons_own_points_have_no_signal_alarms() -> None:
    assert not [rule.name for rule in RIG.alarms if rule.subject and rule.subject.startswith("self")]


@pytest.mark.parametrize("what", [{"status": {"aux-level": 0x82}}, {"raw": {"aux-level": -20000.0}}])
def test_unknown_never_clears(what: dict[str, Any]) -> None:
    played, _ = watch({"n": 30, "values": {"aux-level": 0.5}}, {"n": 300, **what}, {"n": 10})
    level = [(event.input, event.now) for event in played.events if event.alarm == "brake-level-high"]
    assert [now for _, now in level] == ["unacknowledged"]  # 10 good scans are 2 s of an off-delay of 5 s


def test_unknown_does_not_stop_an_on_delay() -> None:
    played, first = watch(
        {"n": 2, "values": {"aux-inlet": 40.0}}, {"n": 40, "status": {"aux-inlet": 0x82}, "values": {"aux-inlet": 40.0}}
    )
    (at,) = raised(played, "inlet-temperature-high")
    assert at == first + 25  # 5 s from the first hot scan


def test_deadband() -> None:
    least = 75 * GPM
    within, clear = least + 2.5 * GPM, least + 3.5 * GPM
    flows = np.concatenate((np.full(20, 70 * GPM), np.full(200, within), np.full(40, clear)))
    played, first = watch({"n": 260, "values": {"aux-flow": flows}})
    assert played.moves() == [
        (first + 10, "cooling-flow-low", "unacknowledged"),
        (first + 220 + 15, "cooling-flow-low", "returned-unacknowledged"),
    ]


@pytest.mark.parametrize(("n", "comes"), [(10, False), (11, True)])
def test_on_delay_to_the_scan(n: int, comes: bool) -> None:  # noqa: FBT001 - the table's column
    played, first = watch({"n": n, "values": {"aux-flow": 70 * GPM}}, {"n": 30})
    assert raised(played, "cooling-flow-low") == ([first + 10] if comes else [])  # 2 s = 10 scans after the first


@pytest.mark.parametrize(("n", "goes"), [(15, False), (16, True)])
def test_off_delay_to_the_scan(n: int, goes: bool) -> None:  # noqa: FBT001 - the table's column
    played, first = watch(
        {"n": 20, "values": {"aux-flow": 70 * GPM}}, {"n": n}, {"n": 4, "values": {"aux-flow": 70 * GPM}}
    )
    gone = [event.input for event in played.events if event.now == "returned-unacknowledged"]
    assert gone == ([first + 20 + 15] if goes else [])


def test_rising_level_is_out_before_the_high_level() -> None:
    level = 0.3 + 0.01 * np.arange(60) * SCAN_S  # 10 mm/s
    played, first = watch({"n": 60, "values": {"aux-level": level}})
    (at,) = raised(played, "brake-level-rising")
    assert at - first < 40
    assert alarms(played) == {"brake-level-rising"}


def test_first_out() -> None:
    played, _ = watch(
        {"n": 20, "values": {"aux-flow": 0.0}},
        {"n": 40, "values": {"aux-flow": 0.0, "aux-level": 0.5}, "raw": {"tank-temperature": 60000.0}},
    )
    first = {event.alarm: event.first_out for event in played.events if event.now == "unacknowledged"}
    assert first == {
        "cooling-lost": True,
        "cooling-flow-low": False,
        "brake-level-rising": False,
        "brake-level-high": False,
        "signal-bad:tank-temperature": True,  # the rig's own group
    }


def test_the_first_out_stays_the_first_when_it_comes_back() -> None:
    dry = {"aux-flow": 0.0}
    played, _ = watch({"n": 20, "values": dry}, {"n": 14}, {"n": 20, "values": dry})
    found = [(event.now, event.first_out) for event in played.events if event.alarm == "cooling-lost"]
    assert found == [("unacknowledged", True), ("returned-unacknowledged", True), ("unacknowledged", True)]


def test_after_all_is_seen_the_next_is_first_again() -> None:
    parts = blocks(RIG, {"n": 60}, {"n": 20, "values": {"aux-flow": 0.0}})
    seen = streams.command(parts[-1], alarm="all")
    late = streams.scans(RIG, 20, first=82, values={"aux-flow": 0.0, "aux-outlet": 50.0, "aux-level": 0.5})
    played = streams.play([streams.start(RIG), *parts, seen, late])
    assert [e.alarm for e in played.events if e.first_out and e.now == "unacknowledged" and e.input > 81] == [
        "brake-level-high"
    ]


def test_a_clock_step_changes_labels_only() -> None:
    episode = {"n": 30, "values": {"aux-flow": 0.0}}
    plain, _ = watch(episode)
    (dry,) = blocks(RIG, episode)
    stepped = streams.scans(RIG, 30, first=61, utc0=streams.UTC - 10**15, values={"aux-flow": 0.0})
    assert (stepped.t_ns - stepped.t_ns[0] == dry.t_ns - dry.t_ns[0]).all()
    played = streams.play([streams.start(RIG), streams.scans(RIG, 60), stepped])
    assert played.moves() == plain.moves()
    assert all(event.utc_ns < streams.UTC for event in played.events)
    assert played.numbers() == plain.numbers()


def test_broker_lost() -> None:
    played, first = watch({"n": 40, "values": {"self.broker": 0.0}}, {"n": 5})
    assert [(at - first, alarm, now) for at, alarm, now in played.moves()] == [
        (25, "broker-lost", "unacknowledged"),
        (40, "broker-lost", "returned-unacknowledged"),
    ]
    assert played.events[0].brake is None


def test_brakes_are_told_apart() -> None:
    rig = streams.two()
    played = streams.play([streams.start(rig), *blocks(rig, {"n": 60}, {"n": 20, "values": {"two-flow": 0.0}})])
    assert {(event.brake, event.alarm) for event in played.events} == {
        ("two", "cooling-lost"),
        ("two", "cooling-flow-low"),
    }


def test_a_brake_without_an_in_service_signal_is_always_in_service() -> None:
    rig = streams.two()
    idle = {"one-flow": 0.0, "one-in-service": 0.0, "two-flow": 0.0}
    played = streams.play([streams.start(rig), streams.scans(rig, 20, values=idle)])
    assert {event.brake for event in played.events} == {"two"}


@pytest.mark.parametrize("raw", [np.nan, np.inf, -np.inf])
def test_words_that_are_no_number_are_bad_and_never_a_number(raw: float) -> None:
    rig, engine = streams.two(), Engine()
    parts = blocks(rig, {"n": 10}, {"n": 20, "raw": {"one-flow": raw, "hook-load": raw}})
    played = streams.play([streams.start(rig), *parts], engine)
    assert engine.picture().readings["one-flow"] == (0.0, Reason.NOT_A_NUMBER)
    assert "signal-bad:one-flow" in alarms(played)
    assert [event.why for event in played.events if event.alarm == "cooling-lost"] == ["unknown"]
    assert b"NaN" not in engine.state()
    for key, column in played.numbers().items():
        if key[1] == "value":
            assert np.isfinite(np.frombuffer(column)).all()


def test_scans_of_other_points_are_refused_before_a_word_is_taken_for_anothers() -> None:
    """A record of another version, or a replay with a rig file of other points."""
    engine = Engine()
    engine.feed(streams.start(RIG))
    other = streams.two()
    with pytest.raises(StorageError, match=r"run 1, input 1: found scans of \d+ words and \d+ points"):
        engine.feed(streams.scans(other, 3, first=1))


@pytest.mark.parametrize("cut", [1, 200])
def test_the_pump_is_watched_while_any_brake_is_in_service(cut: int) -> None:
    """Of two brakes on one pump one has been out of service for longer than its rotor stays hot."""
    pump = '[[point]]\nname = "pump"\nrole = "pump-running"\ndevice = "plc1"\ntable = "discrete"\naddress = 7\n'
    text = streams.two_brakes().replace("[[brake]]", f'{pump}signal = {{ kind = "bit" }}\n[[brake]]', 1)
    rig = streams.parse(text)
    idle = {"one-in-service": 0.0, "pump": 1.0}
    whole = streams.scans(rig, 200, first=61, values={**idle, "pump": 0.0})
    parts = [whole.cut(at, at + cut) for at in range(0, 200, cut)]
    played = streams.play([streams.start(rig), streams.scans(rig, 60, values=idle), *parts])
    assert len(raised(played, "pump-stopped")) == 1
    assert "returned-unacknowledged" not in [event.now for event in played.events if event.alarm == "pump-stopped"]


@pytest.mark.parametrize("cut", [1, 100])
def test_a_rise_that_stands_does_not_go_because_its_level_is_lost(cut: int) -> None:
    calm, up = {"n": 300}, {"n": 100, "values": {"aux-level": 0.45}}
    whole = streams.scans(RIG, 100, first=401, values={"aux-level": 0.45}, status={"aux-level": 0x82})
    parts = [whole.cut(at, at + cut) for at in range(0, 100, cut)]
    played = streams.play([streams.start(RIG), *blocks(RIG, calm, up), *parts])
    assert len(raised(played, "brake-level-rising")) == 1
    assert [e.now for e in played.events if e.alarm == "brake-level-rising"] == ["unacknowledged"]


def test_out_of_service_is_silent_scan_by_scan_too() -> None:
    idle = {"aux-in-service": 0.0, "aux-flow": 0.0, "aux-level": 0.55, "aux-inlet": 45.0, "aux-outlet": 80.0}
    whole = streams.scans(RIG, 100, values=idle)
    assert streams.play([streams.start(RIG), *[whole.cut(at, at + 1) for at in range(100)]]).events == []


@pytest.mark.parametrize("cut", [1, 100])
def test_a_choked_return_does_not_go_because_its_meter_is_lost(cut: int) -> None:
    """Nobody has seen that as much comes back as goes in."""
    rig = load(streams.CONFIG / "rig-4-full.toml")
    sound = {"aux-in-service": 1.0, "pump-running": 1.0, "aux-flow": 90 * GPM, "aux-level": 0.30}
    choked = {**sound, "aux-return": 70 * GPM, "aux-level": 0.32}
    calm = streams.scans(rig, 300, values={**sound, "aux-return": 90 * GPM})
    chokes = streams.scans(rig, 100, first=301, values=choked)
    whole = streams.scans(rig, 100, first=401, values=choked, status={"aux-return": 0x82})
    parts = [whole.cut(at, at + cut) for at in range(0, 100, cut)]
    played = streams.play([streams.start(rig), calm, chokes, *parts])
    assert [e.now for e in played.events if e.alarm == "return-restricted"] == ["unacknowledged"]
