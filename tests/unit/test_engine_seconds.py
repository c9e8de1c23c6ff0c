"""What is worked out once a second, stage by stage: each by what its words promise, figures from steam tables."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import streams
from brakewater.engine import Engine, slow
from brakewater.engine.energy import Energy
from brakewater.engine.excitation import Excitation
from brakewater.engine.held import Held, graded, whole, within
from brakewater.engine.hoisting import Duty, Hoisting, Sensed
from brakewater.engine.lag_free import LagFree, Recovered
from brakewater.engine.level import LevelRate
from brakewater.engine.rotor import RotorSense, RotorWatch
from brakewater.engine.seconds import BAD, DOUBTFUL, GOOD, Groups, Seconds
from brakewater.engine.slow import has_tank
from brakewater.engine.usual import UsualReturn
from brakewater.engine.worked import Worked, heat_mj
from brakewater.physics.balance import Circuit
from brakewater.physics.duty import TorqueLaw
from brakewater.physics.rotor import RotorModel
from brakewater.physics.uncertainty import Spread, Spreads
from brakewater.quality import Reason
from brakewater.rig import Brake, load
from brakewater.stream import Column

CONFIG = Path(__file__).parents[2] / "config"
RIG = load(CONFIG / "rig-4-full.toml")
BRAKE: Brake = RIG.brakes[0]
UNRATED: Brake = load(CONFIG / "demo.toml").brakes[0]
FLOW, WETTING = 5e-3, 3e-4
HEAT_W = 995.65 * FLOW * 41.79e3
"""From 30 to 40 degC; steam tables: 995.65 kg/m3 at 30 degC, 125.83 and 167.62 kJ/kg."""


def groups(seconds: int, grades: Mapping[str, object] | None = None, **means: object) -> Groups:
    """So many seconds; each column a number for all of them, or [seconds]."""
    told = {name: np.broadcast_to(np.asarray(value, float), seconds).copy() for name, value in means.items()}
    worth = {
        name: np.broadcast_to(np.asarray((grades or {}).get(name, GOOD), np.uint8), seconds).copy() for name in means
    }
    return Groups(t_ns=(np.arange(seconds) + 1) * 10**9, means=told, grades=worth)


# ----------------------------------------------------------------------- groups


def second_of(codes: list[int]) -> tuple[float, int]:
    """Mean and grade of one group whose scans hold 1, 2, 3 and so on, a bad one 0."""
    n = len(codes)
    values = np.where(np.array(codes) >= 64, 0.0, np.arange(1.0, n + 1.0))
    made = Seconds(10**9 // n, ["x"]).feed(
        np.arange(n) * 10**9 // n, [Column(values=values, codes=np.array(codes, np.uint8))]
    )
    assert made is not None
    assert made.t_ns.tolist() == [(n - 1) * 10**9 // n]  # its last scan's
    return float(made.means["x"][0]), int(made.grades["x"][0])


def test_a_second_is_bad_with_less_than_half_of_its_scans_and_doubtful_with_an_uncertain_one() -> None:
    bad, old = int(Reason.NO_ANSWER), int(Reason.OLD)
    assert second_of([0, 0, 0, 0]) == (2.5, GOOD)
    assert second_of([bad, bad, 0, 0]) == (3.5, GOOD)  # half of them are enough, and what is left out doubts nothing
    assert second_of([bad, bad, bad, 0]) == (0.0, BAD)
    assert second_of([old, 0, 0, 0]) == (2.5, DOUBTFUL)
    assert second_of([bad, bad, old, 0]) == (3.5, DOUBTFUL)
    assert second_of([bad, bad, bad, 0, 0]) == (0.0, BAD)
    assert second_of([bad, bad, 0, 0, 0]) == (4.0, GOOD)


def test_a_value_is_worth_what_it_was_worked_out_from_and_no_number_nothing() -> None:
    values, grades = np.array([1.0, 2.0, 3.0, np.inf, np.nan]), np.array([GOOD, DOUBTFUL, BAD, GOOD, GOOD], np.uint8)
    found = graded(values, grades)
    none = Reason.NO_BASIS
    assert found.codes.tolist() == [Reason.GOOD, Reason.DOUBTFUL_BASIS, none, none, none]
    assert found.values.tolist() == [1.0, 2.0, 0.0, 0.0, 0.0]


def test_garbage_is_held_within_bounds_and_what_is_no_number_is_none() -> None:
    assert within(np.array([np.nan, np.inf, -9.0, 5.0, 99.0]), 1.0, 10.0).tolist() == [1.0, 1.0, 1.0, 5.0, 10.0]
    assert [float(within(np.array([x]), -1.0, 10.0)[0]) for x in (np.nan, 99.0, 5.0)] == [0.0, 10.0, 5.0]
    assert whole(np.array([0.6, np.nan, 1e300])).tolist() == [1, 0, 10**12]


# ------------------------------------------------------------------- excitation


@pytest.mark.parametrize("brake", [BRAKE, UNRATED])
def test_a_coil_is_judged_from_a_tenth_of_its_rated_current_on_or_five_amperes(brake: Brake) -> None:
    rated = 75.0 if brake is BRAKE else 50.0
    for asked, code in ((0.08 * rated, Reason.NO_BASIS), (0.12 * rated, Reason.GOOD)):
        share = Excitation(brake).feed(groups(3, asked=asked, coil=0.5 * asked))["excitation_share"]
        assert share.codes[-1] == code
        assert share.values[-1] == pytest.approx(0.5 if code == Reason.GOOD else 0.0)


def test_a_coil_above_what_is_asked_for_is_told_as_it_is() -> None:
    share = Excitation(BRAKE).feed(groups(3, asked=20.0, coil=30.0))["excitation_share"]
    assert share.values[-1] == pytest.approx(1.5)


def test_what_was_asked_for_a_second_ago_is_remembered_from_block_to_block() -> None:
    """The lever was let go and is pulled again: the coil has had no time to follow."""
    excitation = Excitation(BRAKE)
    excitation.feed(groups(3, asked=np.array([60.0, 60.0, 0.0]), coil=50.0))
    again = excitation.feed(groups(2, asked=60.0, coil=np.array([5.0, 50.0])))["excitation_share"]
    assert again.codes.tolist() == [Reason.NO_BASIS, Reason.GOOD]


def test_a_current_asked_for_steadily_tells_of_the_coil_second_by_second_as_well() -> None:
    """As the watch runs: what was asked for before the first second is not known."""
    excitation = Excitation(BRAKE)
    found = [excitation.feed(groups(1, asked=60.0, coil=30.0))["excitation_share"].last for _ in range(3)]
    assert found == [(0.0, Reason.NO_BASIS), (pytest.approx(0.5), Reason.GOOD), (pytest.approx(0.5), Reason.GOOD)]


@pytest.mark.parametrize("name", ["asked", "coil"])
@pytest.mark.parametrize("grade", [DOUBTFUL, BAD])
def test_a_current_that_is_not_surely_measured_accuses_no_exciter(name: str, grade: int) -> None:
    share = Excitation(BRAKE).feed(groups(3, {name: grade}, asked=60.0, coil=10.0))["excitation_share"]
    assert set(share.codes.tolist()) == {int(Reason.NO_BASIS)}


# ----------------------------------------------------------------- usual return


def drop(usual: UsualReturn, seconds: int, into: float, back: float, doubted: str = "") -> tuple[float, int]:
    seen = groups(seconds, {doubted: DOUBTFUL}, flow=into, back=back)
    return usual.feed(seen)["return_drop_m3_s"].last


def test_a_return_that_falls_below_its_usual_shows_by_how_much_and_for_as_long_as_it_does() -> None:
    usual = UsualReturn()
    assert drop(usual, 60, 5e-3, 5e-3) == pytest.approx((0.0, Reason.GOOD))
    for _ in range(2):  # out of balance by far, so that this does not become the usual one
        assert drop(usual, 600, 5e-3, 3e-3) == pytest.approx((2e-3, Reason.GOOD))


@pytest.mark.parametrize("more", [1e-3, -1e-3])
def test_the_usual_return_is_learnt_only_while_as_much_comes_back_as_goes_in(more: float) -> None:
    """1e-3 m3/s is 16 gal/min, five times what counts as balanced; ``more`` comes back, or less."""
    usual = UsualReturn()
    assert drop(usual, 60, 5e-3, 5e-3 + more)[1] == Reason.NO_BASIS
    drop(usual, 60, 5e-3, 5e-3)
    drop(usual, 600, 5e-3, 5e-3 + more)
    assert drop(usual, 1, 5e-3, 5e-3)[0] == pytest.approx(0.0, abs=1e-6)


def test_the_usual_return_follows_a_new_flow_within_minutes() -> None:
    """As a first-order lag of two minutes: exp(-t/120 s) of the step is left."""
    usual = UsualReturn()
    drop(usual, 60, 5e-3, 5e-3)
    for seconds in (12, 108):
        after, _ = drop(usual, seconds, 6e-3, 6e-3)
        left = np.exp(-12.0 / 120.0) if seconds == 12 else np.exp(-1.0)
        assert -after == pytest.approx(1e-3 * left, rel=0.01)


@pytest.mark.parametrize("name", ["flow", "back"])
def test_a_doubtful_flow_teaches_and_tells_nothing_of_the_return(name: str) -> None:
    usual = UsualReturn()
    drop(usual, 60, 5e-3, 5e-3)
    assert drop(usual, 600, 6e-3, 6e-3, name) == (0.0, Reason.NO_BASIS)
    assert drop(usual, 1, 5e-3, 5e-3) == pytest.approx((0.0, Reason.GOOD), abs=1e-6)


# ----------------------------------------------------------------------- energy


def energy(correlation: float = 0.0) -> Energy:
    circuit = Circuit(meter_at_inlet=True, wetting_flow_m3_s=WETTING, outlet_limit_degc=71.0)
    thermometer = Spread(limits=((0.3, 0.0),))
    return Energy(circuit, Spreads(flow=Spread(), inlet=thermometer, outlet=thermometer, correlation=correlation), 1.0)


def water(seconds: int, grades: Mapping[str, object] | None = None, **other: object) -> Groups:
    return groups(seconds, grades, **{"flow": FLOW, "inlet": 30.0, "outlet": 40.0, "service": 1.0, **other})


def test_energy_is_heat_times_time_since_the_brake_went_into_service() -> None:
    service = np.repeat([1.0, 0.0, 1.0], [100, 10, 20])
    found = energy().feed(water(130, service=service))[0]["energy_j"]
    assert found.values[99] == pytest.approx(100 * HEAT_W, rel=1e-3)
    assert found.values[110] == pytest.approx(HEAT_W, rel=1e-3)
    assert found.last == pytest.approx((20 * HEAT_W, Reason.GOOD), rel=1e-3)


def test_a_contact_that_is_unknown_for_a_moment_begins_no_new_total() -> None:
    grades = {"service": np.repeat([GOOD, BAD, GOOD], [50, 5, 50])}
    service = np.repeat([1.0, 0.0, 1.0], [50, 5, 50])
    assert energy().feed(water(105, grades, service=service))[0]["energy_j"].last == pytest.approx(
        (105 * HEAT_W, Reason.GOOD), rel=1e-3
    )


def test_time_that_nobody_saw_counts_nothing_and_makes_the_total_doubtful() -> None:
    total, seconds = energy(), water(100)
    assert total.feed(seconds)[0]["energy_j"].codes[-1] == Reason.GOOD
    late = water(1)
    late.t_ns[:] = seconds.t_ns[-1] + 10 * 10**9
    found = total.feed(late)[0]
    assert found["energy_j"].last == pytest.approx((100 * HEAT_W, Reason.DOUBTFUL_BASIS), rel=1e-3)
    assert found["energy_std_j"].codes[-1] == Reason.DOUBTFUL_BASIS


def test_a_dry_outlet_sensor_adds_no_heat_however_hot_it_is() -> None:
    seconds = water(10, flow=0.3 * WETTING, outlet=90.0)
    found, added = energy().feed(seconds)
    assert found["energy_j"].values[-1] == 0.0
    assert not added.any()
    assert not seconds.means["heat"].any()


@pytest.mark.parametrize(("service", "grade", "code"), [
    (1.0, GOOD, Reason.DOUBTFUL_BASIS), (0.0, GOOD, Reason.GOOD), (0.0, BAD, Reason.DOUBTFUL_BASIS),
])  # fmt: skip
def test_without_water_in_service_the_total_is_doubtful_as_steam_leaves_unseen(
    service: float, grade: int, code: Reason
) -> None:
    total = energy()
    total.feed(water(100))
    found = total.feed(water(5, {"service": grade}, flow=0.3 * WETTING, service=service))[0]["energy_j"]
    assert found.last == pytest.approx((100 * HEAT_W, code), rel=1e-3)


def test_what_a_sensor_is_off_by_does_not_average_out_over_a_trip() -> None:
    """One per cent of the flow, taken as rectangular, is 0.577 % of the energy, after a minute as after ten."""
    circuit = Circuit(meter_at_inlet=True, wetting_flow_m3_s=WETTING, outlet_limit_degc=71.0)
    exact = Spread()
    total = Energy(circuit, Spreads(flow=Spread(limits=((0.0, 0.01),)), inlet=exact, outlet=exact), 1.0)
    found = total.feed(water(600))[0]
    for at in (59, 599):
        assert found["energy_std_j"].values[at] == pytest.approx(0.01 / 3**0.5 * (at + 1) * HEAT_W, rel=2e-3)


def test_errors_that_both_thermometers_share_cancel_in_the_energy() -> None:
    """GUM eq. 13 with opposite slopes: u^2 (2 - 2 r) of u^2 2."""
    apart, shared = (energy(r).feed(water(60))[0]["energy_std_j"].values[-1] for r in (0.0, 0.9))
    assert shared / apart == pytest.approx(0.1**0.5, rel=0.02)


# ---------------------------------------------------------------------- lag-free


def lag_free(seconds: Groups, lag_s: float = 0.0) -> Recovered:
    """Housing of 0.55 m2, water 0.25 m deep: 137.5 L, 27.5 s at 5 L/s. Told four seconds late."""
    circuit = Circuit(meter_at_inlet=True, wetting_flow_m3_s=WETTING, outlet_limit_degc=71.0)
    return LagFree(circuit, lag_s, 1.0, 0.55).feed(seconds)


def test_the_rise_is_over_the_inlet_of_the_same_water_a_residence_time_ago() -> None:
    inlet = np.where(np.arange(200) < 100, 30.0, 35.0)
    rise = lag_free(water(200, inlet=inlet, level=0.25)).rise_k
    told_at = 4  # of a second, in the window's middle
    for second, degc in ((95, 10.0), (110, 10.0), (124, 10.0), (130, 5.0), (190, 5.0)):
        assert rise[second + told_at] == pytest.approx(degc, abs=1e-6)


def test_heat_is_as_bad_as_the_inlet_was_when_that_water_came_in() -> None:
    grades = {"inlet": np.where(np.isin(np.arange(200), range(100, 106)), BAD, GOOD)}
    found = lag_free(water(200, grades, level=0.25))
    assert [found.grades[second + 4] for second in (90, 120, 129, 140)] == [GOOD, GOOD, BAD, GOOD]
    assert found.heat_w.codes[129 + 4] == Reason.NO_BASIS


def test_a_second_without_an_outlet_spoils_all_the_windows_it_stands_in() -> None:
    grades = {"outlet": np.where(np.arange(200) == 150, BAD, GOOD)}
    found = lag_free(water(200, grades, level=0.25))
    assert np.flatnonzero(found.grades[40:]).tolist() == list(range(110, 119))


def test_what_the_housings_water_stores_came_from_the_rotor_too() -> None:
    """A tenth of a kelvin a second in 137.5 L; steam tables near 40 degC: 992.2 kg/m3, 4.179 kJ/(kg K)."""
    outlet = 35.0 + 0.1 * np.arange(120)
    found = lag_free(water(120, outlet=outlet, level=0.25))
    at = 50 + 4
    assert outlet[50] == pytest.approx(40.0)
    assert found.to_water_w[at] - found.heat_w.values[at] == pytest.approx(992.2 * 0.1375 * 4179.0 * 0.1, rel=1e-3)


# ------------------------------------------------------------------------- hoist

assert RIG.hoist is not None
HOIST = RIG.hoist
G = 9.80665
BLOCK_N = HOIST.block_mass * G
LEFT_J_K = 1e6


def hoisting(load: Spread = Spread(), block: Spread = Spread()) -> Hoisting:  # noqa: B008 - frozen
    return Hoisting(
        Sensed(
            hoist=HOIST, load=load, block=block, correlation=0.0, law=None, wetting_m3_s=WETTING, water_j_k=LEFT_J_K
        ),
        1.0,
    )


def lowered(seconds: int, hook_n: float, speed: float, grades: dict[str, int] | None = None, **more: float) -> Groups:
    return groups(seconds, grades, hook=hook_n, block=30.0 - speed * np.arange(seconds), **{"service": 1.0, **more})


def test_duty_is_load_times_speed_times_the_lines_efficiency_with_a_string_on_the_hook_in_service() -> None:
    expected = 1e6 * 0.5 * HOIST.line_efficiency
    assert hoisting().duty(lowered(10, 1e6, 0.5)).power_w[5:] == pytest.approx(expected)
    assert not hoisting().duty(lowered(10, 1e6, -0.5)).power_w.any()
    assert not hoisting().duty(lowered(10, 1.2 * BLOCK_N, 0.5)).power_w.any()  # the empty block
    assert hoisting().duty(lowered(10, 1.3 * BLOCK_N, 0.5)).power_w[5:].all()
    assert not hoisting().duty(lowered(10, 1e6, 0.5, service=0.0)).power_w.any()


def test_a_contact_nobody_can_read_counts_as_in_service() -> None:
    seconds = lowered(10, 1e6, 0.5, {"service": BAD}, service=0.0)
    assert hoisting().duty(seconds).power_w[5:].all()


def test_over_a_hole_in_the_readings_no_speed_is_told() -> None:
    hoist = hoisting()
    assert hoist.duty(lowered(10, 1e6, 0.5)).grades[1:].tolist() == [GOOD] * 9
    late = lowered(3, 1e6, 0.5)
    late.t_ns[:] += 20 * 10**9
    assert hoist.duty(late).grades.tolist() == [BAD, GOOD, GOOD]


def test_a_block_that_creeps_down_sets_the_string_and_lowers_nothing() -> None:
    assert not hoisting().duty(lowered(10, 1e6, 0.08)).lowering.any()
    assert hoisting().duty(lowered(10, 1e6, 0.12)).lowering[1:].all()


def test_what_hook_and_block_are_off_by_goes_into_the_duty() -> None:
    """Limits as rectangular (GUM 4.3.7), with the line's efficiency and a speed good to 1 cm/s."""
    share = Spread(limits=((0.0, 0.06),))
    parts = (0.06, HOIST.efficiency_accuracy)
    expected = np.sqrt(sum(part * part for part in parts) / 3.0 + 0.01**2)
    for hoist in (hoisting(load=share), hoisting(block=share)):
        duty = hoist.duty(lowered(10, 1e6, 1.0))
        assert duty.std_w[5] / duty.power_w[5] == pytest.approx(expected)


