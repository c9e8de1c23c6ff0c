"""A level that rises faster and faster: the early bound must hold, and so it must however the seconds are cut."""

from pathlib import Path

import numpy as np
import pytest

from brakewater.engine.bearing import Bearing
from brakewater.engine.level import GROUPS
from brakewater.engine.seconds import BAD, DOUBTFUL, GOOD, Groups
from brakewater.quality import Reason
from brakewater.rig import Brake, load

RIG = load(Path(__file__).parents[2] / "config" / "rig-4-full.toml")
BRAKE: Brake = RIG.brakes[0]
FLOW = 5e-3
NAMES = ("time_to_bearing_s", "time_to_bearing_early_s")


def groups(level: np.ndarray, rate: np.ndarray, grade: int = GOOD, flow_grade: int = GOOD) -> Groups:
    m = len(level)
    means = {"level": level, "rate": rate, "flow": np.full(m, FLOW)}
    grades = {name: np.full(m, grade, np.uint8) for name in means} | {"flow": np.full(m, flow_grade, np.uint8)}
    return Groups(t_ns=np.arange(m) * 10**9, means=means, grades=grades)


def closing(growth: float, seconds: int = 80) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Level, its rate as a window of eight seconds shows it, and what is left in s."""
    t = np.arange(float(seconds))
    level = 0.3 + 0.5 * growth * t * t
    rate = growth * np.maximum(t - 0.5 * (GROUPS - 1), 0.0)
    passes = np.sqrt(2.0 * (BRAKE.bearing_level - 0.3) / growth)
    return level, rate, passes - t


@pytest.mark.parametrize("growth", [1e-4, 1.5e-4])
def test_the_early_bound_holds_while_the_rate_grows(growth: float) -> None:
    level, rate, left = closing(growth)
    found = Bearing(BRAKE, 0.003, 1.0).feed(groups(level, rate))
    seen = np.arange(len(rate)) >= 1.5 * GROUPS  # a growth that has just begun is seen in part only
    stands = (rate > 8e-4) & (left > 0.0) & seen
    likely, early = (found[name].values[stands] for name in NAMES)
    assert stands.sum() > 15
    assert (early <= left[stands]).all()
    assert (early >= 0.25 * left[stands] - 5.0).all()  # and is worth something
    assert (early <= likely).all()
    constant = ((BRAKE.bearing_level - level - 0.006) / (rate + 8e-4))[stands]
    assert (constant > left[stands]).any()  # the rate of now alone promises too much


def test_no_faster_than_what_flows_in() -> None:
    level, rate = np.full(30, 0.4), np.where(np.arange(30) < 25, 0.0, 8e-3)  # a hose collapses
    capped, free = (
        Bearing(BRAKE, 0.003, 1.0).feed(groups(level, rate, flow_grade=grade))[NAMES[1]].values[-1]
        for grade in (GOOD, BAD)
    )
    assert BRAKE.housing_area is not None
    assert capped == pytest.approx((0.2 - 0.006) / max(1.1 * FLOW / BRAKE.housing_area, 8e-3 + 3.5e-3 + 8e-4), rel=1e-3)
    assert free < capped


def test_likely_a_growth_goes_on_at_half_of_what_was_seen() -> None:
    """h = r t + (g/2) t^2 / 2, from the rate of now: the window's, and three and a half seconds' growth."""
    growth = 2e-5
    rate = 2e-3 + growth * np.arange(30.0)
    found = Bearing(BRAKE, 0.003, 1.0).feed(groups(np.full(30, 0.4), rate))[NAMES[0]].values[-1]
    now, left = rate[-1] + 0.5 * (GROUPS - 1) * growth, BRAKE.bearing_level - 0.4
    assert now * found + 0.5 * (0.5 * growth) * found**2 == pytest.approx(left, rel=1e-6)


def test_the_early_bound_grows_until_all_that_flows_in_stays_and_a_tenth_more() -> None:
    """A hose collapses: from the rate of now, two of its standard uncertainties more, at the growth that was seen."""
    rate = np.where(np.arange(30) < 25, 0.0, 4e-3)
    found = Bearing(BRAKE, 0.003, 1.0).feed(groups(np.full(30, 0.4), rate))[NAMES[1]].values[-1]
    assert BRAKE.housing_area is not None
    most, growth = 1.1 * FLOW / BRAKE.housing_area, 4e-3 / GROUPS
    now = 4e-3 + 0.5 * (GROUPS - 1) * growth + 2.0 * 4e-4
    growth += 2.0**0.5 * 4e-4 / GROUPS
    until = (most - now) / growth
    left = BRAKE.bearing_level - 0.4 - 2.0 * 0.003 - until * 0.5 * (now + most)
    assert found == pytest.approx(until + left / most, rel=1e-6)


def test_water_that_rises_with_no_inflow_has_no_bound_to_go_by() -> None:
    """It comes from elsewhere: what flows in says nothing of how fast it can rise."""
    rate = np.where(np.arange(30) < 25, 0.0, 4e-3)
    unknown, dry = (groups(np.full(30, 0.4), rate, flow_grade=grade) for grade in (BAD, GOOD))
    dry.means["flow"][:] = 0.0
    for name in NAMES:
        free, found = (Bearing(BRAKE, 0.003, 1.0).feed(one)[name].values[-1] for one in (unknown, dry))
        assert found == free


@pytest.mark.parametrize("name", ["level", "rate"])
def test_without_a_level_or_its_rate_nothing_is_said(name: str) -> None:
    seconds = groups(np.full(10, 0.4), np.full(10, 2e-3))
    seconds.grades[name][:] = BAD
    found = Bearing(BRAKE, 0.003, 1.0).feed(seconds)
    assert {code for one in NAMES for code in found[one].codes.tolist()} == {int(Reason.NO_BASIS)}


@pytest.mark.parametrize(("rate", "far"), [(7e-4, True), (9e-4, False)])
def test_what_waves_may_do_is_no_rise(rate: float, *, far: bool) -> None:
    found = Bearing(BRAKE, 0.003, 1.0).feed(groups(np.full(20, 0.4), np.full(20, rate)))
    assert [found[name].values[-1] == 86_400.0 for name in NAMES] == [far, far]


def test_after_a_doubtful_rate_it_counts_as_grown_from_none() -> None:
    bearing = Bearing(BRAKE, 0.003, 1.0)
    steady = groups(np.full(GROUPS, 0.4), np.full(GROUPS, 2e-3))
    first, last = (bearing.feed(steady)[NAMES[1]].values[-1] for _ in range(2))
    assert first < last
    assert (
        bearing.feed(groups(np.full(2, 0.4), np.full(2, 2e-3), BAD))[NAMES[1]].codes.tolist() == [Reason.NO_BASIS] * 2
    )


def test_cut_and_restored_anywhere() -> None:
    level, rate, _ = closing(2e-4)
    whole = Bearing(BRAKE, 0.003, 1.0).feed(groups(level, rate))
    at, parts, bearing = 0, [], Bearing(BRAKE, 0.003, 1.0)
    for size in (1, 3, 20, 8, 1, 47):
        parts.append(bearing.feed(groups(level[at : at + size], rate[at : at + size])))
        at += size
        other = Bearing(BRAKE, 0.003, 1.0)
        other.restore(bearing.state())
        bearing = other
    for name in NAMES:
        np.testing.assert_array_equal(whole[name].values, np.concatenate([part[name].values for part in parts]))


def test_already_there() -> None:
    found = Bearing(BRAKE, 0.003, 1.0).feed(groups(np.full(10, BRAKE.bearing_level + 0.01), np.zeros(10)))
    assert [found[name].values[-1] for name in NAMES] == [0.0, 0.0]


@pytest.mark.parametrize(("grade", "code"), [(GOOD, Reason.GOOD), (DOUBTFUL, Reason.NO_BASIS), (BAD, Reason.NO_BASIS)])
def test_no_time_is_told_of_a_level_that_is_not_surely_measured(grade: int, code: Reason) -> None:
    level, rate, _ = closing(1e-4)
    found = Bearing(BRAKE, 0.003, 1.0).feed(groups(level, rate, grade))
    for name in NAMES:
        assert found[name].codes[40] == code
        assert (found[name].values[40] > 0.0) == (code == Reason.GOOD)
