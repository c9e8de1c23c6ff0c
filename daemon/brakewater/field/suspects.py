"""Ranks the usual wiring mistakes by what the tech knows to be true; says "cannot tell" where it cannot.

Each hypothesis (hypothesis.py) is asked what it reads at each level. What the tech says is taken to be true within a
tolerance, as a standard deviation, so each level weighs a hypothesis by exp(-(residual / tolerance)^2 / 2); this is
multiplied by how usual the mistake is. One that misses a level by more than three tolerances does not fit.

A signal that moves while it is read is known no better than by half of how far it moved. Each hypothesis has its own
measure of that, since a range that is too wide makes every movement small; and what it leaves open counts against it.

A number of several registers whose low word stands still while the value moves is improbable, however well it fits: so
looks the high half of a float beside somebody else's register.

Two that fit are one where they read the same (within a tolerance) over the whole range of the signal. Otherwise they
are told apart only if one is 20 times as probable; if not, the level is sought at which they would differ. It is one
that the sensor can be brought to; where no such level would tell them, none is named.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from brakewater.field.encode import shown_by
from brakewater.field.hypothesis import Cells, Hypothesis, hypotheses, values
from brakewater.field.straight import Straight, straight
from brakewater.rig import Point
from brakewater.signals.convert import Bit
from brakewater.stream import Floats

MISSES: Final = 3.0
"""Tolerances from which on a hypothesis does not fit a level."""
TELLS: Final = 20.0
"""So many times as probable as another, and it is told from it."""
PARTS: Final = 6.0
"""Tolerances by which two must differ at a level that is to tell them apart, if there is such a level."""
_NOISE: Final = 64
"""Counts by which somebody else's register may move between two levels and still stand still."""
_EXPLAINS: Final = 6.0
"""So many times what a signal moved while it was read it may be off for that; an assumption."""
_GRID = 81
_SHOWN = 5

