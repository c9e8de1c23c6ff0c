"""What a good rig file becomes."""

import pytest

import streams
from brakewater.rig import SELF, Rig, Table, parse
from brakewater.rig.bounds import time_to_limit_s
from brakewater.signals.convert import CurrentLoop, Direct, Pt100

RIG = streams.demo()
GPM = streams.GPM


def rule(rig: Rig, key: str) -> streams.Any:
    return next(rule for rule in rig.alarms if rule.key == key)


def test_the_demo_rig() -> None:
    assert (RIG.name, RIG.pad, RIG.scan_ns, RIG.units) == ("rig-4", "ninebark-2", 200_000_000, "us")
    assert RIG.root == "brakewater/rig-4"
    assert RIG.device_names == ("plc1", SELF)
    assert [slot.column for slot in RIG.slots] == [0, 2, 4, 5, 6, 7, 8, 9, 10, 11, 12, 14, 16, 18, 20, 21, 22, 23]
    assert RIG.words == 24
    (brake,) = RIG.brakes
    assert brake.least_flow == pytest.approx(75 * GPM)
    assert brake.outlet_limit == pytest.approx(71.11111)
    assert brake.bearing_level == pytest.approx(0.6)
    assert RIG.tanks[0].volume == pytest.approx(31.7974589856)


def test_points_are_resolved() -> None:
    flow, inlet, load = (RIG.role(role, "aux") for role in ("inlet-flow", "inlet-temperature", "hook-load"))
    assert flow is not None
    assert isinstance(flow.signal, CurrentLoop)
    assert (flow.signal.raw_low, flow.signal.raw_high, flow.signal.low) == (0, 27648, 0)
    assert flow.signal.high == pytest.approx(150 * GPM)
    assert inlet is not None
    assert inlet.signal == Pt100(ohms_per_count=0.01)
    assert load is not None
    assert isinstance(load.signal, Direct)
    assert (load.table, load.address, load.count) == (Table.INPUT, 6, 2)


@pytest.mark.parametrize(
    ("table", "reference", "address"),
    [
        ("input", 30021, 20),
        ("input", 39999, 9998),
        ("input", 300021, 20),
        ("input", 365535, 65534),
        ("holding", 40001, 0),
        ("holding", 465535, 65534),
    ],
)
def test_references_count_from_one(table: str, reference: int, address: int) -> None:
    swap = ('table = "input"\naddress = 6', f'table = "{table}"\nreference = {reference}')
    rig = parse(streams.changed(RIG.text, swap))
    assert rig.points[0].address == address


def test_the_daemons_own_points_follow() -> None:
    own = [point for point in RIG.points if point.device == SELF]
    assert [(point.name, point.address) for point in own] == [
        ("self.lateness", 0),
        ("self.commit-age", 2),
        ("self.queued", 4),
        ("self.clock-step", 6),
        ("self.broker", 8),
        ("self.disk-used", 9),
        ("self.restarts", 10),
        ("self.panel", 11),
    ]
    assert not [point for point in streams.two().points if point.name == "self.broker"]


def test_a_mirror_has_a_point_of_its_own() -> None:
    rig = parse(RIG.text + '\n[mirror.office]\nurl = "http://127.0.0.1:8428"\nevery = "5 s"\n')
    assert rig.mirrors["office"].every == 5_000_000_000
    assert "self.mirror.office" in {point.name for point in rig.points}


def test_every_alarm_of_the_first_set() -> None:
    keys = [rule.key for rule in RIG.alarms]
    assert keys[:6] == [
        "aux.cooling-lost", "aux.cooling-flow-low", "aux.inlet-temperature-high", "aux.outlet-temperature-high",
        "aux.brake-level-rising", "aux.brake-level-high",
    ]  # fmt: skip
    assert keys[6:12] == [
        "aux.outlet-rise-high", "aux.cooling-margin-low", "aux.inlet-limit-ahead", "aux.heat-share-low",
        "aux.rotor-hot-no-flow", "rig.device-silent:plc1",
    ]  # fmt: skip
    assert {"rig.pump-stopped", "rig.frost-ahead", "rig.record-stalled"} <= set(keys)
    assert len([key for key in keys if key.startswith("rig.signal-bad:")]) == 10
    assert keys[-3:] == ["rig.broker-lost", "rig.part-restarting", "rig.panel-lost"]


def test_setpoints_come_from_the_brakes_limits() -> None:
    assert rule(RIG, "aux.cooling-lost").setpoint == pytest.approx(5 * GPM)
    assert rule(RIG, "aux.inlet-temperature-high").setpoint == pytest.approx(37.77778)
    assert rule(RIG, "aux.brake-level-high").setpoint == pytest.approx(0.45)


def test_a_deadband_is_a_difference() -> None:
    """2 degF of deadband are 1.111 K; as a temperature they would be -16.67 degC."""
    assert rule(RIG, "aux.inlet-temperature-high").deadband == pytest.approx(2 / 1.8)
    assert rule(streams.two(), "one.outlet-temperature-high").deadband == pytest.approx(3.0)


def test_what_the_file_says_differs_from_the_catalogue() -> None:
    low = rule(streams.two(), "one.cooling-flow-low")
    assert (low.on_ns, low.off_ns, low.latching) == (0, 0, True)
    assert low.setpoint == pytest.approx(150 * GPM)


@pytest.mark.parametrize("rig", [RIG, streams.two()], ids=["demo", "two"])
def test_no_delay_takes_more_than_a_quarter_of_the_time_there_is(rig: Rig) -> None:
    for brake in rig.brakes:
        for one in rig.alarms:
            if one.brake == brake.name:
                assert one.on_ns * 1e-9 <= time_to_limit_s(one, brake) / 4


@pytest.mark.parametrize("scan", ["20 ms", "50 ms", "200 ms", "1 s"])
def test_a_lost_flow_is_out_with_the_second_scan_at_any_cadence(scan: str) -> None:
    rig = parse(streams.changed(RIG.text, ('"200 ms"', f'"{scan}"'), ('"150 ms"', '"10 ms"')))
    assert rule(rig, "aux.cooling-lost").on_ns <= rig.scan_ns / 2


@pytest.mark.parametrize("scan", ["20 ms", "200 ms", "500 ms", "1 s"])
def test_unknown_flow_is_out_within_three_seconds_at_any_cadence(scan: str) -> None:
    rig = parse(streams.changed(RIG.text, ('"200 ms"', f'"{scan}"'), ('"150 ms"', '"10 ms"')))
    assert (rule(rig, "aux.cooling-lost").unknown_ns or 10**12) + 2 * rig.scan_ns <= 3 * 10**9


def test_a_date_may_stand_with_or_without_quotes() -> None:
    for day in ("2031-02-03", '"2031-02-03"'):
        rig = parse(streams.changed(RIG.text, ("address = 6", f"address = 6\ncalibrated = {day}")))
        assert rig.points[0].calibrated == "2031-02-03"


def test_bits_of_one_register_may_be_shared() -> None:
    assert [point.name for point in RIG.points if point.address == 4 and point.device == "plc1"] == [
        "pump-running",
        "aux-in-service",
    ]


def test_a_battery_is_watched_where_the_rig_file_says_there_is_one() -> None:
    rig = parse(streams.changed(RIG.text, ('units = "us"', 'units = "us"\nbattery = true')))
    assert "rig.on-battery" in {rule.key for rule in rig.alarms}
    assert rig.points[-1].name == "self.mains"
    assert "rig.on-battery" not in {rule.key for rule in RIG.alarms}
