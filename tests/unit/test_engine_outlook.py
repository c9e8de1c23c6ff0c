"""When the tank is at its limit, of a tank whose truth is known by a closed form."""

import json
from pathlib import Path

import numpy as np
import pytest

import streams
from brakewater.engine import Engine
from brakewater.engine.falling import Falling
from brakewater.engine.held import Held
from brakewater.engine.lag_free import Recovered
from brakewater.engine.outlook import TankOutlook
from brakewater.engine.seconds import BAD, GOOD, Groups
from brakewater.engine.tank_balance import PACE, TankBalance, TankSense
from brakewater.physics.tank import FAR_S, Loss, Warming
from brakewater.quality import Reason
from brakewater.rig import load

BRAKE = load(Path(__file__).parents[2] / "config" / "rig-4-full.toml").brakes[0]
FULL_J_K, FULL_M, HEAT_W, AIR = 1.3e8, 2.4, 2e5, 20.0
LIKELY, EARLY = "time_to_inlet_limit_s", "time_to_inlet_limit_early_s"
SECONDS = 2400


def outlook(full_m: float | None = FULL_M, other_w: float = 0.0) -> TankOutlook:
    sense = TankSense(
        capacity_j_k=FULL_J_K, inlet_std_k=0.1, outlet_std_k=0.1, from_tank=True, other_w=other_w, full_m=full_m
    )
    return TankOutlook(BRAKE, sense, 1.0)


def groups(first: int, last: int, part: float, loss_w_k: float = 0.0, bad: str = "",
           shown: float | None = None) -> Groups:  # fmt: skip
    """Seconds of a tank so full that warms up from 30 degC; ``shown``: its level where that says more."""
    t = np.arange(float(first), float(last))
    capacity = part * FULL_J_K
    if loss_w_k:
        end = AIR + HEAT_W / loss_w_k
        tank = end + (30.0 - end) * np.exp(-t * loss_w_k / capacity)
    else:
        tank = 30.0 + HEAT_W / capacity * t
    means = {
        "inlet": tank, "outlet": tank + 10.0, "heat": np.full_like(t, HEAT_W), "tank": tank,
        "ambient": np.full_like(t, AIR), "content": np.full_like(t, part * FULL_M if shown is None else shown),
        "flow": np.full_like(t, 5e-3),
    }  # fmt: skip
    grades = {name: np.full(len(t), BAD if name == bad else GOOD, np.uint8) for name in means}
    return Groups(t_ns=((t + 1.0) * 1e9).astype(np.int64), means=means, grades=grades)


def fed(forecasts: TankOutlook, seconds: Groups) -> dict[str, Held]:
    """With an outlet that has no lag."""
    rise, none = seconds.means["outlet"] - seconds.means["inlet"], seconds.means["heat"]
    good = np.zeros(len(rise), np.uint8)
    heat = Held(values=none, codes=good)
    return forecasts.feed(seconds, Recovered(heat_w=heat, to_water_w=none, rise_k=rise, grades=good))


def left_s(part: float, loss_w_k: float = 0.0) -> np.ndarray:
    t, capacity = np.arange(float(SECONDS)), part * FULL_J_K
    if not loss_w_k:
        return (BRAKE.inlet_limit - 30.0) * capacity / HEAT_W - t
    end = AIR + HEAT_W / loss_w_k
    return capacity / loss_w_k * np.log((end - 30.0) / (end - BRAKE.inlet_limit)) - t


@pytest.mark.parametrize(("part", "loss_w_k", "full_m"), [
    (1.0, 0.0, FULL_M), (0.5, 0.0, FULL_M), (0.5, 0.0, None), (1.0, 8e3, FULL_M), (0.6, 8e3, FULL_M),
])  # fmt: skip
def test_the_limit_comes_when_it_is_told(part: float, loss_w_k: float, full_m: float | None) -> None:
    found = fed(outlook(full_m), groups(0, SECONDS, part, loss_w_k))
    left = left_s(part, loss_w_k)
    stands = (found[LIKELY].codes == Reason.GOOD) & (left > 0.0)
    assert stands.sum() > 500
    likely, early = found[LIKELY].values[stands], found[EARLY].values[stands]
    minute_s = 60.0  # what is told stands for a minute
    assert (early <= left[stands]).all()
    assert (early <= likely).all()
    late = left[stands] < 1500.0
    np.testing.assert_allclose(likely[late], left[stands][late], rtol=0.15, atol=1.5 * minute_s)