Verdict = Literal["as-written", "found", "cannot-tell", "none"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """What was read while the tech knew the true value."""

    expected: float
    """SI; 0 or 1 of a contact."""
    cells: Cells
    later: tuple[Cells, ...] = ()
    """The same, read again over the next second: they tell a signal that moves."""

    def moves(self, hypothesis: Hypothesis) -> float:
        """How far the value moved while it was read, SI; 0 where that cannot be told."""
        found = values(hypothesis, (self.cells, *self.later))
        known = found[~np.isnan(found)]
        return float(np.ptp(known)) if len(known) else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A hypothesis and how it stands."""

    hypothesis: Hypothesis
    residuals: tuple[float, ...]
    """Read less true at each level, SI; NaN where it read nothing that makes sense."""
    probability: float
    fits: bool
    same: tuple[Hypothesis, ...] = ()
    """Others that read the same over the whole range, so that it does not matter which is right."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rival:
    """One that cannot be told from the first."""

    suspect: Suspect
    apart_at: float | None
    """True value in SI at which they differ clearly, with only this signal moved; None where no level tells them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranking:
    """What became of it."""

    verdict: Verdict
    suspects: tuple[Suspect, ...]
    """Most probable first: all that fit, else the nearest few."""
    rivals: tuple[Rival, ...] = ()
    """Only with ``cannot-tell``."""
    moved: float | None = None
    """How far the value moved, by the first suspect, while a level was read, SI; if more than the tolerance."""
    straight: Straight | None = None
    """Only with ``none``."""


def rank(
    point: Point, unit: int, levels: Sequence[Level], *, tolerance: float, span: tuple[float, float],
    likely: tuple[float, float] | None = None, units: Sequence[int] = (),
) -> Ranking:  # fmt: skip
    """Rank the hypotheses of a point.

    Args:
        point: as the rig file has it.
        unit: the unit number of its device.
        levels: at least one.
        tolerance: how exactly the true values are known, SI (a difference).
        span: lowest and highest true value that matters, SI.
        likely: within it, what the sensor is easily brought to; default all of it.
        units: other unit numbers to consider.

    Raises:
        ValueError: no level, or a tolerance that is not above zero.
    """
    if not levels or not tolerance > 0:
        raise ValueError(f"found {len(levels)} levels, tolerance {tolerance}; allowed: one or more, above zero")
    asked = hypotheses(point, unit, units)
    expected = np.array([level.expected for level in levels])
    cells = [level.cells for level in levels]
    residuals = np.stack([values(one, cells) for one in asked]) - expected
    moves = np.array([[level.moves(one) for level in levels] for one in asked])
    apart = float(np.ptp(expected)) > MISSES * tolerance
    usual = np.array([one.weight * (_still(one, cells) if apart else 1.0) for one in asked])
    within = np.maximum(moves / 2, tolerance)
    usual *= np.where((moves > span[1] - span[0]).any(axis=1), 0.0, (tolerance / within).prod(axis=1))
    suspects = _weighed(asked, residuals, within, usual)
    first = suspects[0]
    most = max(level.moves(first.hypothesis) for level in levels)
    explains = first.fits or max(map(abs, first.residuals)) <= _EXPLAINS * most  # else something else is wrong as well
    moved = most if most > tolerance and explains else None
    fitting = [suspect for suspect in suspects if suspect.fits]
    if not fitting:
        line = straight(asked[0], cells, expected, tolerance)
        return Ranking(verdict="none", suspects=tuple(suspects[:_SHOWN]), moved=moved, straight=line)
    grid = np.linspace(*span, 2 if isinstance(point.signal, Bit) else _GRID)
    found = _told(fitting, _Levels(x=grid, likely=likely or span, read=levels, tolerance=tolerance))
    return replace(found, moved=moved)


def _still(one: Hypothesis, cells: Sequence[Cells]) -> float:
    """How probable it is that the low word of a longer number differs so little while the value moves.

    1 where it differs by more than another signal's noise, and where it is 0 at every level, as in round numbers.
    """
    if len(one.addresses) == 1:
        return 1.0
    low = one.addresses[-1 if one.register.words_high_first else 0]
    words = [level.get((one.unit, one.table), {}).get(low, 0) for level in cells]
    swapped = [(word & 0xFF) << 8 | word >> 8 for word in words]
    apart = min(max(each) - min(each) for each in (words, swapped))
    return 1.0 if apart > _NOISE or not any(words) else 2 * (2 * apart + 1) / 65536


def _weighed(asked: Sequence[Hypothesis], residuals: Floats, within: Floats, usual: Floats) -> list[Suspect]:
    """Most probable first. Beside them stands "something else", which would miss every level by three tolerances.

    Args:
        asked: [h] hypotheses.
        residuals: [h, n levels] read less true, SI.
        within: [h, n] how exactly the true value is known, if a hypothesis holds.
        usual: [h] how usual each is; 0: none at all.
    """
    with np.errstate(over="ignore", divide="ignore"):  # a float64 misread may be as large as a float64 gets
        distance = np.nan_to_num(np.abs(residuals) / within, nan=np.inf)
        distance[usual == 0.0] = np.inf
        usual = np.maximum(usual, 1e-300)
    logs = -0.5 * (np.minimum(distance, 1e6) ** 2).sum(axis=1) + np.log(usual)
    nothing = -0.5 * residuals.shape[1] * MISSES**2
    top = max(float(logs.max()), nothing)
    weights = np.exp(logs - top)
    shares = weights / (weights.sum() + np.exp(nothing - top))
    order = np.argsort(-logs, kind="stable")
    return [
        Suspect(
            hypothesis=asked[at],
            residuals=tuple(residuals[at].tolist()),
            probability=float(shares[at]),
            fits=bool((distance[at] <= MISSES).all()),
        )
        for at in order.tolist()
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Levels:
    """Where a further level could be, beside those read."""

    x: Floats
    """[n] SI."""
    likely: tuple[float, float]
    read: Sequence[Level]
    tolerance: float

    def moved(self) -> NDArray[np.bool_]:
        """[n] Which lie away from all that was read."""
        expected = np.array([level.expected for level in self.read])
        away: NDArray[np.bool_] = np.abs(self.x[:, None] - expected).min(axis=1) > MISSES * self.tolerance
        return away


def _told(fitting: list[Suspect], levels: _Levels) -> Ranking:
    first = fitting[0]
    same, rivals, rest = [], [], []
    for other in fitting[1:]:
        apart = _apart(first.hypothesis, other.hypothesis, levels)
        if apart.max() < 1.0:
            same.append(other.hypothesis)
            continue
        rest.append(other)
        if other.probability * TELLS > first.probability:
            rivals.append(Rival(suspect=other, apart_at=_best(first.hypothesis, other.hypothesis, levels, apart)))
    first = Suspect(
        hypothesis=first.hypothesis, residuals=first.residuals, fits=True, same=tuple(same),
        probability=min(1.0, first.probability + sum(one.probability for one in fitting if one.hypothesis in same)),
    )  # fmt: skip
    plain: Verdict = "found" if first.hypothesis.mistakes else "as-written"
    verdict: Verdict = "cannot-tell" if rivals else plain
    return Ranking(verdict=verdict, suspects=(first, *rest), rivals=tuple(rivals))


def _apart(one: Hypothesis, other: Hypothesis, levels: _Levels) -> Floats:
    """By how many tolerances the wrong one of two would miss at each true value; 0 where neither can show it."""

    def misses(reader: Hypothesis, seen: Sequence[Cells]) -> Floats:
        found: Floats = np.nan_to_num(np.abs(values(reader, seen) - levels.x), nan=np.inf) / levels.tolerance
        return found

    return _least(one, other, levels, misses)


def _stands(one: Hypothesis, other: Hypothesis, levels: _Levels) -> Floats:
    """So many times less probable the wrong one would be at each true value for a low word that stands still."""
    read = [level.cells for level in levels.read]
    moved = levels.moved()

    def times(reader: Hypothesis, seen: Sequence[Cells]) -> Floats:
        return np.where(moved, [1.0 / _still(reader, [*read, cells]) for cells in seen], 1.0)

    return _least(one, other, levels, times)


def _least(
    one: Hypothesis, other: Hypothesis, levels: _Levels, told: Callable[[Hypothesis, Sequence[Cells]], Floats]
) -> Floats:
    """What tells the wrong one at each true value, whichever of the two it is."""
    least, shown = np.full(len(levels.x), np.inf), np.zeros(len(levels.x), np.bool_)
    for truth, reader in ((one, other), (other, one)):
        seen, can = shown_by(truth, levels.x, levels.read[-1].cells)
        least = np.minimum(least, np.where(can, told(reader, seen), np.inf))
        shown |= can
    return np.where(shown, least, 0.0)


def _best(one: Hypothesis, other: Hypothesis, levels: _Levels, apart: Floats) -> float | None:
    """Of the levels that tell them apart clearly the middle one, of the likely ones if it can be; else None."""
    low, high = levels.likely
    likely = (low <= levels.x) & (levels.x <= high)
    clear = likely & (apart >= PARTS)
    if not clear.any():
        clear = likely & (_stands(one, other, levels) >= TELLS * TELLS)
    found = np.flatnonzero(clear if clear.any() else apart >= PARTS)
    return float(levels.x[found[len(found) // 2]]) if len(found) else None
