"""What hangs on one brake's own table and settings, of what is derived; and which changes begin it anew."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

import streams
from brakewater.alarms.catalogue import CATALOGUE
from brakewater.engine import Engine, slow
from brakewater.engine.derive import BrakeWater
from brakewater.quality import Reason
from brakewater.rig import Rig
from brakewater.stream import Column

TWO = streams.two_brakes()
FULL = streams.load(streams.CONFIG / "rig-4-full.toml")
ALIKE = {f"{brake}-{what}": value for brake in ("one", "two")
         for what, value in (("flow", 5e-3), ("inlet", 30.0), ("outlet", 50.0), ("level", 0.3))}  # fmt: skip
RHO_20, RHO_30, RHO_50 = 998.21, 995.65, 988.03
"""kg/m3 of water at 20, 30 and 50 degC, by any table."""


def heats(text: str) -> list[float]:
    engine, rig = Engine(), streams.parse(text)
    engine.feed(streams.start(rig))
    engine.feed(streams.scans(rig, 3, values=ALIKE))
    return [engine.picture().derived[brake, "heat_w"][0] for brake in ("one", "two")]


def test_water_is_weighed_where_its_meter_stands_and_a_mass_meter_by_its_own_density() -> None:
    at_inlet, at_outlet = heats(TWO)
    assert at_outlet / at_inlet == pytest.approx(RHO_50 / RHO_30, rel=2e-4)
    by_mass = heats(TWO.replace('meter = "inlet"', 'meter = "inlet"\nmeter-kind = "mass"', 1))
    assert by_mass[0] / at_inlet == pytest.approx(RHO_20 / RHO_30, rel=2e-4)
    given = 'meter = "inlet"\nmeter-kind = "mass"\nmeter-density = "1020 kg/m3"'
    assert heats(TWO.replace('meter = "inlet"', given, 1))[0] / at_inlet == pytest.approx(1020 / RHO_30, rel=2e-4)


@pytest.mark.parametrize("cut", [[100], [1]])
@pytest.mark.parametrize(("after", "watched"), [(39, True), (40, True), (41, False)])
def test_a_brake_is_watched_up_to_the_end_of_its_rotors_cool_down(cut: list[int], after: int, *, watched: bool) -> None:
    """20 s are 40 scans after the last one in service; the flow is low at a single one."""
    engine, rig = Engine(), streams.parse(TWO)
    engine.feed(streams.start(rig))
    flow = np.full(60, 0.02)
    flow[9 + after] = 150 * streams.GPM * 0.5
    values = {**ALIKE, "two-flow": 0.02, "one-flow": flow, "one-in-service": np.repeat([1.0, 0.0], [10, 50])}
    events = [
        event
        for block in streams.cut([streams.scans(rig, 60, values=values)], cut)
        for event in engine.feed(block).events
        if event.alarm == "cooling-flow-low" and event.now == "unacknowledged"
    ]
    assert [(one.brake, one.input) for one in events] == ([("one", 10 + after)] if watched else [])


def water_of(rig: Rig) -> BrakeWater:
    return BrakeWater(rig, rig.brakes[0])


def rotor(degc: list[float], std_k: float, code: int = 0) -> dict[str, Column]:
    values, codes = np.array(degc), np.full(len(degc), code, np.uint8)
    return {
        "rotor_temperature_degc": Column(values=values, codes=codes),
        "rotor_temperature_std_k": Column(values=np.full(len(degc), std_k), codes=codes),
    }


@pytest.mark.parametrize(("std_k", "code", "hot"), [
    (0.0, 0, [False, False, True]), (6.0, 0, [False, True, True]), (6.0, int(Reason.NO_BASIS), [False] * 3),
])  # fmt: skip
def test_a_rotor_that_may_be_hot_is_watched_though_it_is_out_of_service(
    std_k: float, code: int, hot: list[bool]
) -> None:
    """With twice its standard uncertainty; the same of a lone scan as of many."""
    water, limit = water_of(FULL), next(one.setpoint for one in FULL.alarms if one.kind.name == "rotor-hot-no-flow")
    assert limit is not None
    degc = [limit - 20.0, limit - 10.0, limit + 1.0]
    none = np.zeros(3, np.bool_)
    assert water._or_hot(rotor(degc, std_k, code), none).tolist() == hot
    assert [water._or_hot(rotor([one], std_k, code), none[:1]).tolist() for one in degc] == [[one] for one in hot]
    assert water._or_hot(rotor(degc, std_k, code), ~none).all()


def test_a_changed_setting_says_from_then_on_where_a_rotor_counts_as_hot_and_only_its_own_brakes() -> None:
    water, rule = water_of(FULL), next(one for one in FULL.alarms if one.kind.name == "rotor-hot-no-flow")
    seen, none = rotor([100.0, 200.0], 0.0), np.zeros(2, np.bool_)
    for brake, setpoint, hot in (("aux", 150.0, [False, True]), ("aux", 50.0, [True] * 2), ("main", 300.0, [True] * 2)):
        water.follow([replace(rule, brake=brake, setpoint=setpoint)])
        assert water._or_hot(seen, none).tolist() == hot


def rises(rig: Rig, *commands: dict[str, Any]) -> set[str | None]:
    """Brakes whose alarm comes when the level of both stands 3 cm above its usual for half a minute."""
    engine = Engine()
    engine.feed(streams.start(rig))
    values = {**ALIKE, "one-flow": 0.02, "two-flow": 0.02}
    calm = streams.scans(rig, 60, values=values)
    engine.feed(calm)
    for number, args in enumerate(commands):
        command = streams.command(calm, "set", key=f"k{number}", actor="engineer", reason="trial", **args)
        assert engine.feed(command).answers[0].ok
    higher = {**values, "one-level": 0.33, "two-level": 0.33}
    events = engine.feed(streams.scans(rig, 60, first=61 + len(commands), values=higher)).events
    return {one.brake for one in events if one.alarm == "brake-level-rising"}


def test_what_counts_as_rising_is_each_brakes_own_by_its_file_and_by_command() -> None:
    rig, entry = (
        streams.parse(f'{TWO}[people]\nengineer = "engineer"\n'),
        '[[brake.alarm]]\nalarm = "brake-level-rising"\nsetpoint = "50 mm"\n',
    )
    assert rises(rig) == {"one", "two"}
    assert rises(rig, {"setting": "two.brake-level-rising.setpoint", "value": "50 mm"}) == {"one"}
    assert rises(rig, {"setting": "one.brake-level-rising.setpoint", "value": "50 mm"}) == {"two"}
    second = TWO.index("[[brake.alarm]]", TWO.index('name = "two"'))
    assert rises(streams.parse(TWO[:second] + entry + TWO[second:])) == {"one"}
    assert "brake-level-rising" in CATALOGUE


@pytest.mark.parametrize(("old", "new", "goes_on"), [
    ("", "", True),
    ('inlet-limit = "100 degF"', 'inlet-limit = "98 degF"', True),
    ('"200 bbl"', '"300 bbl"', False),
    ('range = ["0 gal/min", "150 gal/min"]', 'range = ["0 gal/min", "160 gal/min"]', False),
    ('meter = "inlet"', 'meter = "outlet"', False),
])  # fmt: skip
def test_a_trips_totals_go_over_a_restart_unless_what_they_are_measured_by_has_changed(
    old: str, new: str, *, goes_on: bool
) -> None:
    rig = streams.demo()
    before = Engine()
    before.feed(streams.start(rig))
    before.feed(streams.scans(rig, 300))
    kept = before.picture().derived["aux", "energy_j"][0]
    assert kept > 1e6
    other, after = streams.parse(streams.changed(rig.text, (old, new)) if old else rig.text), Engine()
    after.feed(streams.start(other, run=2, t_ns=300 * rig.scan_ns, snapshot=before.state()))
    after.feed(streams.scans(other, 5, run=2, first=301))
    assert (after.picture().derived["aux", "energy_j"][0] >= kept) is goes_on


@pytest.mark.parametrize("changes", ["flow", "inlet", "outlet"])
def test_one_signal_that_changes_alone_counts_at_once_scan_by_scan_as_well(changes: str) -> None:
    """What stands still is worked out but once."""
    rig = streams.demo()
    moving = {
        "flow": np.linspace(4e-3, 6e-3, 12),
        "inlet": np.linspace(20.0, 30.0, 12),
        "outlet": np.linspace(40, 50, 12),
    }
    block = streams.scans(rig, 12, values={f"aux-{changes}": moving[changes]})
    whole, apart = (streams.play([streams.start(rig), *streams.cut([block], [size])]) for size in (12, 1))
    assert whole.numbers() == apart.numbers()
    key = next(key for key in whole.numbers() if "heat_w" in str(key))
    assert len(set(np.frombuffer(whole.numbers()[key])[:12].tolist())) == 12


def senses(text: str) -> tuple[Any, Any]:
    """What is known beforehand of the first brake's work and of its tank."""
    rig = streams.parse(text)
    water = water_of(rig)
    of_brake = rig, rig.brakes[0], water._circuit, water._spreads
    return slow._sensed(*of_brake), slow._tank_sense(*of_brake)