@pytest.mark.parametrize(("rest", "starts"), [(14, [0]), (15, [0, 20])])
def test_a_short_pause_belongs_to_the_same_stand(rest: int, starts: list[int]) -> None:
    lowering = np.repeat([True, False, True], [5, rest, 5])
    assert hoisting().starts(lowering) == starts


def stands(power_w: float, heat_w: float, blind: int = 0, warms_k: float = 0.0) -> tuple[tuple[float, int], float]:
    """Share and its standard uncertainty of a stand of 100 s, half of it lowered, exact but for what it leaves."""
    hoist = hoisting()
    m = 110
    lowering = np.arange(m) % 100 < 50
    power = np.where(lowering, power_w, 0.0)
    outlet = 40.0 + np.where(np.arange(m) >= 100, warms_k, 0.0)
    inlet = np.where(np.arange(m) < blind, BAD, GOOD)
    seconds = groups(m, {"inlet": inlet}, flow=FLOW, inlet=30.0, outlet=outlet)
    duty = Duty(power_w=power, std_w=0.0 * power, grades=np.zeros(m, np.uint8), lowering=lowering)
    heat_mj = np.zeros((4, m), np.int64)
    heat_mj[0] = round(heat_w * 1e3)
    found = hoist.stands(seconds, duty, heat_mj, hoist.starts(lowering))
    return found["heat_share"].last, float(found["heat_share_std"].values[-1])


