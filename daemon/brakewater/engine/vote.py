"""Redundant points: one column made of two or three, and which of them contradict the others.

    first-good     the first in the file of the best quality there is
    mean           the mean of those of the best quality
    two-of-three   of three the middle one; of two their mean, or where they are apart the one on the alarm's side

Two that are apart for longer than their hold are ``DEVIATION`` (uncertain), both, since nobody can tell which is wrong;
of three the one that is apart from two who agree. A point that is uncertain for another reason accuses nobody.
"""

import hashlib
from collections.abc import Mapping
from itertools import combinations
from typing import Any, Final

import numpy as np

from brakewater.engine.lasting import Lasting, Mask
from brakewater.quality import Codes, Reason, is_bad, is_good
from brakewater.rig import Redundant
from brakewater.stream import Column, Floats, Ints

_DEVIATION: Final = np.uint8(Reason.DEVIATION)
_LOW_ALARMS: Final = frozenset({"inlet-flow", "return-flow", "supply-pressure", "coil-current", "coil-voltage"})
"""Roles whose alarm lies on the low side."""


class Vote:
    """One role of one brake."""

    def __init__(self, redundant: Redundant) -> None:
        self.role = redundant.role
        self.names = tuple(point.name for point in redundant.points)
        self.definition = hashlib.sha256(repr(redundant.definition).encode()).hexdigest()[:16]
        self._rule = redundant.rule
        self._apart = redundant.apart
        self._accuracies = [point.accuracy for point in redundant.points]
        self._pairs = {pair: Lasting(redundant.hold_ns) for pair in combinations(range(len(self.names)), 2)}

    def feed(self, t_ns: Ints, readings: Mapping[str, Column]) -> tuple[Column, dict[str, Column]]:
        """The column made of them, and those readings that the vote made doubtful."""
        columns = [readings[name] for name in self.names]
        deviates = self._deviates(t_ns, columns)
        changed = {}
        for at, mask in enumerate(deviates):
            if np.count_nonzero(mask):
                codes = np.maximum(columns[at].codes, mask * _DEVIATION)
                columns[at] = changed[self.names[at]] = Column(values=columns[at].values, codes=codes)
        values, codes = np.array([c.values for c in columns]), np.array([c.codes for c in columns])
        return _RULES[self._rule](values, codes, self.role in _LOW_ALARMS), changed

    def _deviates(self, t_ns: Ints, columns: list[Column]) -> list[Mask]:
        """Of each point, where it contradicts the others."""
        good = [is_good(column.codes) for column in columns]
        apart = {pair: lasting.feed(t_ns, self._far(pair, columns, good)) for pair, lasting in self._pairs.items()}
        if len(columns) == 2:
            return [apart[0, 1], apart[0, 1]]
        found = []
        for at in range(3):
            one, other = (at + 1) % 3, (at + 2) % 3
            from_one, from_other = apart[_pair(at, one)], apart[_pair(at, other)]
            alone = from_one & from_other
            found.append(alone | (from_one & ~good[other]) | (from_other & ~good[one]))
        return found

    def _far(self, pair: tuple[int, int], columns: list[Column], good: list[Mask]) -> Mask:
        one, other = pair
        a, b = columns[one].values, columns[other].values
        with np.errstate(over="ignore"):
            far: Mask = good[one] & good[other] & (np.abs(a - b) > self._limit(pair, a, b))
        return far

    def _limit(self, pair: tuple[int, int], a: Floats, b: Floats) -> Floats | float:
        if self._apart is not None:
            return self._apart
        first, second = (self._accuracies[at] for at in pair)
        assert first is not None  # only points that give a number may be redundant, and each has one
        assert second is not None
        return first.at(a) + second.at(b)

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {"definition": self.definition, "apart": [lasting.state() for lasting in self._pairs.values()]}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Go on from a snapshot made with the same settings; under others begin anew."""
        if state["definition"] == self.definition:
            for lasting, kept in zip(self._pairs.values(), state["apart"], strict=True):
                lasting.restore(kept)


def _pair(a: int, b: int) -> tuple[int, int]:
    return (a, b) if a < b else (b, a)


def _best(codes: Codes) -> tuple[Mask, Codes]:
    """[k, n] which are of the best quality at hand, and [n] the worst code among those."""
    rank = (codes > 0).view(np.uint8) + is_bad(codes).view(np.uint8)
    best: Mask = rank == np.minimum.reduce(rank, axis=0)
    return best, np.maximum.reduce(np.where(best, codes, np.uint8(0)), axis=0)


def _first_good(values: Floats, codes: Codes, _low: bool) -> Column:  # noqa: FBT001 - one signature for all rules
    best, _ = _best(codes)
    value, code = values[-1], codes[-1]
    for at in range(len(values) - 2, -1, -1):
        value, code = np.where(best[at], values[at], value), np.where(best[at], codes[at], code)
    return Column(values=value, codes=code)


def _mean(values: Floats, codes: Codes, _low: bool) -> Column:  # noqa: FBT001 - one signature for all rules
    best, worst = _best(codes)
    return _told(_mean_of(values, best), worst)


def _two_of_three(values: Floats, codes: Codes, low: bool) -> Column:  # noqa: FBT001 - one signature for all rules
    best, worst = _best(codes)
    a, b, c = values
    middle = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    few = np.where(worst == _DEVIATION, _side(values, best, low=low), _mean_of(values, best))
    return _told(np.where(best[0] & best[1] & best[2], middle, few), worst)


def _side(values: Floats, used: Mask, *, low: bool) -> Floats:
    """[n] the lowest or the highest of those of [k, n] that are used."""
    held = np.where(used, values, np.inf if low else -np.inf)
    side: Floats = np.minimum.reduce(held, axis=0) if low else np.maximum.reduce(held, axis=0)
    return side


def _mean_of(values: Floats, used: Mask) -> Floats:
    """[n] means of those of [k, n] that are used, at least one; summed in the order of the file."""
    total, count = np.zeros(values.shape[1]), np.zeros(values.shape[1])
    with np.errstate(over="ignore"):
        for row, mask in zip(values, used, strict=True):
            total, count = total + np.where(mask, row, 0.0), count + mask
    return total / count


def _told(values: Floats, codes: Codes) -> Column:
    """A bad value is 0.0, and garbage that overflowed is bad."""
    codes = np.where(np.isfinite(values), codes, np.maximum(codes, np.uint8(Reason.NOT_A_NUMBER)))
    return Column(values=np.where(is_bad(codes), 0.0, values), codes=codes)


_RULES: Final = {"first-good": _first_good, "mean": _mean, "two-of-three": _two_of_three}