def test_the_air_warms_up() -> None:
    """A forecast comes sooner as soon as the air is warmer than it was over the last ten minutes."""
    calm, warm = groups(0, 720, 1.0), groups(0, 720, 1.0)
    warm.means["ambient"][600:] += 15.0
    steady, sooner = (fed(outlook(), one)[EARLY].values[-1] for one in (calm, warm))
    assert sooner < 0.9 * steady


def test_the_outlet_is_not_before_even_where_coming_stands_are_heavier() -> None:
    """Shortly before the limit, and then the peak of the next stand stands a tenth higher; likely is one as high."""
    end_s, part = 4800, 0.25
    found = fed(outlook(), groups(0, end_s, part))
    string_k_s = 10.0 * 0.0035 / 60.0
    warms_k_s = HEAT_W / (part * FULL_J_K)
    now = 30.0 + warms_k_s * end_s
    likely, heavier = ((BRAKE.outlet_limit - rise - now) / (warms_k_s + string_k_s) for rise in (9.7, 11.0))
    assert found["time_to_outlet_limit_s"].values[-1] == pytest.approx(likely, abs=60.0)
    assert 0.0 <= found["time_to_outlet_limit_early_s"].values[-1] <= heavier < 0.5 * likely


def test_a_tank_that_holds_less_than_it_shows_does_not_lead_astray() -> None:
    """Silted up, or entered wrongly: its balance would teach a loss beyond all reason."""
    part = 0.35
    seconds = groups(0, SECONDS, part, shown=FULL_M)
    seconds.means["ambient"][:] = 35.0
    found, left = fed(outlook(), seconds), left_s(part)
    stands = (found[LIKELY].codes == Reason.GOOD) & (left > 0.0)
    assert stands.sum() > 500
    assert (found[EARLY].values[stands] <= left[stands]).all()
    np.testing.assert_allclose(found[LIKELY].values[stands], left[stands], rtol=0.25, atol=90.0)


def test_heat_of_others_in_the_same_water_does_not_pass_for_a_lesser_loss() -> None:
    alone, shared = (groups(0, SECONDS, 1.0, 8e3) for _ in range(2))
    shared.means["heat"][:] -= 5e4
    expected, told, untold = (
        kept.state()["loss"][0]
        for kept, seconds in ((outlook(), alone), (outlook(other_w=5e4), shared), (outlook(), shared))
        if fed(kept, seconds)
    )
    assert told == pytest.approx(expected, rel=0.02)
    assert untold < 0.7 * expected


def flow_of(*minutes: float) -> Falling:
    return Falling.of(np.array(minutes), 1)


def test_a_flow_that_falls_steadily_brings_the_limit_when_the_rise_is_there() -> None:
    """5 K more of 10 K: two thirds of the flow."""
    falling = flow_of(*np.linspace(7e-3, 6e-3, 12))
    a_second = 1e-3 / (11 * 60.0) - 6e-3 * 2e-4 / 60.0
    expected = 5.0 / (6e-3 / 3.0 / a_second)
    for early in (True, False):
        grows = falling.growth_k_s(np.array([10.0]), np.array([5.0]), early=early)
        np.testing.assert_allclose(grows, expected, rtol=1e-9)


def test_a_fall_that_grows_counts_more_and_sooner_for_the_early_bound() -> None:
    t = np.arange(12.0)
    steady, growing = flow_of(*(7e-3 - 5e-5 * t)), flow_of(*(7e-3 - 4.2e-6 * t * t))
    of_steady, likely, early = (
        float(one.growth_k_s(np.array([10.0]), np.array([5.0]), early=sooner)[0])
        for one, sooner in ((steady, False), (growing, False), (growing, True))
    )
    assert of_steady < likely < early


@pytest.mark.parametrize("minutes", [np.full(12, 5e-3), np.linspace(5e-3, 6e-3, 12), np.zeros(12)])
def test_a_flow_that_stands_rises_or_is_lost_brings_nothing_nearer(minutes: np.ndarray) -> None:
    assert flow_of(*minutes).growth_k_s(np.array([10.0]), np.array([5.0]), early=True).tolist() == [0.0]


