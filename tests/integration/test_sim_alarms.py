"""The engine over every scenario, as the recorder writes it: what is raised is what the scenario expects, no more."""

import pytest

from brakewater.engine import Engine
from brakewater.rig import Rig, load
from brakewater.rig.load import demo_file
from brakewater_sim.offline import blocks, start_of
from brakewater_sim.scenarios import SCENARIOS
from brakewater_sim.simulate import simulate

pytestmark = pytest.mark.timeout(300)

STORIES = sorted(name for name, scenario in SCENARIOS.items() if scenario.expected)
HOUR_S = 3600.0


@pytest.fixture(scope="module")
def rig() -> Rig:
    return load(demo_file())


def raised(rig: Rig, name: str, *, seed: int = 1, seconds: float | None = None) -> dict[str, float]:
    """Alarm -> when it was first raised, s."""
    engine, found = Engine(), {}
    events = list(engine.feed(start_of(rig)).events)
    for block in blocks(SCENARIOS[name], rig, seed=seed, seconds=seconds):
        events += engine.feed(block).events
    for event in events:
        if event.now == "unacknowledged":
            found.setdefault(event.alarm, (event.input - 1) * rig.scan_ns / 1e9)
    return found


def assert_as_told(rig: Rig, name: str, seed: int) -> None:
    found, expected = raised(rig, name, seed=seed), SCENARIOS[name].expected
    assert found.keys() == {one.alarm for one in expected}
    late = {one.alarm: (found[one.alarm], one.due_s) for one in expected if found[one.alarm] > one.due_s}
    assert not late
    assert sorted(expected, key=lambda one: one.due_s) == list(expected)


@pytest.mark.parametrize("name", STORIES)
def test_raises_what_the_scenario_expects(rig: Rig, name: str) -> None:
    assert_as_told(rig, name, seed=1)


def test_an_hour_of_a_normal_trip_raises_nothing(rig: Rig) -> None:
    assert raised(rig, "trip-in", seconds=HOUR_S) == {}


def test_all_but_the_normal_trip_expect_something() -> None:
    assert set(SCENARIOS) - set(STORIES) == {"trip-in"}


def test_a_choke_is_told_well_before_water_reaches_the_bearing(rig: Rig) -> None:
    scenario = SCENARIOS["return-choke"]
    found = raised(rig, "return-choke")
    at_bearing = next(
        tick.t_ns / 1e9
        for tick in simulate(scenario, every_s=0.2)
        if tick.truth["brake-level"] >= scenario.sizes.brake.bearing_m
    )
    assert found["brake-level-rising"] + 10.0 < at_bearing
    assert found["brake-level-high"] + 5.0 < at_bearing


@pytest.mark.long
@pytest.mark.parametrize("seed", range(2, 10))
@pytest.mark.parametrize("name", STORIES)
def test_raises_the_same_with_any_noise(rig: Rig, name: str, seed: int) -> None:
    assert_as_told(rig, name, seed)


@pytest.mark.long
@pytest.mark.timeout(300)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_whole_normal_trip_raises_nothing(rig: Rig, seed: int) -> None:
    """But for the last minutes: the tank ends 1.2 K below its limit, and would have passed it within half an hour."""
    found = raised(rig, "trip-in", seed=seed)
    assert found.keys() <= {"inlet-limit-ahead"}
    assert found.get("inlet-limit-ahead", 1e9) > 275 * 60