def test_a_stands_share_is_its_heat_and_what_it_left_in_the_water_by_the_hoists_work() -> None:
    relative = HOIST.efficiency_accuracy / 3**0.5
    share, std = stands(4e5, 1e5)  # 20 MJ put in, 10 MJ carried off
    assert share == pytest.approx((0.5, Reason.GOOD))
    assert std == pytest.approx(0.5 * relative)
    share, std = stands(4e5, 1e5, warms_k=4.0)  # and 4 MJ left, known to half
    assert share == pytest.approx((0.7, Reason.GOOD))
    assert std == pytest.approx(((0.5 * 4.0 / 20.0) ** 2 + (0.7 * relative) ** 2) ** 0.5)


def test_a_stand_whose_heat_is_not_known_for_more_than_a_twentieth_tells_nothing() -> None:
    assert stands(4e5, 1e5, blind=5)[0][1] == Reason.GOOD
    assert stands(4e5, 1e5, blind=6)[0][1] == Reason.NO_BASIS


def test_a_torque_index_is_known_to_what_current_and_speed_are_off_by() -> None:
    """Two per cent over a stand, whatever the line's efficiency: it is not in the torque law."""
    law = TorqueLaw(most_n_m=4e4, critical_rad_s=5.0, rated_a=60.0)
    hoist = Hoisting(replace(hoisting()._sensed, law=law, water_j_k=0.0), 1.0)
    m = 110
    lowering = np.arange(m) % 100 < 50
    power = np.where(lowering, 4e5, 0.0)
    seconds = groups(m, flow=FLOW, inlet=30.0, outlet=40.0, drum=np.where(lowering, 5.0, 0.0), coil=60.0)
    duty = Duty(power_w=power, std_w=0.0 * power, grades=np.zeros(m, np.uint8), lowering=lowering)
    heat_mj = np.zeros((4, m), np.int64)
    heat_mj[0] = 10**8
    found = hoist.stands(seconds, duty, heat_mj, hoist.starts(lowering))
    index, std = (float(found[name].values[-1]) for name in ("torque_index", "torque_index_std"))
    assert index == pytest.approx(100 * 1e5 / (50 * 4e4 * 5.0))
    assert std == pytest.approx(0.02 * index)


