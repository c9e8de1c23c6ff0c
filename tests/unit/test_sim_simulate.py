from dataclasses import replace
from functools import cache
from itertools import pairwise
from math import isfinite

import pytest

from brakewater_sim.ledger import ledger
from brakewater_sim.profile import constant, steps
from brakewater_sim.scenarios import SCENARIOS, Scenario
from brakewater_sim.sensors import SensorFault
from brakewater_sim.simulate import UNITS, Simulation, Tick, simulate
from brakewater_sim.water import density_kg_m3

DEMO = SCENARIOS["demo"]
pytestmark = pytest.mark.timeout(300)

SHORT = replace(DEMO, warmup_s=5.0)


def ticks(scenario: Scenario, every_s: float = 0.2, seed: int = 1, seconds: float | None = None) -> list[Tick]:
    return list(simulate(scenario, seed=seed, every_s=every_s, seconds=seconds))


@cache
def told(name: str) -> tuple[Tick, ...]:
    """A whole scenario, one tick a second, played once for all tests that look at it."""
    return tuple(ticks(SCENARIOS[name], every_s=1.0))


def at(run: list[Tick], t: float) -> Tick:
    return next(tick for tick in run if tick.t_ns == round(t * 1e9))


def test_every_role_has_a_true_and_a_measured_value() -> None:
    for tick in ticks(SHORT, seconds=1.0):
        assert tick.truth.keys() == tick.measured.keys() == UNITS.keys()


def test_same_seed_same_stream_and_another_seed_moves_only_noise() -> None:
    one, again, other = ticks(SHORT, seconds=20.0), ticks(SHORT, seconds=20.0), ticks(SHORT, seed=2, seconds=20.0)
    assert one == again
    assert [tick.truth for tick in one] == [tick.truth for tick in other]
    assert [tick.state for tick in one] == [tick.state for tick in other]
    differ = {role for a, b in zip(one, other, strict=True) for role in UNITS if a.measured[role] != b.measured[role]}
    assert differ == {role for role, unit in UNITS.items() if unit != "bit"}


