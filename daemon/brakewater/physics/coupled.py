"""Two numbers that hang on each other from step to step, carried on by groups of steps.

    x' = a (x + f y + u)        y' = (y + b x') / (1 + b)

a and u are others at each step. Step by step that is a loop. But some steps after a group's begin, at x0 and y0, it is

    x = p x0 + q y0 + v         y = r x0 + s y0 + w

whatever x0 and y0 are; so p to w of many groups are worked out side by side, place by place of a group, and only from
group to group there is a loop. That is what the numbers are by definition: few steps are gone through one by one with
the same sums in the same order. Groups count from where the steps began, so where steps are cut makes no difference.

A bound on x and y holds for what is shown and for what a group begins with; within a group the sums go on without it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np

from brakewater.stream import Floats

GROUP: Final = 16
"""Steps of a group."""
_MANY: Final = 12
"""Steps from which on side by side is quicker than one by one."""

Way = tuple[float, float, float, float]
"""p, q, r, s since the group began."""
AT_BEGIN: Final[Way] = (1.0, 0.0, 0.0, 1.0)
Sums = tuple[float, float, float, float]
"""x0, y0, v, w of the group."""


_Pair = tuple[float, float]
_Pairs = tuple[tuple[float, ...], tuple[float, ...]]
"""x and y of each of several."""
_Columns = tuple[list[float], list[float]]
"""x and y, one a group."""


@dataclass(frozen=True, slots=True)
class Coupling:
    """What is the same at each step."""

    f: float
    b: float


@dataclass(frozen=True, slots=True)
class Place:
    """Where in a group the next step is."""

    at: int = 0
    way: Way = AT_BEGIN


@dataclass(frozen=True, slots=True, eq=False)
class Carried:
    """One pair of numbers."""

    x: Floats
    """[n] after each step."""
    y: Floats
    sums: Sums
    """How to go on."""


class Stretch(Protocol):
    """[n] steps, at least one."""

    after: Place

    def carried(self, before: Sequence[Sums], u: Sequence[Floats], most: float = math.inf) -> list[Carried]:
        """Each of several pairs of numbers that the same steps move.

        Args:
            before: of each pair; at a group's begin x0, y0, 0.0, 0.0.
            u: of each pair, [n]: what is put in.
            most: bound.
        """


def stretch(coupling: Coupling, place: Place, parts: Floats) -> Stretch:
    """Steps from a place on: ``parts`` are [n] a."""
    return (_SideBySide if len(parts) >= _MANY else _OneByOne)(coupling, place, parts)


class _OneByOne:
    def __init__(self, coupling: Coupling, place: Place, parts: Floats) -> None:
        self._f, self._b, self._shrinks = coupling.f, coupling.b, 1.0 / (1.0 + coupling.b)
        self._first, self._parts = place.at, parts.tolist()
        self._ways = list[Way]()
        at, (p, q, r, s) = place.at, place.way
        for a in self._parts:
            p, q = a * (p + self._f * r), a * (q + self._f * s)
            r, s = (r + self._b * p) * self._shrinks, (s + self._b * q) * self._shrinks
            self._ways.append((p, q, r, s))
            at += 1
            if at == GROUP:
                at, (p, q, r, s) = 0, AT_BEGIN
        self.after = Place(at, (p, q, r, s))

    def carried(self, before: Sequence[Sums], u: Sequence[Floats], most: float = math.inf) -> list[Carried]:
        return [self._one(sums, put.tolist(), most) for sums, put in zip(before, u, strict=True)]

    def _one(self, sums: Sums, u: list[float], most: float) -> Carried:
        x0, y0, v, w = sums
        xs, ys, at = list[float](), list[float](), self._first
        for a, (p, q, r, s), put in zip(self._parts, self._ways, u, strict=True):
            v = a * (v + self._f * w + put)
            w = (w + self._b * v) * self._shrinks
            x, y = min(p * x0 + q * y0 + v, most), min(r * x0 + s * y0 + w, most)
            xs.append(x)
            ys.append(y)
            at += 1
            if at == GROUP:
                at, x0, y0, v, w = 0, x, y, 0.0, 0.0
        return Carried(np.array(xs), np.array(ys), (x0, y0, v, w))


class _SideBySide:
    """Of k pairs and g groups; arrays are [GROUP, k, g]: a row a place in its group."""

    def __init__(self, coupling: Coupling, place: Place, parts: Floats) -> None:
        self._f, self._b, self._shrinks = coupling.f, coupling.b, 1.0 / (1.0 + coupling.b)
        self._first, self._end = place.at, place.at + len(parts)
        self._groups = -(-self._end // GROUP)
        self._last = (self._end - 1) % GROUP
        self._parts = self._laid_out([parts])
        p, q, r, s = place.way
        x, y = self._gone(((1.0, 0.0), (0.0, 1.0)), ((p, q), (r, s)))
        self._p, self._q, self._r, self._s = x[:, 0], x[:, 1], y[:, 0], y[:, 1]
        ways = self._p, self._q, self._r, self._s
        self._ends = [rows[-1, :-1].tolist() for rows in ways]  # of whole groups
        p, q, r, s = (rows.item(self._last, -1) for rows in ways)
        self.after = Place() if self._last + 1 == GROUP else Place(self._last + 1, (p, q, r, s))

    def carried(self, before: Sequence[Sums], u: Sequence[Floats], most: float = math.inf) -> list[Carried]:
        none = (0.0,) * len(before)
        _, _, *first = zip(*before, strict=True)
        v, w = self._gone((none, none), (first[0], first[1]), self._laid_out(u))
        return [self._one(sums, (v[:, of], w[:, of]), most) for of, sums in enumerate(before)]

    def _one(self, before: Sums, sums: tuple[Floats, Floats], most: float) -> Carried:
        v, w = sums
        xs, ys = self._begun(before[:2], (v[-1, :-1].tolist(), w[-1, :-1].tolist()), most)
        x0, y0 = np.array(xs), np.array(ys)
        x = self._in_order(np.minimum(self._p * x0 + self._q * y0 + v, most))
        y = self._in_order(np.minimum(self._r * x0 + self._s * y0 + w, most))
        if self._last + 1 == GROUP:
            return Carried(x, y, (x.item(-1), y.item(-1), 0.0, 0.0))
        return Carried(x, y, (xs[-1], ys[-1], v.item(self._last, -1), w.item(self._last, -1)))

    def _begun(self, first: _Pair, sums: _Columns, most: float) -> _Columns:
        """X and y that each group begins with: from group to group."""
        x, y = first
        xs, ys = [x], [y]
        for p, q, r, s, v, w in zip(*self._ends, *sums, strict=True):
            x, y = p * x + q * y + v, r * x + s * y + w
            if x > most:  # noqa: PLR1730 - min() would take half of the loop
                x = most
            if y > most:  # noqa: PLR1730
                y = most
            xs.append(x)
            ys.append(y)
        return xs, ys

    def _gone(self, begin: _Pairs, first: _Pairs, u: Floats | None = None) -> tuple[Floats, Floats]:
        """X and y of each pair: in every group from its ``begin``, in the first one from ``first`` at its place."""
        shape = len(begin[0]), self._groups
        xs, ys, moved = np.empty((GROUP, *shape)), np.empty((GROUP, *shape)), np.empty(shape)
        x, y = (np.repeat(np.array(one), self._groups).reshape(shape) for one in begin)
        for at in range(GROUP):
            if at == self._first:
                x[:, 0], y[:, 0] = first
            x = np.add(x, np.multiply(y, self._f, out=moved), out=xs[at])
            if u is not None:
                x += u[at]
            x *= self._parts[at]
            y = np.add(y, np.multiply(x, self._b, out=moved), out=ys[at])
            y *= self._shrinks
        return xs, ys

    def _laid_out(self, columns: Sequence[Floats]) -> Floats:
        """[GROUP, k, g] of k times [n]; 0.0 where there is no step."""
        laid = np.zeros((len(columns), self._groups * GROUP))
        for row, column in zip(laid, columns, strict=True):
            row[self._first : self._end] = column
        return laid.reshape(len(columns), self._groups, GROUP).transpose(2, 0, 1).copy()

    def _in_order(self, rows: Floats) -> Floats:
        """[n] of [GROUP, g]."""
        return rows.T.ravel()[self._first : self._end]
