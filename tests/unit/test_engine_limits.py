"""Alarms that come only where the rig file gives their limit: each of the full rigs' is looked at, rises and clears."""

import re

import numpy as np
import pytest

import streams
from brakewater.engine import Engine
from brakewater.engine.of_scans import Limits, OfScans
from brakewater.physics.balance import Circuit
from brakewater.physics.uncertainty import Spread, Spreads
from brakewater.quality import Status, is_bad
from brakewater.rig import load
from brakewater.stream import Column

GPM = streams.GPM
FULL = load(streams.CONFIG / "rig-4-full.toml")
PSI = 6894.757293168  # NIST SP 811
SOUND = {
    "pump-running": 1.0,
    "aux-in-service": 1.0,
    "aux-flow": 90 * GPM,
    "aux-inlet": 30.0,
    "aux-outlet": 32.0,
    "aux-pressure": 41 * PSI,
    "aux-strainer": 2.5 * PSI,
    "aux-level": 0.3,
}


@pytest.mark.parametrize(
    ("alarm", "point", "beyond"),
    [
        ("supply-pressure-low", "aux-pressure", 33 * PSI),
        ("strainer-fouling", "aux-strainer", 8.5 * PSI),
        ("cooling-flow-high", "aux-flow", 112 * GPM),
    ],
)
def test_an_alarm_of_an_optional_limit_comes_and_goes(alarm: str, point: str, beyond: float) -> None:
    engine = Engine()
    events = list(engine.feed(streams.start(FULL)).events)
    for first, values in ((1, SOUND), (201, {**SOUND, point: beyond}), (401, SOUND)):
        events += engine.feed(streams.scans(FULL, 200, first=first, values=values)).events
    (up, at), (down, after) = [(event.now, event.input) for event in events if event.alarm == alarm]
    assert (up, down) == ("unacknowledged", "returned-unacknowledged")
    assert 200 < at <= 400 < after


@pytest.mark.parametrize("name", ["demo.toml", "rig-4-full.toml", "rig-9-full.toml", "template.toml"])
def test_every_alarm_of_every_rig_file_here_finds_what_it_looks_at(name: str) -> None:
    rig = load(streams.CONFIG / name)
    engine = Engine()
    engine.feed(streams.start(rig))
    assert set(engine.feed(streams.scans(rig, 10)).readings) == {point.name for point in rig.points}


def asked(*parts: tuple[int, float, float], alarm: str = "excitation-low") -> list[tuple[str, int]]:
    """What an alarm of the excitation did over parts of so many scans, amperes asked for and amperes taken."""
    engine, first = Engine(), 1
    events = list(engine.feed(streams.start(FULL)).events)
    for scans, wanted, taken in parts:
        values = {**SOUND, "aux-commanded": wanted, "aux-current": taken}
        events += engine.feed(streams.scans(FULL, scans, first=first, values=values)).events
        first += scans
    return [(event.now, event.input) for event in events if event.alarm == alarm]


def test_a_coil_that_takes_less_than_it_is_asked_for_is_told_and_letting_go_of_the_lever_mends_nothing() -> None:
    ((up, at),) = asked((50, 0.0, 0.0), (25, 40.0, 15.0), (200, 0.0, 0.0))
    assert up == "unacknowledged"
    assert 50 < at <= 50 + 5 * 3 + 1
    (_, (down, after)) = asked((50, 0.0, 0.0), (25, 40.0, 15.0), (100, 0.0, 0.0), (60, 40.0, 39.0))
    assert (down, after > 175) == ("returned-unacknowledged", True)


def test_a_coil_that_follows_late_or_is_asked_for_next_to_nothing_is_not_weak() -> None:
    # A coil with a time constant of a second after a step of 40 A: 1 - exp(-t) each fifth of a second.
    late = [(1, 40.0, 40.0 * (1.0 - 2.718281828 ** (-0.2 * k))) for k in range(30)]
    for touch in range(2, 30, 3):
        assert asked((52, 0.0, 0.0), *late[:touch], (50, 0.0, 0.0)) == []
    assert asked((100, 4.0, 0.0)) == []


def test_an_exciter_at_its_limit_is_told_before_it_fails() -> None:
    """Two thirds of what is asked for, at the peaks alone: no case for excitation-low, yet 4/9 of the torque."""
    parts = (50, 0.0, 0.0), (100, 36.0, 36.0), (100, 57.0, 38.0)
    ((up, at),) = asked(*parts, alarm="excitation-reduced")
    assert (up, asked(*parts)) == ("unacknowledged", [])
    assert 150 + 5 * 5 < at <= 150 + 5 * 8
    assert asked((50, 0.0, 0.0), (200, 57.0, 50.0), alarm="excitation-reduced") == []


