"""The robust line against SciPy's Theil-Sen, Student's table against SciPy's, and the interval's cover by drawing."""

import numpy as np
import pytest
from scipy import stats

from brakewater.physics import trend
from brakewater.physics.gap import Limits, Survey, outlook, survey, torque_share, vague

MIL = 2.54e-5


@pytest.mark.parametrize("n", [4, 5, 9, 24])
def test_slope_and_level_are_scipys(n: int) -> None:
    rng = np.random.default_rng(n)
    for _ in range(20):
        x, y = np.sort(rng.uniform(0, 300, n)), rng.normal(4.5, 0.4, n)
        wanted = stats.theilslopes(y, x)
        found = trend.line(x.tolist(), y.tolist())
        assert found is not None
        assert found.slope == pytest.approx(wanted.slope, rel=1e-12, abs=1e-12)
        assert found.level == pytest.approx(wanted.intercept, rel=1e-12, abs=1e-12)


def test_students_table_is_scipys() -> None:
    wanted = [stats.t.ppf(0.975, n) for n in range(1, 31)]
    assert list(trend._T_975) == pytest.approx(wanted, abs=6e-4)


@pytest.mark.parametrize("n", [4, 7, 20])
def test_interval_and_certainty_take_students_t_for_a_line_of_so_many_points(n: int) -> None:
    """Two degrees of freedom go into the line; half width and test of the slope as in any text on regression."""
    t = stats.t.ppf(0.975, n - 2)
    spread = float(n)
    one = trend.Line(slope=0.0, level=5.0, std=0.2, count=n, mean_x=3.0, spread_x=spread)
    half = t * 0.2 * (1.0 + 1.0 / n + 4.0 / spread) ** 0.5
    assert one.interval(5.0) == pytest.approx((5.0 - half, 5.0 + half), rel=1e-3)
    for part, sure in ((0.97, False), (1.03, True)):
        slope = part * t * 0.2 / spread**0.5
        sloped = trend.Line(slope=-slope, level=5.0, std=0.2, count=n, mean_x=3.0, spread_x=spread)
        assert bool(sloped.is_sure) is sure


def test_readings_that_agree_by_luck_are_no_surer_than_the_gauge() -> None:
    """On one line to the last digit, yet all within a step of the feeler."""
    x, y = list(range(8)), [4.5 + 0.01 * at for at in range(8)]
    by_luck, by_gauge = trend.line(x, y), trend.line(x, y, 0.3)
    assert by_luck is not None
    assert by_gauge is not None
    assert by_luck.is_sure
    assert not by_gauge.is_sure
    assert by_gauge.std == pytest.approx(0.3)


def test_one_wild_reading_moves_it_little_where_least_squares_goes_astray() -> None:
    x = list(range(10))
    y = [4.5 + 0.05 * one for one in x]
    y[8] = 9.0
    found = trend.line(x, y, 0.05)
    assert found is not None
    assert found.slope == pytest.approx(0.05, abs=0.01)
    assert abs(stats.linregress(x, y).slope - 0.05) > 0.1


@pytest.mark.parametrize("n", [6, 12])
def test_the_interval_covers_what_comes(n: int) -> None:
    """About 95 %: drawn 2,000 times with a fixed seed, normal noise, the next reading one step ahead."""
    rng = np.random.default_rng(11)
    x, hit = np.arange(n, dtype=float), 0
    for _ in range(2000):
        y = 4.5 + 0.03 * np.arange(n + 1) + rng.normal(0, 0.3, n + 1)
        found = trend.line(x.tolist(), y[:-1].tolist())
        assert found is not None
        low, high = found.interval(float(n))
        hit += bool(low <= y[-1] <= high)
    assert 0.88 <= hit / 2000 <= 0.99


def test_few_points_are_no_trend_and_noise_is_no_slope() -> None:
    assert trend.line([0, 1, 2], [1, 2, 3]) is None
    assert trend.line([1, 1, 1, 1], [1, 2, 3, 4]) is None
    flat = trend.line(list(range(8)), [4.5, 4.6, 4.4, 4.5, 4.6, 4.4, 4.5, 4.5], 0.05)
    assert flat is not None
    assert not flat.is_sure


def test_torque_goes_with_the_square_of_the_gap() -> None:
    """Gap growth of a tenth leaves 0.826 of the torque: 1 / 1.1 squared, exact arithmetic."""
    assert torque_share(1.1, 1.0) == pytest.approx(1 / 1.21)


