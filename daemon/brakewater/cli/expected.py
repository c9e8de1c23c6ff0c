"""What a tech knows to be true: ``--expect`` and its levels, and the ranking in words and as JSON."""

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from brakewater.errors import StorageError
from brakewater.field import spans
from brakewater.field.door import cells_document, cells_of, definition_hash
from brakewater.field.hypothesis import Cells, as_written
from brakewater.field.seen import in_unit, rounded, unit_of
from brakewater.field.straight import Straight
from brakewater.field.suspects import Level, Ranking, Rival, Suspect, rank
from brakewater.record.durable import appearing
from brakewater.rig import Point, Rig
from brakewater.signals.convert import Bit
from brakewater.signals.pulse import Pulse
from brakewater.units import Dimension, UnitError, parse, to_unit

_CONTACTS = {"on": 1.0, "off": 0.0, "1": 1.0, "0": 0.0, "true": 1.0, "false": 0.0, "closed": 1.0, "open": 0.0}


class ExpectError(ValueError):
    """An argument that cannot be used."""


class NoRangeError(ExpectError):
    """A share of a range that a point does not have."""


@dataclass(slots=True, kw_only=True)
class Wanted:
    """What is to be true at one time."""

    values: dict[str, float] = field(default_factory=dict)
    """Point -> value in SI."""
    tolerances: dict[str, float] = field(default_factory=dict)
    words: list[str] = field(default_factory=list)

    @property
    def says(self) -> str:
        """For people."""
        return ", ".join(self.words)


def expectations(
    points: Sequence[Point], texts: Sequence[str], tolerance: str | None, *, alone: bool
) -> tuple[list[Wanted], dict[str, str]]:
    """Levels in order: a point named a second time opens the next one.

    Returns:
        The levels; point -> why it is left out of them: it has no range that a tolerance could be a share of.

    Raises:
        ExpectError: an unknown point, no value that the point could have, or nothing is left to rank.
    """
    known = {point.name: point for point in points}
    left_out: dict[str, str] = {}
    levels: list[Wanted] = []
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals and alone:
            name, value = points[0].name, text
        if name not in known:
            allowed = f'POINT="VALUE", with one of: {", ".join(known)}'
            raise ExpectError(f"--expect: found {text!r}; allowed: {allowed}")
        expected = quantity(known[name], value, "--expect")
        try:
            within = None if tolerance is None else difference(known[name], tolerance, "--tolerance")
        except NoRangeError as error:
            left_out[name] = str(error)
            continue
        level = next((one for one in levels if name not in one.values), None)
        if level is None:
            level = Wanted()
            levels.append(level)
        level.values[name] = expected
        level.words.append(f"{name} = {value}")
        if within is not None:
            level.tolerances[name] = within
    if left_out and not levels:
        raise ExpectError("; ".join(left_out.values()))
    return levels, left_out


def quantity(point: Point, text: str, where: str) -> float:
    """A value of a point in SI; of a contact on or off.

    Raises:
        ExpectError: it is none.
    """
    if isinstance(point.signal, Pulse):
        raise ExpectError(f"{where}: {point.name} counts pulses; one reading says nothing of its flow")
    if isinstance(point.signal, Bit):
        if text.strip().lower() not in _CONTACTS:
            raise ExpectError(f"{where}: found {text!r} for {point.name}; allowed: on or off")
        return _CONTACTS[text.strip().lower()]
    try:
        return parse(text, spans.dimension(point))
    except UnitError as error:
        raise ExpectError(f"{where}: {point.name}: {error}") from error


def difference(point: Point, text: str, where: str) -> float:
    """A difference of a point's values in SI: ``1 degF``, or ``0.5 %`` of its range.

    Raises:
        ExpectError: it is none, or a share of a range that the point does not have.
    """
    if text.rstrip().endswith("%"):
        ends = spans.measuring_range(point)
        if ends is None:
            raise NoRangeError(f"{where}: {point.name} has no range to take {text!r} of; allowed: a difference")
        return share(text, where) * abs(ends[1] - ends[0])
    dimension = spans.dimension(point)
    try:
        found = parse(text, Dimension.DIFFERENCE if dimension is Dimension.TEMPERATURE else dimension)
    except UnitError as error:
        raise ExpectError(f"{where}: {point.name}: {error}") from error
    if not found > 0:
        raise ExpectError(f"{where}: found {text!r}; allowed: above zero")
    return found