def test_less_than_a_megajoule_is_no_stand() -> None:
    assert stands(0.9e6 / 50, 1e3)[0][1] == Reason.NO_BASIS
    assert stands(1.1e6 / 50, 1e3)[0][1] == Reason.GOOD


# ------------------------------------------------------------------------- rotor

STILL_W_K, MOVED_W_K, RATED = 6e3, 1.8e4, 4.7e-3
LIGHT = RotorModel(
    surface_j_k=1e3, core_j_k=1e3, through_w_k=4e3, still_w_k=STILL_W_K, flowing_w_k=MOVED_W_K, rated_m3_s=RATED,
    wet_m=0.25, std=0.1,
)  # fmt: skip
"""So light that it is as warm as power and contact make it within seconds."""
POWER_W = 1.2e5


def rotor(
    seconds: Groups,
    water_w: object = 0.0,
    water_grade: object = GOOD,
    duty_w: float | None = None,
    share: tuple[float, float, int] = (1.0, 0.0, 0),
) -> dict[str, Held]:
    """A lag of 6 s, a housing so wide that standing water does not warm up."""
    m = len(seconds.t_ns)
    watch = RotorWatch(RotorSense(model=LIGHT, wetting_m3_s=WETTING, lag_s=6.0, area_m2=1e6, outlet=Spread()), 1.0)
    to_water = np.broadcast_to(np.asarray(water_w, float), m).copy()
    grades = np.broadcast_to(np.asarray(water_grade, np.uint8), m).copy()
    recovered = Recovered(
        heat_w=Held(values=to_water, codes=grades), to_water_w=to_water, rise_k=np.zeros(m), grades=grades
    )
    if duty_w is None:
        return watch.feed(seconds, recovered, None, None)
    power, none, ok = np.full(m, duty_w), np.zeros(m), np.zeros(m, np.uint8)
    duty = Duty(power_w=power, std_w=none, grades=ok, lowering=power > 0.0)
    value, std, code = share
    codes = np.full(m, code, np.uint8)
    told = Held(values=np.full(m, value), codes=codes), Held(values=np.full(m, std), codes=codes)
    return watch.feed(seconds, recovered, duty, told)


