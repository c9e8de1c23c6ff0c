"""The engine over every scenario, as the recorder writes it: what is raised is what the scenario expects, no more."""

from dataclasses import replace

import pytest

from brakewater.engine import Engine
from brakewater.rig import Rig, load
from brakewater.rig.load import demo_file
from brakewater_sim.hoist import HoistSizes
from brakewater_sim.offline import blocks, start_of
from brakewater_sim.plant import Sizes
from brakewater_sim.profile import constant, steps
from brakewater_sim.scenarios import SCENARIOS, Scenario
from brakewater_sim.simulate import simulate

pytestmark = pytest.mark.timeout(300)

STORIES = sorted(name for name, scenario in SCENARIOS.items() if scenario.expected)
HOUR_S = 3600.0


@pytest.fixture(scope="module")
def rig() -> Rig:
    return load(demo_file())


def raised(
    rig: Rig, story: str | Scenario, *, seed: int = 1, seconds: float | None = None, denied: str = ""
) -> dict[str, float]:
    """Alarm -> when it was first raised, s; ``denied``: this contact's wire is off, so that it reads as open."""
    engine, found = Engine(), {}
    off = [slot.column for slot in rig.slots if slot.point.name == denied]
    events = list(engine.feed(start_of(rig)).events)
    for block in blocks(SCENARIOS[story] if isinstance(story, str) else story, rig, seed=seed, seconds=seconds):
        words = block.words.copy()
        words[:, off] = 0
        events += engine.feed(replace(block, words=words)).events
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


CASING = HoistSizes(
    stand_m=12.5, pipe_kg_m=107.0, collars_kg=0.0, lowering_m_s=0.45, connect_s=180.0, start_depth_m=2000.0
)
"""Single joints of a heavy casing, lowered slowly, three minutes to make one up."""
REAMING = HoistSizes(lowering_m_s=0.15, start_depth_m=2400.0, end_depth_m=2457.3)
BACK_REAMING = HoistSizes(direction="out", pulling_m_s=0.25, start_depth_m=2457.3, end_depth_m=2400.0, follows=True)
OUT = HoistSizes(direction="out", start_depth_m=3381.0, end_depth_m=2000.0)
QUIET = {
    "casing": Scenario(name="casing", says="Casing is run.", length_s=1800.0, sizes=Sizes(hoist=CASING)),
    "reaming": Scenario(
        name="reaming",
        says="Two stands are reamed down and back.",
        length_s=1800.0,
        sizes=Sizes(hoist=REAMING),
        legs=(BACK_REAMING,),
    ),
    "out": Scenario(name="out", says="Only pulling.", length_s=1200.0, sizes=Sizes(hoist=OUT)),
    "drilling": Scenario(
        name="drilling", says="No trip for an hour.", length_s=HOUR_S, pace=constant(0.0), clock_s=1.0
    ),
}


@pytest.mark.parametrize("name", QUIET)
def test_other_work_with_the_string_raises_nothing(rig: Rig, name: str) -> None:
    assert raised(rig, QUIET[name]) == {}


@pytest.mark.parametrize(("story", "stands"), [("trip-in", 3), (QUIET["casing"], 4)])
def test_a_contact_whose_wire_is_off_is_doubted_by_what_the_stands_do_to_the_water(
    rig: Rig, story: str | Scenario, stands: int
) -> None:
    """Without coil current and drum speed nothing else tells of it, and no alarm of the water would come."""
    told = raised(rig, story, denied="aux-in-service", seconds=1100.0)
    assert told.keys() == {"signal-doubtful:aux-in-service"}
    assert told["signal-doubtful:aux-in-service"] < stands * 240.0


@pytest.mark.parametrize("name", ["out", "drilling"])
def test_a_contact_that_says_out_of_service_is_believed_where_the_brake_does_nothing(rig: Rig, name: str) -> None:
    assert raised(rig, QUIET[name], denied="aux-in-service", seconds=1000.0) == {}


@pytest.mark.parametrize("worn", [0.0, 0.15])
def test_a_pump_swapped_for_its_spare_in_ten_seconds_is_told_as_a_stopped_pump_and_no_more(
    rig: Rig, worn: float
) -> None:
    """While a stand goes down; the spare may be a worn one, which still gives enough water."""
    swap = Scenario(
        name="swap",
        says="The pump is swapped for its spare.",
        length_s=300.0,
        pump=steps(1.0, (60.0, 0.0), (70.0, 1.0), over_s=0.05),
        conditions={"wear": (steps(0.0, (60.0, worn), over_s=1.0),)},
    )
    found = raised(rig, swap)
    assert list(found) == ["pump-stopped", "cooling-lost", "cooling-flow-low"]
    assert max(found.values()) < 64.0


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
