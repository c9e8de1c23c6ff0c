"""What happens from outside, as data: a quantity given at a few times and straight lines between them."""

from dataclasses import dataclass
from itertools import pairwise


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """A piecewise linear function of time, level before its first knot and after its last.

    Raises:
        ValueError: no knots, or times that do not rise.
    """

    knots: tuple[tuple[float, float], ...]
    """(time in s, value) in rising time."""

    def __post_init__(self) -> None:
        times = [t for t, _ in self.knots]
        if not times or any(a >= b for a, b in pairwise(times)):
            raise ValueError(f"knot times {times}: at least one is needed, each later than the last")

    def value(self, t: float) -> float:
        """The quantity at ``t`` s."""
        before = self.knots[0]
        for knot in self.knots:
            if t < knot[0]:
                if knot is before:
                    return before[1]
                return before[1] + (knot[1] - before[1]) * (t - before[0]) / (knot[0] - before[0])
            before = knot
        return before[1]

    def slope(self, t: float) -> float:
        """The rate of change at ``t``, per s; at a knot that of the line to its right."""
        before = self.knots[0]
        for knot in self.knots:
            if t < knot[0]:
                return 0.0 if knot is before else (knot[1] - before[1]) / (knot[0] - before[0])
            before = knot
        return 0.0

    def integral(self, t: float) -> float:
        """The integral from 0 to ``t`` s (below 0 it counts backwards)."""
        return self._primitive(t) - self._primitive(0.0)

    def _primitive(self, t: float) -> float:
        first = self.knots[0]
        if t <= first[0]:
            return first[1] * (t - first[0])
        total, before = 0.0, first
        for knot in self.knots[1:]:
            if t < knot[0]:
                break
            total += 0.5 * (before[1] + knot[1]) * (knot[0] - before[0])
            before = knot
        return total + 0.5 * (before[1] + self.value(t)) * (t - before[0])


def constant(value: float) -> Profile:
    """The same at all times."""
    return Profile(knots=((0.0, value),))


def steps(first: float, *changes: tuple[float, float], over_s: float) -> Profile:
    """``first``, then at each (time, value) a straight change to the value within ``over_s`` seconds."""
    knots = [(changes[0][0] - 1.0, first)] if changes else [(0.0, first)]
    value = first
    for at, new in changes:
        knots += [(at, value), (at + over_s, new)]
        value = new
    return Profile(knots=tuple(knots))