def over_water(found: dict[str, Held], degc: float = 40.0, at: int = -1) -> float:
    return float(found["rotor_temperature_degc"].values[at]) - degc


def test_the_water_at_the_rotor_is_ahead_of_a_thermometer_in_its_well() -> None:
    """A first-order lag of 6 s follows a ramp 6 s late; a second's mean stands for its middle."""
    outlet = 40.0 + 0.2 * np.arange(60)
    found = rotor(water(60, outlet=outlet, level=0.25))
    assert over_water(found, outlet[-1]) == pytest.approx(0.2 * 6.5, abs=0.1)


def test_by_the_water_a_rotor_is_as_warm_as_contact_and_power_make_it() -> None:
    contact = STILL_W_K + MOVED_W_K * (FLOW / RATED) ** 0.8
    found = rotor(water(60, level=0.25), POWER_W)
    assert over_water(found) == pytest.approx(POWER_W / contact, rel=0.01)
    assert found["rotor_temperature_degc"].codes[-1] == Reason.GOOD


def test_below_the_wetting_flow_water_counts_as_standing_and_the_estimate_as_doubtful() -> None:
    found = rotor(water(60, flow=0.9 * WETTING, level=0.25), duty_w=POWER_W)
    assert over_water(found) == pytest.approx(POWER_W / STILL_W_K, rel=0.02)
    assert found["rotor_temperature_degc"].codes[-1] == Reason.DOUBTFUL_BASIS