def test_the_asking_pattern_changes_nothing() -> None:
    often = {tick.t_ns: tick for tick in ticks(SHORT, every_s=0.05, seconds=12.0)}
    for tick in ticks(SHORT, every_s=0.4, seconds=12.0):
        assert often[tick.t_ns] == tick
    odd = Simulation(SHORT, 1)
    for t_ns in (1, 333_333_333, 349_999_999, 7_777_777_777):
        tick = odd.advance_to(t_ns)
        assert tick == often[t_ns // 50_000_000 * 50_000_000]


def test_refuses_what_it_cannot_do() -> None:
    simulation = Simulation(SHORT, 1)
    simulation.advance_to(1_000_000_000)
    with pytest.raises(ValueError, match="never goes back"):
        simulation.advance_to(900_000_000)
    with pytest.raises(ValueError, match=r"multiples of 0\.05 s"):
        next(simulate(SHORT, every_s=0.03))
    with pytest.raises(ValueError, match=r"no transmitter \['outlet'\]"):
        replace(SHORT, faults=(SensorFault(role="outlet", kind="stuck", from_s=1.0),))


def test_demo_tells_its_story() -> None:
    run = ticks(DEMO)
    level = {t: at(run, t).truth["brake-level"] for t in (0.0, 20.0, 40.0, 60.0, 80.0)}
    assert at(run, 0.0).hook.brake_w > 5e5
    assert at(run, 0.0).truth["outlet-temperature"] > at(run, 0.0).truth["inlet-temperature"] + 10.0
    assert level[20.0] == pytest.approx(level[0.0], abs=0.005)
    assert level[40.0] > level[20.0] + 0.05
    assert 0.47 < level[60.0] < 0.53 < DEMO.sizes.brake.bearing_m
    assert level[80.0] < 0.45
    assert at(run, 84.8).truth["inlet-flow"] > 5.2e-3
    assert at(run, 85.0).hook.brake_w > 5e5
    assert at(run, 87.0).truth["inlet-flow"] < 1e-6
    assert at(run, 86.0).measured["pump-running"] == 0.0
    assert at(run, 101.0).hook.brake_w == 0.0
    assert all(tick.measured["in-service"] == 1.0 for tick in run)
    assert max(tick.truth["outlet-temperature"] for tick in run) < 60.0


@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_scenarios_expect_their_alarms_within_their_length(name: str) -> None:
    scenario = SCENARIOS[name]
    assert scenario.name == name
    assert all(0.0 < expected.due_s < scenario.length_s for expected in scenario.expected)


def test_devices_and_wires_fail_as_told() -> None:
    silent = ticks(replace(SCENARIOS["plc-silent"], warmup_s=0.0), every_s=10.0)
    assert [tick.t_ns // 10**9 for tick in silent if tick.silent == {"plc1"}] == [40, 50, 60, 70, 80, 90]
    broken = ticks(replace(SCENARIOS["inlet-rtd-open"], warmup_s=0.0), every_s=20.0)
    gone = [tick.t_ns // 10**9 for tick in broken if tick.broken == {"inlet-temperature": "open-circuit"}]
    assert gone == [40, 60, 80, 100, 120, 140]


def test_hot_day_passes_both_temperature_limits() -> None:
    run = told("hot-day")
    assert run[0].measured["inlet-temperature"] < 37.7
    assert max(tick.measured["inlet-temperature"] for tick in run) > 39.0
    assert max(tick.measured["outlet-temperature"] for tick in run) > 72.0
    assert min(tick.measured["inlet-flow"] for tick in run) > 4.8e-3


def test_return_choke_spills_past_the_bearing() -> None:
    run = told("return-choke")
    assert 0.60 < max(tick.truth["brake-level"] for tick in run) < 0.66
    assert run[-1].state.spilled_j > 0.0


@pytest.mark.parametrize("name", ["demo", "return-choke", "pump-loss", "hot-day"])
def test_energy_ledger_closes(name: str) -> None:
    run = told(name)
    account = ledger(SCENARIOS[name].sizes, run[0].state, run[-1].state)
    assert account.worked_j > 1e7
    assert abs(account.brake_error_j) < 1e-9 * account.worked_j + 10.0
    assert abs(account.whole_error_j) < 1e-9 * account.worked_j + 10.0


def test_what_the_meters_of_pressure_and_return_show_is_what_the_plant_does() -> None:
    sizes = DEMO.sizes.line
    for run in (ticks(SHORT, every_s=1.0, seconds=15.0), ticks(DEMO, every_s=1.0, seconds=60.0)):
        for before, tick in pairwise(run):
            flow = tick.truth["inlet-flow"]
            part = density_kg_m3(tick.truth["tank-temperature"]) * 9.80665 * flow * flow
            assert tick.truth["strainer-differential"] == pytest.approx(part * sizes.strainer_s2_m5)
            assert tick.truth["filter-differential"] == pytest.approx(part * sizes.filter_s2_m5)
            # What comes back is what goes in, but for what stays: so also while the return chokes.
            stays = (tick.state.brake_kg - before.state.brake_kg) / density_kg_m3(tick.truth["outlet-temperature"])
            back = 0.5 * (before.truth["return-flow"] + tick.truth["return-flow"])
            assert back == pytest.approx(flow - stays, abs=8e-5)
    assert run[-1].truth["return-flow"] < 0.9 * run[0].truth["return-flow"]


def test_water_is_neither_made_nor_lost() -> None:
    run = ticks(DEMO, every_s=5.0)
    masses = [tick.state.brake_kg + tick.state.tank_kg for tick in run]
    assert masses == pytest.approx([masses[0]] * len(masses), abs=1e-6)


def test_a_brake_run_dry_of_flow_boils_and_goes_on() -> None:
    still = replace(
        DEMO,
        warmup_s=0.0,
        pump=constant(0.0),
        pace=constant(1.0),
        sizes=replace(DEMO.sizes, hoist=replace(DEMO.sizes.hoist, connect_s=1.0)),
    )
    run = ticks(still, every_s=5.0, seconds=1500.0)
    # Steam takes a second to leave: what little water is left stands a few kelvin over boiling under full load.
    assert max(tick.truth["outlet-temperature"] for tick in run) == pytest.approx(100.0, abs=10.0)
    assert run[-1].state.spilled_j > 1e7
    assert all(tick.state.brake_kg > 0.0 for tick in run)
    account = ledger(still.sizes, run[0].state, run[-1].state)
    assert abs(account.whole_error_j) < 1e-9 * account.worked_j + 10.0


def test_a_brake_that_has_boiled_dry_stays_a_plant() -> None:
    dry = replace(
        DEMO,
        warmup_s=0.0,
        pump=steps(0.0, (4000.0, 1.0), over_s=0.05),
        pace=constant(1.0),
        blockage=constant(0.0),
        sizes=replace(DEMO.sizes, hoist=replace(DEMO.sizes.hoist, connect_s=1.0, end_depth_m=9000.0)),
    )
    run = ticks(dry, every_s=10.0, seconds=4600.0)
    before = at(run, 3990.0)
    assert before.state.brake_kg < 0.01
    assert before.state.surface_degc > 1000.0
    # Steam takes a second to leave: the first water on a rotor of 2,000 K stands well over boiling for a moment.
    assert all(0.0 < tick.truth["outlet-temperature"] < 160.0 for tick in run)
    assert all(isfinite(value) and tick.state.brake_kg > 0.0 for tick in run for value in tick.state)
    assert run[-1].truth["brake-level"] > 0.2  # the pump came back
    account = ledger(dry.sizes, run[0].state, run[-1].state)
    assert abs(account.whole_error_j) < 1e-6 * account.worked_j
    assert abs(account.brake_error_j) < 1e-6 * account.worked_j


@pytest.mark.parametrize("left", [1.0, 0.3, 0.0])
def test_a_weak_exciter_heats_the_coil_by_the_current_that_it_gives(left: float) -> None:
    weak = replace(SHORT, clock_s=10.0, conditions={"excitation": (constant(left),)})
    run, excite = ticks(weak, every_s=0.05, seconds=10.0), weak.sizes.excite
    braked = coil = 0.0
    for tick in run[1:]:
        # Wouterse's form: T = 2 Tmax (I / Imax)^2 / (x + 1/x); the coil's heat is I^2 R.
        drum, current = tick.hook.drum_rad_s, tick.truth["coil-current"]
        x = drum / (excite.critical_rad_s * (1.0 + excite.resistivity_1_k * (tick.state.surface_degc - 20.0)))
        braked += 2.0 * excite.torque_nm * (current / excite.most_a) ** 2 / (x + 1.0 / x) * drum * 0.05
        coil += current * current * excite.hot_ohm * 0.05
    account = ledger(weak.sizes, run[0].state, run[-1].state)
    assert run[-1].truth["coil-commanded"] > 40.0
    assert (run[-1].truth["coil-current"] == pytest.approx(75.0 * left)) == (left < 1.0)  # all that there is
    assert account.worked_j == pytest.approx(braked + coil, rel=2e-3 if left == 1.0 else 2e-4)
    assert (account.worked_j > 0.0) == (left > 0.0)


@pytest.mark.long
def test_whole_trip_stays_within_limits_and_its_ledger_closes() -> None:
    run = ticks(SCENARIOS["trip-in"], every_s=1.0)
    assert max(tick.measured["inlet-temperature"] for tick in run) < 37.2  # 99 degF
    assert max(tick.measured["outlet-temperature"] for tick in run) < 66.0  # 150 degF
    assert min(tick.measured["brake-level"] for tick in run) > 0.28
    assert max(tick.measured["brake-level"] for tick in run) < 0.33
    assert not run[-1].hook.in_service
    account = ledger(SCENARIOS["trip-in"].sizes, run[0].state, run[-1].state)
    assert abs(account.whole_error_j) < 1e-3 * account.worked_j
    assert abs(account.brake_error_j) < 1e-3 * account.worked_j