@pytest.mark.parametrize(
    ("changes", "ready"),
    [
        ({}, (1.0, True)),
        ({"aux-flow": 74 * GPM}, (0.0, True)),
        ({"aux-inlet": 38.0}, (0.0, True)),
        ({"aux-level": 0.46}, (0.0, True)),
    ],
)
def test_cooling_is_ready_where_flow_inlet_and_level_are(changes: dict[str, float], ready: tuple[float, bool]) -> None:
    engine = Engine()
    engine.feed(streams.start(FULL))
    found = engine.feed(streams.scans(FULL, 5, values={**SOUND, **changes})).derived["aux", "cooling_ready"]
    assert (found.values[-1], found.codes[-1] == 0) == ready


def test_at_its_very_limits_cooling_is_ready() -> None:
    """No alarm of its flow, inlet or level stands there: each comes beyond its limit."""
    brake = FULL.brakes[0]
    limits = Limits(least_flow_m3_s=brake.least_flow, inlet_degc=brake.inlet_limit, level_m=0.45)
    exact = Spread()
    at = {"inlet-flow": brake.least_flow, "inlet-temperature": brake.inlet_limit, "brake-level": 0.45}
    for role, beyond in (("", 0.0), ("inlet-flow", -1e-9), ("inlet-temperature", 1e-9), ("brake-level", 1e-9)):
        told = {name: value + (beyond if name == role else 0.0) for name, value in at.items()}
        columns = {name: Column(values=np.array([value]), codes=np.zeros(1, np.uint8)) for name, value in told.items()}
        scan = OfScans(
            circuit=Circuit(meter_at_inlet=True, wetting_flow_m3_s=3e-4, outlet_limit_degc=71.0),
            spreads=Spreads(flow=exact, inlet=exact, outlet=exact), limits=limits, area_m2=0.0, by_role=columns,
            of_water={},
        )  # fmt: skip
        assert scan["cooling_ready"].values[0] == float(not role)


def test_cooling_is_not_ready_where_one_of_them_is_unknown() -> None:
    engine = Engine()
    engine.feed(streams.start(FULL))
    block = streams.scans(FULL, 5, values=SOUND, status={"plc1": Status.SILENT})
    found = engine.feed(block).derived["aux", "cooling_ready"]
    assert (found.values[-1], bool(is_bad(found.codes)[-1])) == (0.0, True)


@pytest.mark.parametrize("point", ["aux-flow", "aux-inlet", "aux-level"])
def test_nor_where_one_alone_is_and_the_others_are_well(point: str) -> None:
    engine = Engine()
    engine.feed(streams.start(FULL))
    block = streams.scans(FULL, 5, values=SOUND, status={point: 0x82})
    found = engine.feed(block).derived["aux", "cooling_ready"]
    assert (found.values[-1], bool(is_bad(found.codes)[-1])) == (0.0, True)


def test_what_fills_the_brake_is_not_counted_as_lost() -> None:
    """2 mm/s over 0.55 m2 of housing is 1.1 L/s: as much less comes back, and the balance is none."""
    rises = 0.3 + 0.002 * np.arange(150) / 5.0
    values = {**SOUND, "aux-level": rises, "aux-flow": 5e-3, "aux-return": 3.9e-3}
    engine = Engine()
    engine.feed(streams.start(FULL))
    found = engine.feed(streams.scans(FULL, 150, values=values)).derived["aux", "flow_balance_m3_s"]
    assert (found.values[-1], found.codes[-1]) == (pytest.approx(0.0, abs=5e-5), 0)


def test_the_tanks_temperature_is_its_own_where_it_has_a_thermometer_and_else_the_inlets() -> None:
    bare = streams.parse(re.sub(r'\[\[point\]\]\nname = "tank-temperature".*?\n\n', "", FULL.text, flags=re.DOTALL))
    for rig, degc in ((FULL, 35.0), (bare, 30.0)):
        engine = Engine()
        engine.feed(streams.start(rig))
        values = {**SOUND, **({"tank-temperature": 35.0} if rig is FULL else {})}
        found = engine.feed(streams.scans(rig, 5, values=values)).derived["aux", "tank_temperature_degc"]
        assert found.values[-1] == pytest.approx(degc, abs=0.1)
