"""Hook load and block position from another system's file, laid over a record that has none of its own.

The file is CSV with a head: ``utc`` (2031-02-03T04:05:06Z, or seconds since 1970), ``hook-load [klbf]`` and
``block-position [m]``, units in brackets; an empty cell is a hole. Its clock is never quite that of the record:
``offset`` is what has to be added to its times. It is set by the engineer, or proposed: power of the lowered string,
washed out as the brake's water does, held against the heat that the water carried off, at every offset to half an hour
either way.
"""

import csv
import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from math import isfinite
from pathlib import Path
from typing import Final

import numpy as np

from brakewater.errors import StorageError
from brakewater.review.samples import Samples
from brakewater.stream import Floats
from brakewater.units import UNITS, Dimension, units_of

WANTED: Final = {"hook-load": Dimension.FORCE, "block-position": Dimension.LENGTH}
FAR_S: Final = 1800
APART_S: Final = 45
"""Two offsets closer than this are one answer."""
LEAST_LIKENESS: Final = 0.5
LEAST_LEAD: Final = 0.1
"""So much better than any other answer the best one has to be."""
_HOLE_S: Final = 10.0
_WASH_S: Final = (35.0, 7.0)
"""How slowly the brake and then its thermometer give the heat on: a housing of 160 L at 85 gal/min, and a well."""
_HEAD = re.compile(r"^\s*([a-z-]+)\s*\[(.+)\]\s*$")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hoisted:
    """What the other system saw, in SI: [n] each, times rising."""

    utc_s: Floats
    load_n: Floats
    block_m: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """An offset that would fit."""

    offset_s: int
    likeness: float
    """Correlation of washed-out power and heat, at most 1."""
    next_best: float
    """That of the best offset ``APART_S`` or more away."""

    @property
    def clear(self) -> bool:
        """Whether it may be taken without asking."""
        return self.likeness >= LEAST_LIKENESS and self.likeness - self.next_best >= LEAST_LEAD


def read(file: Path) -> Hoisted:
    """The file's columns.

    Raises:
        StorageError: the file cannot be read, or names file, line, what was found and what is allowed.
    """
    try:
        with file.open(newline="", encoding="utf-8-sig") as handle:
            rows = list(csv.reader(handle))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise StorageError(f"{file}: cannot be read: {error}") from error
    if not rows:
        raise StorageError(f'{file}: empty; allowed: a head such as utc,"hook-load [klbf]","block-position [m]"')
    places = _places(file, rows[0])
    read_ = [(line, _row(file, line, row, places)) for line, row in enumerate(rows[1:], 2) if any(row)]
    known = [(line, values) for line, values in read_ if all(map(isfinite, values))]
    if len(known) < 2:
        raise StorageError(f"{file}: {len(known)} rows with both readings; allowed: at least two")
    table = np.array([values for _, values in known])
    back = np.flatnonzero(np.diff(table[:, 0]) <= 0.0)
    if len(back):
        raise StorageError(f"{file}, line {known[back[0] + 1][0]}: its time is not later than that of the row before")
    return Hoisted(utc_s=table[:, 0], load_n=table[:, 1], block_m=table[:, 2])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    column: int
    factor: float


def _places(file: Path, head: Sequence[str]) -> dict[str, _Place]:
    found: dict[str, _Place] = {}
    for column, name in enumerate(head):
        if name.strip() == "utc":
            found["utc"] = _Place(column=column, factor=1.0)
        elif (match := _HEAD.match(name)) and match[1] in WANTED:
            unit = UNITS.get(match[2])
            if unit is None or unit.dimension is not WANTED[match[1]]:
                raise StorageError(f"{file}, line 1: {name!r}; allowed units: {units_of(WANTED[match[1]])}")
            found[match[1]] = _Place(column=column, factor=unit.factor)
    missing = [name for name in ("utc", *WANTED) if name not in found]
    if missing:
        raise StorageError(
            f"{file}, line 1: no column {', '.join(missing)}; found {', '.join(head)}; "
            'allowed: utc, "hook-load [klbf]", "block-position [m]", or other units in the brackets'
        )
    return found