def share(text: str, where: str) -> float:
    """``0.5 %`` as a number.

    Raises:
        ExpectError: it is none above 0 and below 100 %.
    """
    try:
        found = parse(text, Dimension.NUMBER)
    except UnitError as error:
        raise ExpectError(f"{where}: {error}") from error
    if not 0 < found < 1:
        raise ExpectError(f"{where}: found {text!r}; allowed: above 0 % and below 100 %")
    return found


_STILL = 0.5
"""A signal that moves by fewer tolerances in a second stands still for what is asked of it; an assumption."""


class Levels:
    """What was read at each level, from a file of earlier runs on where one is kept."""

    def __init__(self, rig: Rig, file: Path | None, units: Sequence[int]) -> None:
        self._rig, self._devices = rig, {device.name: device for device in rig.devices}
        self._file, self._units = file, units
        self._held: list[dict[str, Any]] = []
        self._now: list[str] = []
        if file is not None and file.exists():
            try:
                self._held = json.loads(file.read_text(encoding="utf-8"))["levels"]
            except (OSError, ValueError, KeyError, TypeError) as error:
                raise StorageError(f"{file}: no file of levels ({error!r}); name another, or delete it") from error

    @property
    def names(self) -> set[str]:
        """Points read in this run."""
        return set(self._now)

    def _definition(self, point: Point) -> str:
        return definition_hash(point, self._devices[point.device])

    def moves(self, point: Point, expected: float, tolerance: float | None, cells: Sequence[Cells]) -> bool:
        """Whether a point, as it is written, moved by so much that a second tells too little of it."""
        level = Level(expected=expected, cells=cells[0], later=tuple(cells[1:]))
        moved = level.moves(as_written(point, self._devices[point.device].unit))
        return moved > _STILL * (tolerance or spans.tolerance(point, expected))

    def add(self, point: Point, expected: float, cells: Sequence[Cells]) -> None:
        """One more level: what was read at once, and again a little later."""
        self._now.append(point.name)
        level = {"point": point.name, "definition": self._definition(point), "expected": expected}
        first, *later = [cells_document(one) for one in cells]
        self._held.append(level | {"cells": first, "later": later})

    def keep(self) -> None:
        """Write the file, where one is wanted; it appears whole or stays as it was."""
        if self._file is not None:
            with appearing(self._file) as part:
                part.write_text(json.dumps({"levels": self._held}) + "\n", encoding="utf-8")

    def ranking(self, point: Point, tolerance: float | None) -> Ranking:
        """Over all levels that were read of a point as it is written now."""
        mine = [
            Level(
                expected=one["expected"],
                cells=cells_of(one["cells"]),
                later=tuple(cells_of(again) for again in one.get("later", ())),
            )
            for one in self._held
            if one["point"] == point.name and one["definition"] == self._definition(point)
        ]
        unit = self._devices[point.device].unit
        within = tolerance or max(spans.tolerance(point, level.expected) for level in mine)
        span, likely = spans.span(point), spans.likely(point, self._rig)
        return rank(point, unit, mine, tolerance=within, span=span, likely=likely, units=self._units)


def suspects_document(ranking: Ranking, point: Point, system: str) -> list[dict[str, Any]]:
    """The suspects as JSON: most probable first, residuals in the shown unit."""
    apart = {id(rival.suspect): rival.apart_at for rival in ranking.rivals}
    return [
        {
            "mistakes": [mistake.value for mistake in one.hypothesis.mistakes],
            "mend": list(one.hypothesis.mend),
            "same": [list(other.mend) for other in one.same],
            "residuals": [rounded(_difference(residual, point, system)) for residual in one.residuals],
            "probability": round(one.probability, 4),
            "fits": one.fits,
            "cannot_tell": id(one) in apart,
            "apart_at": None if (at := apart.get(id(one))) is None else rounded(in_unit(at, point, system)),
        }
        for one in ranking.suspects
    ]


def moved_shown(ranking: Ranking, point: Point, system: str) -> float | None:
    """How far the signal moved while it was read, in the shown unit; None where that does not matter."""
    return None if ranking.moved is None else rounded(_difference(ranking.moved, point, system))