@pytest.mark.parametrize("share", [0.5, 1.0])
def test_the_brakes_part_of_the_duty_is_weighed_between_all_of_it_and_what_the_last_stand_told(share: float) -> None:
    """By the inverse squares of their uncertainties: all of it to 0.3, what was told to 0.05."""
    weights = 1.0 / 0.3**2, 1.0 / 0.05**2
    part = (weights[0] + share * weights[1]) / sum(weights)
    contact = STILL_W_K + MOVED_W_K * (FLOW / RATED) ** 0.8
    seconds = water(60, level=0.25)
    told = over_water(rotor(seconds, duty_w=POWER_W, share=(share, 0.0, Reason.GOOD)))
    assert told == pytest.approx(part * POWER_W / contact, rel=0.01)
    untold = over_water(rotor(seconds, duty_w=POWER_W, share=(0.0, 0.0, Reason.NO_BASIS)))
    assert untold == pytest.approx(POWER_W / contact, rel=0.01)


@pytest.mark.parametrize(
    ("grades", "signals", "works"),
    [
        ({}, {"service": 0.0}, False),
        ({"service": BAD}, {"service": 0.0}, True),  # nobody knows
        ({"service": DOUBTFUL}, {"service": 0.0}, True),
        ({}, {"drum": 0.05}, False),
        ({}, {"drum": -10.0}, True),  # whichever way a drum's signal counts
        ({"drum": BAD}, {"drum": 0.0}, True),
    ],
)
def test_a_brake_takes_nothing_only_where_that_is_sure(
    grades: dict[str, int], signals: dict[str, float], *, works: bool
) -> None:
    assert (over_water(rotor(water(60, grades, level=0.25, **signals), POWER_W)) > 1.0) is works


