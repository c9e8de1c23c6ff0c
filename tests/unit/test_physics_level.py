import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brakewater.engine.level import LevelRate
from brakewater.physics.level import group_median, lone_median, lone_theil_sen, theil_sen
from brakewater.stream import Column


def _all(shape: tuple[int, int]) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    return np.ones(shape, dtype=bool)


def test_median_of_odd_even_one_and_none() -> None:
    x = np.array([[3.0, 1.0, 2.0, 9.0], [3.0, 1.0, 2.0, 9.0], [3.0, 1.0, 2.0, 9.0], [3.0, 1.0, 2.0, 9.0]])
    usable = np.array([[1, 1, 1, 0], [1, 1, 1, 1], [0, 0, 0, 1], [0, 0, 0, 0]], dtype=bool)
    median, some = group_median(x, usable)
    np.testing.assert_array_equal(median, [2.0, 2.5, 9.0, 0.0])
    np.testing.assert_array_equal(some, [True, True, True, False])


def test_no_number_is_not_usable() -> None:
    median, some = group_median(np.array([[np.nan, np.inf, 5.0], [np.nan, -np.inf, np.nan]]), _all((2, 3)))
    np.testing.assert_array_equal(median, [5.0, 0.0])
    np.testing.assert_array_equal(some, [True, False])


@given(st.lists(st.floats(-1e300, 1e300), min_size=1, max_size=40))
def test_median_as_numpy_has_it(numbers: list[float]) -> None:
    median, some = group_median(np.array([numbers]), _all((1, len(numbers))))
    assert some[0]
    assert median[0] == pytest.approx(float(np.median(np.array(numbers) / 4.0)) * 4.0, rel=1e-15, abs=1e-300)


@given(st.lists(st.lists(st.sampled_from([-1.0, -0.0, 0.0, 5e-324, 1.0, 2.0, 1e300]), min_size=5, max_size=5)))
def test_median_of_five_is_the_third_in_order(rows: list[list[float]]) -> None:
    x = np.array(rows, np.float64).reshape(-1, 5)
    median, _ = group_median(x, np.ones(x.shape, bool))
    assert median.tobytes() == np.array([lone_median(row)[0] for row in rows], np.float64).tobytes()


def test_half_the_points_are_enough() -> None:
    t, y = np.tile(np.arange(-9.0, 1.0), (3, 1)), np.tile(np.arange(10.0) * 1e-3, (3, 1))
    usable = np.arange(10) < np.array([[10], [5], [4]])
    slope, enough = theil_sen(t, y, usable)
    np.testing.assert_array_equal(enough, [True, True, False])
    assert slope[:2] == pytest.approx(1e-3, rel=1e-12)
    assert slope[2] == 0.0


def test_what_is_not_usable_does_not_matter() -> None:
    t, y = np.arange(-5.0, 1.0)[np.newaxis], np.array([[0.0, 1.0, np.nan, 3.0, 1e9, 5.0]])
    slope, enough = theil_sen(t, y, np.array([[1, 1, 1, 1, 0, 1]], dtype=bool))
    assert (slope[0], enough[0]) == (1.0, True)


def test_points_at_one_time_have_no_slope() -> None:
    slope, enough = theil_sen(np.zeros((1, 4)), np.arange(4.0)[np.newaxis], _all((1, 4)))
    assert (slope[0], enough[0]) == (0.0, False)


def test_one_usable_point_of_two_is_not_enough() -> None:
    _, enough = theil_sen(np.array([[-1.0, 0.0]]), np.array([[1.0, 2.0]]), np.array([[True, False]]))
    assert not enough[0]


def test_overflow_makes_no_warning() -> None:
    slope, enough = theil_sen(np.array([[-1.0, 0.0]]), np.array([[-1.7e308, 1.7e308]]), _all((1, 2)))
    assert (slope[0], enough[0]) == (0.0, False)


@pytest.mark.parametrize("points", [1, 31])
def test_windows_of_other_sizes_are_refused(points: int) -> None:
    square = np.zeros((1, points))
    with pytest.raises(ValueError, match="allowed: 2 to 30"):
        theil_sen(square, square, _all((1, points)))


def test_the_rate_keeps_a_nanosecond_of_a_long_clock() -> None:
    t = np.arange(80) * 200_000_000 + np.arange(80) % 3
    level = Column(values=0.3 + 1e-3 * np.sin(np.arange(80)), codes=np.zeros(80, np.uint8))
    late = 10**18 + 1  # 31 years of steady time
    early_rate, late_rate = (LevelRate(200_000_000).feed(t + begin, level).values for begin in (0, late))
    assert early_rate[-1] != 0.0
    np.testing.assert_array_equal(early_rate, late_rate)


@given(
    seed=st.integers(0, 2**32 - 1),
    m=st.integers(1, 40),
    p=st.integers(2, 30),
    cuts=st.lists(st.integers(0, 40), max_size=6),
)
def test_any_cut_gives_the_same_bits(seed: int, m: int, p: int, cuts: list[int]) -> None:
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(-60.0, 0.0, (m, p)), axis=1)
    y = np.where(rng.random((m, p)) < 0.3, rng.choice([0.0, -0.0, 0.5], (m, p)), rng.normal(0.0, 1.0, (m, p)))
    usable = rng.random((m, p)) < 0.7
    edges = sorted({0, m, *(cut for cut in cuts if cut < m)})
    for whole, pieces in (
        (
            theil_sen(t, y, usable),
            [theil_sen(t[a:b], y[a:b], usable[a:b]) for a, b in itertools.pairwise(edges)],
        ),
        (group_median(y, usable), [group_median(y[a:b], usable[a:b]) for a, b in itertools.pairwise(edges)]),
    ):
        for i in range(2):
            assert b"".join(piece[i].tobytes() for piece in pieces) == whole[i].tobytes()


@given(
    y=st.lists(st.floats(allow_nan=True, allow_infinity=True) | st.integers(-3, 3).map(float), min_size=2, max_size=12),
    data=st.data(),
)
def test_a_lone_window_gives_the_same_bits(y: list[float], data: st.DataObject) -> None:
    n = len(y)
    usable = data.draw(st.lists(st.booleans(), min_size=n, max_size=n))
    t_s = data.draw(st.lists(st.integers(-30, 0).map(lambda ms: ms / 7.0), min_size=n, max_size=n))
    with np.errstate(all="ignore"):
        median, some = group_median(np.array([y]), np.array([usable]))
        slope, enough = theil_sen(np.array([t_s]), np.array([y]), np.array([usable]))
    kept = [number for number, use in zip(y, usable, strict=True) if use]
    for lone, rows in ((lone_median(kept), (median, some)), (lone_theil_sen(t_s, y, usable), (slope, enough))):
        assert (np.array([lone[0]]).tobytes(), lone[1]) == (rows[0].tobytes(), rows[1][0])