def _difference(value: float, point: Point, system: str) -> float:
    unit = unit_of(point, system)
    return value if not unit else float(to_unit(value, unit, difference=True))


def ranking_lines(ranking: Ranking, point: Point, system: str) -> list[str]:
    """The ranking in words."""
    unit = unit_of(point, system)
    first = ranking.suspects[0]
    verdict = "tie" if ranking.verdict == "cannot-tell" and _equals(ranking) > 1 else ranking.verdict
    lines = [f"{point.name}: {_VERDICTS[verdict].format(says=first.hypothesis.says, equals=_equals(ranking))}"]
    if ranking.verdict == "none":
        lines.append("  nearest, but none of them fits:")
    for one in ranking.suspects[:_SHOWN]:
        misses = ", ".join(f"{_difference(residual, point, system):+.4g}" for residual in one.residuals)
        kinds = " + ".join(mistake.value for mistake in one.hypothesis.mistakes) or "no mistake"
        lines.append(f"  {one.probability:6.1%}  {one.hypothesis.says}  ({kinds}; off by {misses} {unit})".rstrip())
        lines += [f"          reads the same over the whole range: {_names(one)}"] if one.same else []
    lines += _straight(ranking.straight, point, system) if ranking.straight else []
    if ranking.moved is not None:
        moved = f"{_difference(ranking.moved, point, system):.3g} {unit}".strip()
        open_ = ranking.verdict in ("cannot-tell", "none")
        says = f"{'cannot tell: ' if open_ else ''}the signal moved by {moved} {_MOVED}"
        return [f"{point.name}: {says}", *lines[1:]] if open_ else [*lines, f"  {says}"]
    if len(first.residuals) == 1 and ranking.verdict != "none":
        lines.append("  one level only: a second one, far from it, makes sure")
    return lines + [
        f"  {rival.suspect.hypothesis.says}: {_how_to_tell(rival, point, system)}" for rival in ranking.rivals[:_SHOWN]
    ]


def _straight(line: Straight, point: Point, system: str) -> list[str]:
    if line.lead_ohms is not None:
        return [
            f"  {line.lead_ohms:+.2f} ohm stand in every reading: leads? lead-ohms = {line.lead_ohms:.2f} would fit"
        ]
    assert line.raw is not None
    assert line.range is not None
    ends = [float(in_unit(end, point, system)) for end in line.range]
    low, high = (f"{end:.6g} {unit_of(point, system)}".strip() for end in _plain(ends))
    raw = f"raw = [{round(line.raw[0])}, {round(line.raw[1])}] for the range in the rig file"
    return [
        "  what was read lies on a line, so it may only be scaled otherwise; hold that against card and transmitter:",
        f'  {raw}, or range = ["{low}", "{high}"] for its raw',
    ]


def _plain(ends: Sequence[float]) -> list[float]:
    """Both ends of a range without the digits that no reading carries: to a thousandth of it."""
    digits = 3 - math.floor(math.log10(abs(ends[1] - ends[0])))
    return [round(end, digits) + 0.0 for end in ends]


def _how_to_tell(rival: Rival, point: Point, system: str) -> str:
    if rival.apart_at is None:
        return "no level of this signal tells it apart; ask whoever wrote the list, or the device's maker"
    at = f"{in_unit(rival.apart_at, point, system):.4g} {unit_of(point, system)}".strip()
    return f"to tell it apart, move only this signal to {at} or about, and probe again"


_SHOWN = 6
_MOVED = "while it was read, so what is true is known no better than that: hold it still and probe again"
_VERDICTS = {
    "as-written": "reads as expected; the rig file is right",
    "found": "the rig file should say: {says}",
    "cannot-tell": "cannot tell; most likely: {says}",
    "tie": "cannot tell: {equals} explanations fit equally well",
    "none": "none of the usual mistakes explains this: check wiring, sensor and what is really true",
}


_EQUAL = 0.9
"""A rival that is at least so probable, as a share of the first, is no less likely for any practical use."""


def _equals(ranking: Ranking) -> int:
    """How many are as probable as the first, itself counted."""
    least = _EQUAL * ranking.suspects[0].probability
    return sum(one.fits and one.probability >= least for one in ranking.suspects)


def _names(one: Suspect) -> str:
    return "; ".join(other.says for other in one.same[:3]) + (" ..." if len(one.same) > 3 else "")