def test_scale_counts_as_gap_for_the_magnets_and_not_for_the_touch() -> None:
    bare, scaled = survey(0.0, {"a": 4.5 * MIL, "b": 3.5 * MIL}), survey(0.0, {"a": 4.5 * MIL, "b": 3.5 * MIL}, MIL)
    assert scaled.mean_m == pytest.approx(bare.mean_m + MIL)
    assert scaled.least_m == bare.least_m
    assert scaled.spread_m == pytest.approx(MIL)


def test_a_bearing_going_shows_in_the_narrow_side() -> None:
    """One side opens and the other closes: the mean stands still, the touch comes nearer month by month."""
    month, step = 30 * 86_400.0, 0.2 * MIL
    surveys = [
        survey(at * month, {"plug-1-left": 4.5 * MIL + at * step, "plug-1-right": 4.5 * MIL - at * step})
        for at in range(7)
    ]
    ahead = outlook(surveys, Limits())
    assert ahead is not None
    assert ahead.mean is not None
    assert not ahead.mean.is_sure
    assert ahead.now < 0.81
    assert ahead.share > 0.9


DAY_S = 86_400.0
LIMITS = Limits()
"""0.002, 0.0045 and 0.006 in, as the rig file's keys state their defaults."""


def measured(day: float, least_mil: float, most_mil: float, scale_mil: float = 0.0) -> Survey:
    return survey(day * DAY_S, {"plug-1-left": least_mil * MIL, "plug-1-right": most_mil * MIL}, scale_mil * MIL)


def share(*surveys: Survey) -> float:
    found = outlook(surveys, LIMITS)
    assert found is not None
    return found.share


def test_scale_is_no_iron_yet_the_rotor_touches_where_the_clearance_is_least() -> None:
    one = measured(0.0, 4.0, 5.0, 0.3)
    found = [round(value / MIL, 6) for value in (one.mean_m, one.least_m, one.most_m, one.spread_m)]
    assert found == [4.8, 4.0, 5.3, 1.0]


@pytest.mark.parametrize(
    ("least", "most", "used"), [(4.5, 4.5, 0.0), (4.5, 5.25, 0.5), (4.5, 6.0, 1.0), (3.25, 4.5, 0.5), (2.0, 4.5, 1.0)]
)
def test_a_gap_uses_up_what_lies_between_nominal_and_the_limit_on_either_side(
    least: float, most: float, used: float
) -> None:
    assert share(measured(0.0, least, most)) == pytest.approx(used, abs=1e-9)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_gap_that_drifts_is_told_by_where_it_will_be_in_thirty_days(sign: float) -> None:
    """A mil in fifty days, wider or narrower: 0.6 mil more than the last survey found, 1.6 off."""
    drifts = [4.5 + sign * day / 50.0 for day in range(0, 81, 20)]
    surveys = [measured(20.0 * at, mil, mil) for at, mil in enumerate(drifts)]
    assert share(*surveys) == pytest.approx(2.2 / (1.5 if sign > 0 else 2.5), rel=1e-6)


def test_the_newest_reading_speaks_where_it_is_worse_than_its_trend() -> None:
    calm = [measured(day, 4.5, 4.5) for day in (0, 20, 40, 60, 80)]
    assert share(*calm, measured(100, 4.5, 5.7)) == pytest.approx(0.8)
    assert share(*calm, measured(100, 2.5, 4.5)) == pytest.approx(0.8)


def test_a_slope_that_may_be_none_counts_as_none() -> None:
    """Readings to and fro within a feeler's step: only the newest speaks."""
    noisy = [measured(20 * at, 4.5, 4.5 + off) for at, off in enumerate((0.2, 0.0, 0.3, 0.1, 0.3, 0.15))]
    assert share(*noisy) == pytest.approx(0.1)


def test_wear_that_has_begun_is_not_hidden_behind_a_calm_year() -> None:
    calm = [measured(day, 4.5, 4.5) for day in range(0, 600, 30)]
    worn = [measured(600 + 20 * at, 4.5, 4.5 + 0.2 * at) for at in range(6)]
    assert share(*calm, *worn) == pytest.approx((1.0 + 0.3) / 1.5, rel=1e-6)


def test_a_gap_measured_again_within_half_a_day_is_one_survey() -> None:
    """Four readings of one shift are no trend, however they rise."""
    again = [measured(at / 10.0, 4.5, 4.5 + 0.2 * at) for at in range(4)]
    assert share(*again) == pytest.approx(0.6 / 1.5)


def test_a_torque_index_is_vague_beyond_fifteen_per_cent_expanded() -> None:
    """A gap a tenth wider costs 17 % of the torque, 1 - 1/1.1^2: known no better, it cannot be called as new."""
    assert (vague(0.074), vague(0.076)) == (False, True)