def without(text: str, role: str) -> str:
    """The text without the point of a role."""
    at = text.index(f'role = "{role}"')
    begin, end = text.rindex("[[", 0, at), text.index("[[", at)
    return text[:begin] + text[end:]


def test_a_tank_holds_as_much_heat_as_its_water_and_shows_what_it_has_sensors_for() -> None:
    """200 bbl of water at the inlet's limit, 37.8 degC: 993.0 kg/m3 and 4.179 kJ/kg K by any table."""
    text = FULL.text
    _, tank = senses(text)
    assert tank.capacity_j_k == pytest.approx(FULL.tanks[0].volume * 993.0 * 4179.0, rel=1e-3)
    assert (tank.from_tank, tank.full_m, tank.other_w) == (True, FULL.tanks[0].height, FULL.tanks[0].other_heat)
    _, tank = senses(without(text, "tank-temperature"))
    assert (tank.from_tank, tank.full_m) == (False, FULL.tanks[0].height)
    _, tank = senses(without(text, "tank-level"))
    assert (tank.from_tank, tank.full_m) == (True, None)


def test_what_a_brake_keeps_of_its_heat_is_its_water_at_half_the_way_and_its_iron() -> None:
    """45 degC: 990.2 kg/m3 and 4.180 kJ/kg K by any table."""
    brake = FULL.brakes[0]
    assert brake.rotor is not None
    sense, _ = senses(FULL.text)
    water = 990.2 * 4180.0 * (brake.housing_area or 0.0) * 0.5 * brake.bearing_level
    assert water > 1e4
    assert sense.water_j_k == pytest.approx(water + brake.rotor.surface + brake.rotor.core, rel=1e-3)


def test_a_level_that_is_known_less_well_may_be_at_the_bearing_sooner() -> None:
    soonest = []
    for accuracy in ("1 mm", "40 mm"):
        text = streams.demo().text
        at = text.index('role = "brake-level"')
        rig, engine = (
            streams.parse(text[:at] + text[at:].replace("signal", f'accuracy = "{accuracy}"\nsignal', 1)),
            Engine(),
        )
        engine.feed(streams.start(rig))
        engine.feed(streams.scans(rig, 150, values={"aux-level": np.linspace(0.3, 0.45, 150)}))
        value, code = engine.picture().derived["aux", "time_to_bearing_early_s"]
        assert code == 0
        soonest.append(value)
    assert soonest[1] < 0.8 * soonest[0]