def test_where_the_water_no_longer_tells_the_last_power_stays_and_the_band_widens() -> None:
    known = np.arange(60) < 40
    found = rotor(water(60, level=0.25), np.where(known, POWER_W, 0.0), np.where(known, GOOD, BAD))
    assert over_water(found) == pytest.approx(over_water(found, at=39), rel=0.01)
    std = found["rotor_temperature_std_k"].values
    assert std[-1] > 2.0 * std[39]
    assert [found["rotor_temperature_degc"].codes[at] for at in (39, -1)] == [Reason.GOOD, Reason.DOUBTFUL_BASIS]


# -------------------------------------------------------------------------- worked

HOUR = 3600


def ran_s(seconds: Groups) -> float:
    m = len(seconds.t_ns)
    if "heat" not in seconds.means:
        seconds.means["heat"], seconds.grades["heat"] = np.zeros(m), np.zeros(m, np.uint8)
    return Worked(1.0, by_hoist=False).feed(seconds, np.zeros(m, np.int64))["running_s"].last[0]


@pytest.mark.parametrize(
    ("grades", "signals", "runs"),
    [
        ({}, {"drum": 0.3, "service": 1.0}, False),  # slower is standing still, whatever the contact says
        ({}, {"drum": 1.0, "service": 0.0}, True),
        ({}, {"drum": -1.0}, True),
        ({"drum": BAD}, {"drum": 0.0}, True),  # what is not known counts as running
        ({}, {"service": 1.0}, True),
        ({}, {"service": 0.0, "heat": 1e5}, False),
        ({"service": BAD}, {"service": 0.0}, True),
        ({"service": DOUBTFUL}, {"service": 0.0}, True),
        ({}, {"heat": 3e4}, True),
        ({}, {"heat": 1e4}, False),
        ({"heat": BAD}, {"heat": 0.0}, True),
    ],
)
def test_a_brake_runs_while_its_drum_turns_or_it_is_in_service_or_it_heats_water(
    grades: dict[str, int], signals: dict[str, float], *, runs: bool
) -> None:
    assert ran_s(groups(100, grades, **signals)) == (100.0 if runs else 0.0)


@pytest.mark.parametrize(("before", "after", "counts"), [(1, 0, True), (0, 1, True), (1, 1, True), (0, 0, False)])
def test_a_stretch_that_nobody_watched_counts_where_the_brake_ran_before_it_or_after_it(
    before: int, after: int, *, counts: bool
) -> None:
    seconds = groups(20, service=np.repeat([before, after], 10))
    seconds.t_ns[10:] += HOUR * 10**9
    assert ran_s(seconds) == pytest.approx(10 * (before + after) + HOUR * counts, abs=1.0)