def test_a_fall_that_grows_is_carried_on_to_now() -> None:
    """7e-3 - c k^2 of the minute k falls by 2 c k a minute: at the last one, k = 11, by 22 c."""
    c, now = 4.2e-6, 7e-3 - 4.2e-6 * 121
    dead = now * 2e-4 / 60.0
    assert flow_of(*(7e-3 - c * np.arange(12.0) ** 2)).fall[0] == pytest.approx(22 * c / 60.0 - dead, rel=1e-6)


def test_a_fall_that_eases_is_likely_to_ease_on_and_counts_in_full_for_the_early_bound() -> None:
    t = np.arange(12.0)
    eases = flow_of(*(5e-3 + 1.2e-5 * (14.0 - t) ** 2))
    steady = Falling(eases.flow_m3_s, eases.fall, np.zeros(1))
    for early in (False, True):
        easing, steadily = (
            float(one.growth_k_s(np.array([10.0]), np.array([2.0]), early=early)[0]) for one in (eases, steady)
        )
        assert steadily > 0.0
        assert easing == steadily if early else easing < 0.9 * steadily


def test_without_a_rise_a_falling_flow_brings_no_limit_nearer() -> None:
    falling = flow_of(*np.linspace(7e-3, 6e-3, 12))
    assert falling.growth_k_s(np.array([0.0]), np.array([5.0]), early=True).tolist() == [0.0]


def test_the_limit_is_told_of_the_tanks_thermometer_where_it_has_one() -> None:
    """The inlet may be drawn from below the warm layer."""
    seconds = groups(0, SECONDS, 0.5)
    seconds.means.update({"inlet": np.full(SECONDS, 30.0), "outlet": np.full(SECONDS, 40.0)})
    likely, left = fed(outlook(), seconds)[LIKELY].values[-1], left_s(0.5)[-1]
    assert likely == pytest.approx(left, rel=0.15, abs=90.0)


def peaks(rise_k: float, worth: int) -> float:
    """When the outlet is at its limit, with 10 K as measured and ``rise_k`` without the lag."""
    seconds = groups(0, 1500, 0.5)
    m = len(seconds.t_ns)
    none, grades = np.zeros(m), np.full(m, worth, np.uint8)
    water = Recovered(heat_w=Held(values=none, codes=grades), to_water_w=none, rise_k=np.full(m, rise_k), grades=grades)
    return float(outlook().feed(seconds, water)["time_to_outlet_limit_s"].values[-1])


def test_the_outlets_peak_counts_without_the_thermowells_lag_where_that_can_be_told() -> None:
    assert peaks(14.0, GOOD) < peaks(10.0, GOOD)
    assert peaks(14.0, BAD) == peaks(0.0, BAD) == peaks(10.0, GOOD)


def test_a_lost_second_in_a_minute_takes_no_forecast_away() -> None:
    seconds = groups(0, SECONDS, 0.5)
    for name in seconds.means:
        seconds.means[name] = np.where(np.arange(SECONDS) % 60 == 0, 0.0, seconds.means[name])
        seconds.grades[name][::60] = BAD
    assert fed(outlook(), seconds)[LIKELY].codes[-600:].tolist() == [Reason.GOOD] * 600


def test_second_by_second_it_is_the_same_as_at_once() -> None:
    """Also the highest rise of a minute that was begun before."""
    rng = np.random.default_rng(4)
    rises = 10.0 + 3.0 * rng.random(1500) + 0.01 * np.arange(1500.0)  # the newest minutes' peaks are the highest

    def cut(first: int, last: int) -> Groups:
        seconds = groups(first, last, 0.5, 8e3)
        seconds.means["outlet"] = seconds.means["inlet"] + rises[first:last]
        return seconds

    whole, kept = fed(outlook(), cut(0, 1500)), outlook()
    at, parts = 0, []
    for size in (1230, *[1] * 145, 7, 118):
        parts.append(fed(kept, cut(at, at + size)))
        at += size
    for name in whole:
        np.testing.assert_array_equal(whole[name].values, np.concatenate([part[name].values for part in parts]))


def test_nothing_is_said_of_a_tank_whose_level_is_bad() -> None:
    found = fed(outlook(), groups(0, SECONDS, 0.5, bad="content"))
    assert set(found[LIKELY].codes.tolist()) == {int(Reason.NO_BASIS)}


