"""The robust line against SciPy's Theil-Sen, Student's table against SciPy's, and the interval's cover by drawing."""

import numpy as np
import pytest
from scipy import stats

from brakewater.physics import trend
from brakewater.physics.gap import Limits, outlook, survey, torque_share

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
