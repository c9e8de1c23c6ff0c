import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.stats import theilslopes

from brakewater.physics.level import reaches_s, theil_sen


def _slope(t: list[float], y: list[float]) -> float:
    slope, enough = theil_sen(np.array([t]), np.array([y]), np.ones((1, len(t)), dtype=bool))
    assert enough[0]
    return float(slope[0])


# A line with two gross errors, where least squares gives -1.69; all pair slopes worked by hand.
def test_two_outliers_of_ten_do_not_matter() -> None:
    t = [float(i) for i in range(10)]
    y = [2.0 + 0.5 * i for i in t]
    y[3], y[8] = 40.0, -30.0
    assert _slope(t, y) == 0.5


# Pair slopes 0, 0.5, 1, 1.3333, 1.5, 3, 24.75, 32.667, 49, 95, worked by hand and by scipy 1.17.1.
def test_five_points_with_an_even_number_of_pairs() -> None:
    assert _slope([1, 2, 3, 4, 5], [1, 2, 2, 5, 100]) == 2.25


# Source: scipy.stats.theilslopes.
@given(
    st.lists(
        st.tuples(st.integers(-1000, 0), st.floats(-10.0, 10.0)), min_size=2, max_size=30, unique_by=lambda p: p[0]
    )
)
def test_against_scipy(points: list[tuple[int, float]]) -> None:
    t, y = [float(p[0]) for p in points], [p[1] for p in points]
    assert _slope(t, y) == pytest.approx(theilslopes(y, t).slope, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize(
    ("left", "rate", "growth", "most"),
    [
        (0.3, 1e-3, 0.0, 1.0),
        (0.3, 1e-3, 1e-4, 1.0),
        (0.3, 1e-3, 1e-4, 3e-3),
        (0.3, 5e-3, 1e-4, 3e-3),
        (0.0, 1e-3, 1e-4, 1.0),
    ],
)
def test_when_a_level_that_rises_faster_and_faster_is_there(
    left: float, rate: float, growth: float, most: float
) -> None:
    # Source: SciPy's solve_ivp, event where the level is reached.
    def there(_: float, y: np.ndarray) -> float:
        return float(y[0]) - left

    there.terminal = True  # type: ignore[attr-defined]
    steps = solve_ivp(
        lambda t, _: [min(rate + growth * t, max(most, rate))],
        (0.0, 1e4),
        [-1e-12],
        events=there,
        rtol=1e-9,
        max_step=1.0,
    )
    ours = reaches_s(*(np.array([x]) for x in (left, rate, growth, most)))
    assert ours[0] == pytest.approx(steps.t_events[0][0], rel=1e-4, abs=1e-6)