def test_cut_and_restored_anywhere() -> None:
    whole = fed(outlook(), groups(0, SECONDS, 0.5, 8e3))
    parts, kept, at = [], outlook(), 0
    for size in (1, 59, 60, 61, 700, 19, 1300, 200):
        parts.append(fed(kept, groups(at, at + size, 0.5, 8e3)))
        at += size
        other = outlook()
        other.restore(json.loads(json.dumps(kept.state(), sort_keys=True)))  # as a snapshot keeps it
        kept = other
    for name in whole:
        np.testing.assert_array_equal(whole[name].values, np.concatenate([part[name].values for part in parts]))


@pytest.mark.parametrize(("full_m", "took_w", "over_k", "fewer"), [
    (None, 2e5, 0.0, (2e5 + 4815) / (0.9 * 2e5 - 2e3)),  # full; a thermometer's hundredths and a tenth of the heat
    (None, 4e5, 0.0, (4e5 + 4815) / (0.9 * 2e5 - 2e3)),  # half full: it warms up twice as much
    (None, 0.0, 20.0, (4815 + 1.3e8 / 10_800 * 20) / (0.9 * 2e5 - 2e3)),  # all of the heat may have gone into the air
    (None, 0.0, 0.0, 1.0),  # never more than it says
    (None, 2e6, 0.0, 4.0),  # nor less than a quarter
    (FULL_M, 2e5, 0.0, 1.0),
    (FULL_M, 3e5, 0.0, 1.5),  # a level that shows too much
    (FULL_M, 3e5, 20.0, 1.5),  # air that is cooler warms nothing up
    (FULL_M, 2e5 + 1.3e8 / 21_600 * 20, -20.0, 1.0),  # warmer air does
])  # fmt: skip
def test_how_much_less_than_it_says_a_tank_may_hold_at_the_worst(
    full_m: float | None, took_w: float, over_k: float, fewer: float
) -> None:
    """By hand, of one minute after ten that were alike."""
    sense = TankSense(capacity_j_k=FULL_J_K, inlet_std_k=0.1, outlet_std_k=0.1, from_tank=True, full_m=full_m)
    tank = 30.0 + took_w / FULL_J_K * 60.0 * np.arange(-PACE, 1.0)
    past = np.array([tank, tank - over_k, *np.full((4, PACE + 1), [[HEAT_W], [10.0], [5e-3], [1.0]])])
    found = TankBalance(sense).feed(past, {"content": np.array([FULL_M])}, np.array([True]))
    assert found.fewer[0] == pytest.approx(fewer, rel=1e-3)


def minutes(count: int, over_k: float, bad: int | None = None) -> tuple[np.ndarray, dict, np.ndarray]:
    """So many minutes of a tank that stands ``over_k`` over the air: all of the heat is lost."""
    tank = np.full(PACE + count, 30.0)
    sound = np.ones(PACE + count)
    if bad is not None:
        sound[PACE + bad] = 0.0
    rest = np.full((3, PACE + count), [[HEAT_W], [10.0], [5e-3]])
    return np.array([tank, tank - over_k, *rest, sound]), {"content": np.full(count, FULL_M)}, sound[PACE:] > 0.0


def learnt(past: np.ndarray, means: dict, sound: np.ndarray, sizes: list[int]) -> list[float]:
    """The loss after each minute, fed in pieces."""
    balance, at, found = TankBalance(TankSense(
        capacity_j_k=FULL_J_K, inlet_std_k=0.1, outlet_std_k=0.1, from_tank=True, full_m=FULL_M)), 0, []  # fmt: skip
    for size in sizes:
        piece = {name: column[at : at + size] for name, column in means.items()}
        found += balance.feed(past[:, at : at + PACE + size], piece, sound[at : at + size]).loss_w_k.tolist()
        again = TankBalance(balance._tank)
        again.restore(json.loads(json.dumps(balance.state())))
        balance, at = again, at + size
    return found


@pytest.mark.parametrize("sizes", [[40], [1] * 40, [7, 1, 32]])
def test_a_balance_teaches_the_loss_every_nine_minutes_however_they_come(sizes: list[int]) -> None:
    """Nine minutes from the first to the last of ten readings: no minute teaches twice."""
    found = learnt(*minutes(40, 40.0), sizes)
    changed = [at + 1 for at in range(len(found)) if found[at] != (found[at - 1] if at else FULL_J_K / 21_600.0)]
    assert changed == [9, 18, 27, 36]
    assert found[-1] == pytest.approx(HEAT_W / 40.0, rel=0.05)


