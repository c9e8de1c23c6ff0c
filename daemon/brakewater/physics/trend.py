"""A straight line through few points that may hold an outlier: the median of all slopes (Theil 1950, Sen 1968).

The prediction interval takes the spread of the residuals from their median absolute deviation, so that one wild reading
does not widen it much, and Student's t for the few points. Scalars only, of at most some dozens of points.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import median
from typing import Final

LEAST_POINTS: Final = 4
"""Fewer say nothing of a trend."""
_MAD: Final = 1.4826
"""Of a normal distribution: standard deviation by median absolute deviation, 1 / 0.67449."""
_T_975: Final = (
    12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228, 2.201, 2.179, 2.160, 2.145, 2.131,
    2.120, 2.110, 2.101, 2.093, 2.086, 2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048, 2.045, 2.042,
)  # fmt: skip
"""Student's t, 97.5 %, of 1 to 30 degrees of freedom (any table of it); more count as 30."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """``level + slope * x``, and how sure that is."""

    slope: float
    level: float
    std: float
    """Of one reading about the line."""
    count: int
    mean_x: float
    spread_x: float
    """Sum of squares about the mean."""

    def at(self, x: float) -> float:
        """The line at a place."""
        return self.level + self.slope * x

    def interval(self, x: float) -> tuple[float, float]:
        """Where a reading there lies, 95 % sure."""
        away = x - self.mean_x
        t = _T_975[min(self.count - 2, len(_T_975)) - 1]
        half = t * self.std * sqrt(1.0 + 1.0 / self.count + away * away / self.spread_x)
        return self.at(x) - half, self.at(x) + half

    @property
    def is_sure(self) -> bool:
        """Whether the slope differs from none, 95 % sure."""
        t = _T_975[min(self.count - 2, len(_T_975)) - 1]
        return abs(self.slope) > t * self.std / sqrt(self.spread_x)


def line(x: Sequence[float], y: Sequence[float], least_std: float = 0.0) -> Line | None:
    """The robust line; None with fewer than four points, or all at one place.

    Args:
        x: [n] places.
        y: [n] readings.
        least_std: what a reading is off by at least (the step of a feeler gauge), so that luck is not taken for
            certainty.
    """
    n = len(x)
    slopes = [(y[b] - y[a]) / (x[b] - x[a]) for a in range(n) for b in range(a + 1, n) if x[b] != x[a]]
    if n < LEAST_POINTS or not slopes:
        return None
    slope, mean_x = median(slopes), sum(x) / n
    level = median(y) - slope * median(x)
    off = [abs(yy - level - slope * xx) for xx, yy in zip(x, y, strict=True)]
    std = max(least_std, _MAD * median(off) * sqrt(n / (n - 2)))
    return Line(slope=slope, level=level, std=std, count=n, mean_x=mean_x, spread_x=sum((xx - mean_x) ** 2 for xx in x))