def test_water_that_comes_out_colder_takes_no_work_off_the_book() -> None:
    assert heat_mj(np.array([[5, -3, 7], [0, 0, 0], [0, 0, 0], [0, 0, 0]])).tolist() == [5, 0, 7]


def test_work_entered_afterwards_counts_from_its_days_midnight_or_the_earliest_known() -> None:
    day = 86_400 * 10**9
    worked = Worked(1.0, by_hoist=False)
    for at in range(10, 13):  # an hour's work on each of three days
        for hour in range(3):
            seconds = groups(1, service=1.0, heat=0.0)
            seconds.t_ns[:] = at * day + (8 + hour) * HOUR * 10**9
            worked.feed(seconds, np.zeros(1, np.int64))
    now = worked.now(13 * day)
    kept = [worked.at(t_ns, now).running_ns for t_ns in (9 * day, 10 * day + 9 * HOUR * 10**9, 11 * day + day // 2)]
    assert kept == sorted(kept)
    assert kept[0] == kept[1] < kept[2] < now.running_ns


# --------------------------------------------------------------------------- level


def level_codes(seconds: int, hole_s: int, size: int) -> list[int]:
    """Reasons of the level rate at each second's end, five scans a second; a hole after eight of them."""
    rate, scan = LevelRate(200_000_000), 200_000_000
    t = (np.arange(5 * seconds) * scan).astype(np.int64)
    t[40:] += hole_s * 10**9
    level, codes = (0.3 + 1e-12 * t).astype(np.float64), np.zeros(len(t), np.uint8)
    found: list[int] = []
    for at in range(0, len(t), size):
        part = slice(at, at + size)
        found += rate.feed(t[part], Column(values=level[part], codes=codes[part])).codes.tolist()
    return found[4::5]


@pytest.mark.parametrize("size", [1, 10_000])
def test_a_level_rate_is_known_from_four_of_its_eight_seconds_on_and_forgets_what_is_long_ago(size: int) -> None:
    unknown, good = int(Reason.UNKNOWN), int(Reason.GOOD)
    assert level_codes(8, 0, size) == [unknown] * 3 + [good] * 5
    assert level_codes(12, 10, size) == [unknown] * 3 + [good] * 9
    assert level_codes(14, 60, size) == [unknown] * 3 + [good] * 5 + [unknown] * 3 + [good] * 3


# ---------------------------------------------------------------------------- tank


def test_a_forecast_of_the_tank_is_made_of_one_brake_on_one_tank_alone() -> None:
    """Of several brakes the heat of each alone would mislead."""
    assert has_tank(RIG)
    assert not has_tank(replace(RIG, brakes=RIG.brakes * 2))
    assert not has_tank(replace(RIG, tanks=RIG.tanks * 2))


def test_each_stage_is_given_what_the_rig_file_says_of_its_own_signals() -> None:
    tank = RIG.tanks[0].model_copy(update={"other_heat": 4.2e4})
    hook, block, inlet, outlet = (Spread(limits=((off, 0.0),)) for off in (300.0, 0.02, 0.3, 0.6))
    own = {"hook-load": hook, "block-position": block}
    points = tuple(replace(one, spread=own.get(one.role, one.spread)) for one in RIG.points)
    rig = replace(RIG, tanks=(tank,), points=points)
    circuit = Circuit(meter_at_inlet=True, wetting_flow_m3_s=WETTING, outlet_limit_degc=71.0)
    spreads = Spreads(flow=Spread(), inlet=inlet, outlet=outlet)
    of_tank = slow._tank_sense(rig, BRAKE, circuit, spreads)
    assert of_tank.other_w == 4.2e4
    assert (of_tank.inlet_std_k, of_tank.outlet_std_k) == pytest.approx((0.3 / 3**0.5, 0.6 / 3**0.5))
    of_hoist = slow._sensed(rig, BRAKE, circuit, spreads)
    assert (of_hoist.load, of_hoist.block) == (hook, block)


def test_before_the_first_whole_second_nothing_is_known_of_it() -> None:
    engine = Engine()
    engine.feed(streams.start(RIG))
    derived = engine.feed(streams.scans(RIG, 3)).derived
    for name in ("rotor_temperature_degc", "time_to_bearing_s", "heat_share"):
        assert derived["aux", name].codes.tolist() == [Reason.NO_BASIS] * 3