def test_a_minute_that_is_not_sound_teaches_nothing_until_it_is_ten_minutes_past() -> None:
    found = learnt(*minutes(40, 40.0, bad=12), [40])
    changed = [at + 1 for at in range(len(found)) if found[at] != (found[at - 1] if at else FULL_J_K / 21_600.0)]
    assert changed == [9, 23, 32]


def test_a_loss_that_grew_is_learnt_anew_though_the_old_one_was_well_known() -> None:
    """Wind and sun change. A balance that says more than any tank loses has another tank in it."""
    calm, windy = minutes(400, 40.0), minutes(400, 20.0)
    past = np.concatenate([calm[0], windy[0][:, PACE:]], axis=1)
    found = learnt(past, {"content": np.full(800, FULL_M)}, np.ones(800, bool), [800])
    assert found[399] == pytest.approx(HEAT_W / 40.0, rel=0.02)
    assert found[-1] == pytest.approx(HEAT_W / 20.0, rel=0.05)
    assert max(learnt(*minutes(40, 2.0), [40])) == FULL_J_K / 10_800.0
    assert min(learnt(*minutes(40, -40.0), [40])) == 0.0  # there is no loss below none


@pytest.mark.parametrize(("part", "counts"), [(0.0, 0.05), (0.5, 0.5), (1.1, 1.1), (3.0, 1.2)])
def test_a_level_counts_from_a_twentieth_to_a_little_over_full(part: float, counts: float) -> None:
    past, means, sound = minutes(1, 40.0)
    sense = TankSense(capacity_j_k=FULL_J_K, inlet_std_k=0.1, outlet_std_k=0.1, from_tank=True, full_m=FULL_M)
    found = TankBalance(sense).feed(past, {"content": means["content"] * part}, sound)
    assert found.capacity_j_k[0] == pytest.approx(counts * FULL_J_K)


def test_what_is_known_of_a_loss_grows_with_each_balance() -> None:
    """As weighted means have it: 1/v = 1/v0 + n d^2/s^2, and v0 the more after what wind and sun may have changed."""
    loss = Loss(value=5e3, variance=1e6)
    for _ in range(10):
        loss.learn(4e3 * 20.0, 20.0, 1e4)
    variance = 1.0 / (1.0 / 1e6 + 10 * (20.0 / 1e4) ** 2)
    assert loss.variance == pytest.approx(variance)
    assert loss.value == pytest.approx((5e3 / 1e6 + 10 * 4e3 * (20.0 / 1e4) ** 2) * variance)
    loss.forget(100.0)
    assert loss.variance == pytest.approx(variance + 1e4)


def test_how_long_a_tank_has_by_the_closed_form() -> None:
    warming = Warming(capacity_j_k=1e8, now_degc=np.array([50.0, 30.0, 30.0, 30.0]), ambient_degc=np.full(4, 20.0),
                      heat_w=np.array([1e5, 1e5, 1e2, -1e5]), loss_w_k=np.array([0.0, 0.0, 0.0, 0.0]))  # fmt: skip
    assert warming.reaches_s(40.0).tolist() == [0.0, pytest.approx(1e4), FAR_S, FAR_S]


@pytest.mark.parametrize(("version", "code"), [("0", Reason.NO_FLOW), ("0.3.0", Reason.GOOD)])
def test_without_water_past_its_sensor_nobody_is_told_how_long_the_outlet_has(version: str, code: Reason) -> None:
    """With the water lost "outlet at its limit not before 57 s" read as time that the driller has."""
    rig = streams.load(streams.CONFIG / "rig-4-full.toml")
    engine, calm = Engine(), 13 * 300
    engine.feed(streams.start(rig, version=version))
    engine.feed(streams.scans(rig, calm))
    dry = streams.cut([streams.scans(rig, 20, first=calm + 1, values={"aux-flow": 0.0})], [1])
    for block in dry:
        found = engine.feed(block).derived
    ends = {name: int(found["aux", name].codes[-1]) for name in (LIKELY, "time_to_outlet_limit_early_s")}
    assert ends == {LIKELY: Reason.GOOD, "time_to_outlet_limit_early_s": code}
