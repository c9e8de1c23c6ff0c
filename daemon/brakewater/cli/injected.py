"""What a tech injects into a loop: as a quantity, as current, as ohms, or as a share of the range; and lists of it."""

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from brakewater.cli.expected import ExpectError, quantity
from brakewater.errors import plainly
from brakewater.field import spans
from brakewater.field.seen import in_unit, unit_of
from brakewater.review.loop_sheet import Part
from brakewater.rig import Point
from brakewater.rig.points_csv import delimiter_of
from brakewater.signals import rtd
from brakewater.signals.convert import Bit, CurrentLoop, Pt100
from brakewater.signals.flow import Root
from brakewater.signals.pulse import Pulse
from brakewater.units import Dimension, UnitError, parse, units_of

_CIRCUIT: Final = re.compile(r"\s*([-+]?\d+(?:\.\d*)?|[-+]?\.\d+)\s*(mA|ohm|ohms|%)\s*", re.IGNORECASE)
_WATER: Final = (0.0, 100.0)
"""Range of a thermometer whose file names none, degC."""
_COLUMNS: Final = ("injected", "wait", "part")
_LONGEST_WAIT_S: Final = 3600.0
_BEYOND: Final = 0.25
"""Share of the range beyond its ends that may be injected: 0 and 24 mA. Further out lies a slip of the
finger; an assumption."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Injection:
    """One value to inject."""

    said: str
    value: float
    """SI."""
    wait_s: float = 0.0
    """Before it is read."""
    part: Part = "as-found"


def loop_range(point: Point, ends: Sequence[str] | None) -> tuple[float, float]:
    """Values in SI at 0 and 100 %: as said, else the signal's, else 0 to 100 degC of a thermometer.

    Raises:
        ExpectError: nothing says it, it leaves out a part of the signal's, or no loop check can prove the point.
    """
    if isinstance(point.signal, Pulse):
        raise ExpectError(f"{point.name} counts pulses; it is proved by a measured volume, not by a loop check")
    found = spans.measuring_range(point)
    if ends is not None:
        low, high = (quantity(point, end, "--range") for end in ends)
        if low == high:
            raise ExpectError("--range: found two equal ends; allowed: the values at 0 and at 100 %")
        if found is not None and not (min(low, high) <= min(found) and max(found) <= max(low, high)):
            raise ExpectError(
                f"--range: found {ends[0]!r} to {ends[1]!r}; allowed: all of the range that the signal of {point.name}"
                " has, or it would count as proved by a part of it; --points says at which shares it is checked"
            )
        return low, high
    if found is None and spans.dimension(point) is Dimension.TEMPERATURE:
        return _WATER
    if found is None:
        raise ExpectError(f'{point.name}: its signal names no range; say --range "0 ..." "100 ..."')
    return found


def injection(point: Point, text: str, ends: tuple[float, float]) -> float:
    """What a tech says he injects, in SI.

    Raises:
        ExpectError: it is nothing that this point takes.
    """
    found = _said(point, text, ends)
    share = (found - ends[0]) / (ends[1] - ends[0])
    if not isinstance(point.signal, Bit) and abs(share - 0.5) > 0.5 + _BEYOND + 1e-9:
        raise ExpectError(
            f"injected: found {text!r}, {100 * share:.0f} % of the range of {point.name}; allowed: {-100 * _BEYOND:.0f}"
            f" to {100 + 100 * _BEYOND:.0f} %; another range: --range"
        )
    return found


def _said(point: Point, text: str, ends: tuple[float, float]) -> float:
    match = _CIRCUIT.fullmatch(text)
    if match is None or isinstance(point.signal, Bit):
        return quantity(point, text, "injected")
    number, unit = float(match.group(1)), match.group(2).lower()
    if unit == "%":
        return ends[0] + number / 100 * (ends[1] - ends[0])
    found = _of_current(point, number) if unit == "ma" else _of_ohms(point, number)
    if found is None:
        takes = "mA" if unit == "ma" else "ohm"
        allowed = f"% of the range, or {units_of(spans.dimension(point))}"
        raise ExpectError(f"injected: found {text!r}; {point.name} takes no {takes}; allowed: {allowed}")
    return found


def _of_current(point: Point, milliamps: float) -> float | None:
    share = (milliamps - 4) / 16
    match point.signal:
        case CurrentLoop(low=low, high=high):
            return low + share * (high - low)
        case Root(full_scale=full, loop=True):
            return float(full * np.sqrt(max(0.0, share)))
        case _:
            return None


def _of_ohms(point: Point, ohms: float) -> float | None:
    match point.signal:
        case Pt100(r0=r0):
            return float(rtd.degc_of_ohms(np.array([ohms]), r0)[0])
        case _:
            return None


def suggestion(point: Point, percent: float, ends: tuple[float, float], system: str) -> tuple[str, str]:
    """What to inject at a percentage: as a quantity that can be said back, and what that is on the wire."""
    value = ends[0] + percent / 100 * (ends[1] - ends[0])
    if isinstance(point.signal, Bit):
        return ("on" if value else "off"), ""
    said = f"{in_unit(value, point, system):.6g} {unit_of(point, system)}".strip()
    match point.signal:
        case CurrentLoop(low=low, high=high):
            return said, f"{4 + 16 * (value - low) / (high - low):.3f} mA"
        case Root(full_scale=full, loop=True):
            return said, f"{4 + 16 * (value / full) ** 2:.3f} mA"
        case Pt100(r0=r0):
            return said, f"{float(rtd.ohms_of_degc(np.array([value]), r0)[0]):.3f} ohm"
        case _:
            return said, ""


def read_injections(file: Path, point: Point, ends: tuple[float, float]) -> list[Injection]:
    """A CSV file with the columns ``injected`` and, as wanted, ``wait`` and ``part`` (as-found, as-left).

    Its delimiter is a comma, a semicolon or a tab, as of an I/O list.

    Raises:
        ExpectError: naming row and column, what was found and what is allowed.
    """
    try:
        text = file.read_text(encoding="utf-8-sig")
        reader = csv.DictReader(text.splitlines(), delimiter=delimiter_of(text), strict=True)
        rows = list(reader)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ExpectError(f"{file}: found {plainly(error)}; allowed: a CSV file") from error
    if not rows:
        raise ExpectError(f"{file}: found no rows; allowed: a header with {', '.join(_COLUMNS)}, then a row a value")
    columns = list(reader.fieldnames or ())
    if "injected" not in columns or set(columns) - {*_COLUMNS}:
        raise ExpectError(f"{file}: row 1: found columns {', '.join(columns)}; allowed: {', '.join(_COLUMNS)}")
    for number, row in enumerate(rows, 2):
        if beyond := row.get(None):
            raise ExpectError(
                f"{file}: row {number}: found {', '.join(beyond)!r} beyond the last column; allowed:"
                f" {', '.join(columns)}, with a point in numbers"
            )
    found = [_row(f"{file}: row {number}", row, point, ends) for number, row in enumerate(rows, 2)]
    if [one.part for one in found] != sorted(one.part for one in found):
        raise ExpectError(f"{file}: found as-found below as-left; allowed: all of as-found first")
    if found[0].part != "as-found":
        raise ExpectError(
            f"{file}: found no as-found row; allowed: as-found first, then as-left if something was adjusted"
        )
    return found


def _row(place: str, row: dict[str, str | None], point: Point, ends: tuple[float, float]) -> Injection:
    said, wait, part = ((row.get(name) or "").strip() for name in _COLUMNS)
    try:
        value = injection(point, said, ends)
    except ExpectError as error:
        raise ExpectError(f"{place}, column injected: {error}") from error
    try:
        wait_s = parse(wait, Dimension.TIME) if wait else 0.0
    except UnitError as error:
        raise ExpectError(f"{place}, column wait: {error}") from error
    if not 0 <= wait_s <= _LONGEST_WAIT_S:
        raise ExpectError(f"{place}, column wait: found {wait!r}; allowed: 0 s to 1 h")
    if part not in ("", "as-found", "as-left"):
        raise ExpectError(f"{place}, column part: found {part!r}; allowed: as-found or as-left")
    return Injection(said=said, value=value, wait_s=wait_s, part="as-left" if part == "as-left" else "as-found")
