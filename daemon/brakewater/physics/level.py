"""How fast a level moves, robustly: medians of groups, then the Theil-Sen slope through at most 30 of them; and when.

Input is a matrix of fixed width, one row a window, with a mask of what is usable. Only sorting along a row and
element-wise arithmetic are used, so a row's result is the same to the last bit however many rows come together.

Source: Theil (1950) and Sen (1968), cited from memory: the median of all pair slopes; it stands up to 29 % of outliers.
"""

import math
from collections.abc import Iterable, Sequence
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from brakewater.stream import Floats

FEWEST_POINTS = 2
_FIVE = 5
"""Numbers of a group at the usual five scans a second, whose median is told without putting them in order."""
MOST_POINTS = 30
"""Points a window may have: 435 pairs."""

Mask = NDArray[np.bool_]


def group_median(x: Floats, usable: Mask) -> tuple[Floats, Mask]:
    """Median of the usable numbers of each row; of an even count, half way between the middle two.

    Args:
        x: [m, k] numbers, k at least 1; NaN and infinities count as not usable.
        usable: [m, k].

    Returns:
        [m] medians, 0.0 where nothing is usable, and [m] whether anything is.
    """
    kept = usable & np.isfinite(x)
    if kept.all():  # the common case
        middle = _middle_of_five(x) if x.shape[1] == _FIVE else _middle(np.sort(x, axis=1))
        return middle, np.ones(len(x), np.bool_)
    count = np.count_nonzero(kept, axis=1)
    ranked = np.sort(np.where(kept, x, np.inf), axis=1)
    lower = _ranked_at(ranked, np.maximum(count - 1, 0) // 2)
    upper = _ranked_at(ranked, count // 2)
    some = count > 0
    return np.where(some, 0.5 * lower + 0.5 * upper + 0.0, 0.0), some


def theil_sen(t_s: Floats, y: Floats, usable: Mask) -> tuple[Floats, Mask]:
    """Median of the slopes of all pairs of usable points of each row.

    Args:
        t_s: [m, p] times in seconds, p 2 to 30; take them from the window's end, and the difference in
            integers first: a float64 of a whole clock reading is good to 0.1 us only. Pairs at one time are left out.
        y: [m, p] levels in m, or whatever moves.
        usable: [m, p].

    Returns:
        [m] slopes in units of ``y`` a second, 0.0 where not enough, and [m] whether at least half the points, and
        two at different times, were usable.

    Raises:
        ValueError: fewer than 2 or more than 30 points.
    """
    points = t_s.shape[1]
    if not FEWEST_POINTS <= points <= MOST_POINTS:
        raise ValueError(
            f"t_s: found {points} points a window; allowed: {FEWEST_POINTS} to {MOST_POINTS}; "
            "where there are more, take medians of groups first"
        )
    # A row a point of all windows: a pair is then two rows, each read from end to end.
    t, z = t_s.T, y.T
    kept = usable.T & np.isfinite(t) & np.isfinite(z)
    if kept.all() and (t[1:] > t[:-1]).all():  # the common case: every pair counts
        ranked = _slopes(t, z).T.copy()
        if np.isfinite(ranked).all():
            ranked.sort(axis=1)
            return _middle(ranked), np.ones(len(t_s), np.bool_)
    slope, any_pair = group_median(*_slopes_that_count(np.where(kept, t, 0.0), np.where(kept, z, 0.0), kept))
    enough = any_pair & (2 * np.count_nonzero(kept, axis=0) >= points)
    return np.where(enough, slope, 0.0), enough


def reaches_s(left_m: Floats, rate_m_s: Floats, growth_m_s2: Floats, most_m_s: Floats) -> Floats:
    """Seconds until a level that rises faster and faster has risen so far: ``h = r t + g t^2 / 2`` up to a steady rate.

    Args:
        left_m: [m] how far it has to rise, at least 0.
        rate_m_s: [m] how fast it rises now, above 0.
        growth_m_s2: [m] how that grows, at least 0.
        most_m_s: [m] the rate beyond which it does not grow; where that is less than it has, it grows no more.
    """
    grows = np.maximum(most_m_s - rate_m_s, 0.0)
    # how far it rises while the rate grows: (most^2 - rate^2) / 2g, multiplied out so that nothing is divided by none
    within_growth = 2.0 * growth_m_s2 * left_m <= grows * (grows + 2.0 * rate_m_s)
    growing = 2.0 * left_m / (rate_m_s + np.sqrt(rate_m_s * rate_m_s + 2.0 * growth_m_s2 * left_m))
    growth, most = np.where(within_growth, 1.0, growth_m_s2), rate_m_s + grows
    until = grows / growth
    steady = until + (left_m - until * (rate_m_s + 0.5 * grows)) / most
    return np.where(within_growth, growing, steady)


def lone_median(x: Iterable[float]) -> tuple[float, bool]:
    """``group_median`` of the usable numbers of one group, in Python's own numbers: the same bits, sooner."""
    ranked = sorted(filter(math.isfinite, x))
    if not ranked:
        return 0.0, False
    return 0.5 * ranked[(len(ranked) - 1) // 2] + 0.5 * ranked[len(ranked) // 2] + 0.0, True


def lone_theil_sen(t_s: Sequence[float], y: Sequence[float], usable: Sequence[bool]) -> tuple[float, bool]:
    """``theil_sen`` of one window, in Python's own numbers: the same bits, sooner."""
    kept = [(t, z) for t, z, use in zip(t_s, y, usable, strict=True) if use and math.isfinite(t) and math.isfinite(z)]
    pairs = [(t2 - t1, z2 - z1) for (t1, z1), (t2, z2) in combinations(kept, 2)]
    slope, some = lone_median(rise / run for run, rise in pairs if run != 0.0)
    return (slope, True) if some and 2 * len(kept) >= len(t_s) else (0.0, False)


@lru_cache(maxsize=MOST_POINTS)
def _pairs(points: int) -> tuple[tuple[int, int], ...]:
    return tuple(combinations(range(points), 2))


def _slopes(t_s: Floats, y: Floats) -> Floats:
    """[pairs, m] slopes of all pairs of [p, m] points, none of them at one time."""
    pairs = _pairs(len(t_s))
    slopes = np.empty((len(pairs), t_s.shape[1]))
    with np.errstate(over="ignore"):
        for row, (one, other) in enumerate(pairs):
            np.subtract(y[other], y[one], out=slopes[row])
            slopes[row] /= t_s[other] - t_s[one]
    return slopes


def _slopes_that_count(t_s: Floats, y: Floats, kept: Mask) -> tuple[Floats, Mask]:
    """[m, pairs] slopes of all pairs of [p, m] points, and which of them are usable and at two times."""
    first, second = np.array(_pairs(len(t_s))).T
    run = t_s[second] - t_s[first]
    pairs = kept[first] & kept[second] & (run != 0.0)
    with np.errstate(over="ignore"):  # group_median leaves out what overflows
        slopes = (y[second] - y[first]) / np.where(pairs, run, 1.0)
    return slopes.T.copy(), pairs.T.copy()


def _middle(ranked: Floats) -> Floats:
    """[m] medians of rows in order.

    Halves are added, so that no sum can overflow; + 0.0 turns a minus zero, whose place in a sort is chance, to zero.
    """
    k = ranked.shape[1]
    middle: Floats = 0.5 * ranked[:, (k - 1) // 2] + 0.5 * ranked[:, k // 2] + 0.0
    return middle


def _middle_of_five(x: Floats) -> Floats:
    """[m] medians of [m, 5]: the larger of the two smaller of pairs, the smaller of the two larger, and the fifth."""
    a, b, c, d, e = x.T.copy()
    low = np.maximum(np.minimum(a, b), np.minimum(c, d))
    high = np.minimum(np.maximum(a, b), np.maximum(c, d))
    middle: Floats = np.maximum(np.minimum(low, high), np.minimum(np.maximum(low, high), e))
    return 0.5 * middle + 0.5 * middle + 0.0  # to the last bit what _middle gives


def _ranked_at(ranked: Floats, position: NDArray[np.intp]) -> Floats:
    return np.take_along_axis(ranked, position[:, np.newaxis], axis=1)[:, 0]