def _row(file: Path, line: int, row: Sequence[str], places: dict[str, _Place]) -> tuple[float, float, float]:
    def cell(name: str) -> str | None:
        return row[places[name].column].strip() if places[name].column < len(row) else None

    def number(name: str) -> float:
        text = cell(name)
        try:
            return float("nan" if text == "" else text or "") * places[name].factor
        except ValueError:
            raise StorageError(f"{file}, line {line}: {name}: found {text or ''!r}; allowed: a number") from None

    return _seconds(file, line, cell("utc") or ""), number("hook-load"), number("block-position")


def _seconds(file: Path, line: int, text: str) -> float:
    with suppress(ValueError):
        if isfinite(seconds := float(text)):
            return seconds
    try:
        told = datetime.fromisoformat(text)
    except ValueError:
        raise StorageError(
            f"{file}, line {line}: utc: found {text!r}; allowed: 2031-02-03T04:05:06Z or seconds since 1970"
        ) from None
    return (told if told.tzinfo else told.replace(tzinfo=UTC)).timestamp()


def laid_over(samples: Samples, hoisted: Hoisted, offset_s: float) -> Samples:
    """The samples with the other system's load and block; NaN where its rows are more than 10 s apart."""
    at = samples.utc_ns / 1e9
    times = hoisted.utc_s + offset_s
    after = np.clip(np.searchsorted(times, at), 1, len(times) - 1)
    hole = (times[after] - times[after - 1] > _HOLE_S) | (at < times[0]) | (at > times[-1])

    def over(values: Floats) -> Floats:
        return np.where(hole, np.nan, np.interp(at, times, values))

    values = {**samples.values, "load_n": over(hoisted.load_n), "block_m": over(hoisted.block_m)}
    return replace(samples, values=values)


def proposed(samples: Samples, hoisted: Hoisted) -> Proposal | None:
    """The offset at which the two go together best; None where they have too little in common to tell."""
    heat = np.nan_to_num(samples.values["heat_w"])
    at = samples.utc_ns / 1e9
    begin, end = at[0], at[-1]
    grid = np.arange(begin - FAR_S, end + FAR_S, 1.0)
    power = _washed(_power(hoisted, grid))
    seen = np.interp(np.arange(begin, end, 1.0), at, heat)
    if len(seen) < 10 * APART_S or not power.any():
        return None
    likeness = _likeness(power, seen)
    best = int(likeness.argmax())
    others = np.concatenate([likeness[: max(0, best - APART_S)], likeness[best + APART_S + 1 :]])
    return Proposal(
        offset_s=FAR_S - best,
        likeness=float(likeness[best]),
        next_best=float(others.max()) if len(others) else 0.0,
    )


def _power(hoisted: Hoisted, grid: Floats) -> Floats:
    """Load times speed down on a grid of seconds, W; what hangs on the empty hook taken off."""
    inside = (grid >= hoisted.utc_s[0]) & (grid <= hoisted.utc_s[-1])
    load = np.interp(grid, hoisted.utc_s, hoisted.load_n) - hoisted.load_n.min()
    down = -np.gradient(np.interp(grid, hoisted.utc_s, hoisted.block_m))
    return np.where(inside, load * np.maximum(down, 0.0), 0.0)


def _washed(power: Floats) -> Floats:
    for wash_s in _WASH_S:
        kernel = np.exp(-np.arange(0.0, 6.0 * wash_s) / wash_s)
        power = np.convolve(power, kernel / kernel.sum())[: len(power)]
    return power


def _likeness(power: Floats, seen: Floats) -> Floats:
    """Pearson correlation of ``seen`` with every stretch of ``power`` as long as it."""
    n = len(seen)
    centred = seen - seen.mean()
    size = len(power) + n - 1
    spectrum = np.fft.rfft(power, size) * np.conj(np.fft.rfft(centred, size))
    products = np.fft.irfft(spectrum, size)[: len(power) - n + 1]
    sums, squares = (np.cumsum(np.concatenate([[0.0], values])) for values in (power, power * power))
    mean = (sums[n:] - sums[:-n]) / n
    spread = np.sqrt(np.maximum((squares[n:] - squares[:-n]) - n * mean * mean, 0.0))
    below = spread * np.sqrt((centred * centred).sum())
    return np.where(below > 1e-9 * (below.max() or 1.0), products / np.where(below > 0.0, below, 1.0), 0.0)
