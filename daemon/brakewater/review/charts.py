"""A window of a record as charts: every scan kept once, shown at any zoom as the least and most of each stretch.

Nothing is hidden: whatever one scan said lies between the least and the most of its stretch.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from brakewater.engine import Engine
from brakewater.errors import StorageError
from brakewater.quality import is_bad
from brakewater.record.reader import Record
from brakewater.render import dimension_of_derived, dimension_of_point
from brakewater.review.replay import Tally, replayed
from brakewater.rig import Rig
from brakewater.stream import Block, Column, Floats, Ints, Outcome
from brakewater.units import shown

ROLES: Final = ("inlet-flow", "inlet-temperature", "outlet-temperature", "brake-level")
DERIVED: Final = ("outlet_rise_k", "heat_w", "duty_w", "cooling_margin", "rotor_temperature_degc")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """One quantity of one brake."""

    brake: str
    quantity: str
    """A role or a derived quantity."""
    unit: str
    values: Floats
    """[n], as the crew reads them; NaN where bad."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Charts:
    """Every scan of a window."""

    utc_ns: Ints
    """[n]."""
    lines: tuple[Line, ...]

    def stretches(self, from_utc_ns: int, to_utc_ns: int, count: int) -> "Stretches":
        """The least and most of each of ``count`` equal stretches; a stretch that no scan fell into is left out.

        Args:
            from_utc_ns: begin of the zoom.
            to_utc_ns: its end, itself not included; after its begin.
            count: stretches, at least 1.
        """
        inside = np.flatnonzero((self.utc_ns >= from_utc_ns) & (self.utc_ns < to_utc_ns))
        order = inside[np.argsort(self.utc_ns[inside], kind="stable")]  # wall time may step back
        at = (self.utc_ns[order] - from_utc_ns) // max(1, -((from_utc_ns - to_utc_ns) // count))
        begins = np.flatnonzero(np.diff(at, prepend=-1))
        if not len(begins):
            return Stretches(utc_ns=self.utc_ns[:0], least={}, most={})
        least, most = {}, {}
        for line in self.lines:
            values = line.values[order]
            least[line.brake, line.quantity] = np.fmin.reduceat(values, begins)
            most[line.brake, line.quantity] = np.fmax.reduceat(values, begins)
        return Stretches(utc_ns=self.utc_ns[order][begins], least=least, most=most)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretches:
    """[m] each; NaN where nothing good fell into a stretch."""

    utc_ns: Ints
    """Of the first scan in each."""
    least: dict[tuple[str, str], Floats]
    most: dict[tuple[str, str], Floats]


def charts(record: Record, from_utc_ns: int, to_utc_ns: int) -> Charts:
    """Replay a window. Takes memory for every scan in it.

    Args:
        record: what to read; runs are replayed from their Start, so that derived values are exact.
        from_utc_ns: begin by wall time.
        to_utc_ns: end, itself not included.

    Raises:
        StorageError: no scan lies in the window.
    """
    runs = [span.run for span in record.spans(from_utc_ns, to_utc_ns)]
    parts: list[tuple[Ints, dict[tuple[str, str, str], Floats]]] = []
    engine = Engine()
    for item, outcome in replayed(record, engine, Tally(), min(runs), max(runs)) if runs else ():
        if isinstance(item, Block):
            keep = (item.utc_ns >= from_utc_ns) & (item.utc_ns < to_utc_ns)
            if keep.any():
                columns = {key: values[keep] for key, values in _columns(engine.rig, outcome)}
                parts.append((item.utc_ns[keep], columns))
    if not parts:
        raise StorageError("no scan lies in this window")
    keys = dict.fromkeys(key for _, columns in parts for key in columns)
    lines = [
        Line(
            brake=brake,
            quantity=quantity,
            unit=unit,
            values=np.concatenate(
                [columns.get((brake, quantity, unit), np.full(len(times), np.nan)) for times, columns in parts]
            ),
        )
        for brake, quantity, unit in keys
    ]
    return Charts(utc_ns=np.concatenate([times for times, _ in parts]), lines=tuple(lines))


def _columns(rig: Rig, outcome: Outcome) -> Iterator[tuple[tuple[str, str, str], Floats]]:
    for brake in rig.brakes:
        for role in ROLES:
            point = rig.role(role, brake.name)
            if point is not None:
                values, unit = shown(_good(outcome.readings[point.name]), dimension_of_point(point), rig.units)
                yield (brake.name, role, unit), values
        for name in DERIVED:
            column = outcome.derived.get((brake.name, name))
            if column is not None:
                values, unit = shown(_good(column), dimension_of_derived(name), rig.units)
                yield (brake.name, name, unit), values


def _good(column: Column) -> Floats:
    return np.where(is_bad(column.codes), np.nan, column.values)
