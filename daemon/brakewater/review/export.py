"""A record as a table of named columns with units, written as a stream: a row a scan, or a row a stretch of time."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Final

import numpy as np

from brakewater.engine import Engine
from brakewater.errors import NothingThereError, StorageError
from brakewater.quality import is_bad, reason_name
from brakewater.record.reader import Record
from brakewater.render import dimension_of_derived, dimension_of_point, plain_name
from brakewater.review.replay import Tally, replayed
from brakewater.review.resample import Resampler, Stretches
from brakewater.review.table_file import Cells, Head, writing
from brakewater.rig import SELF, Rig
from brakewater.stream import Block, Column, Ints, Outcome
from brakewater.units import shown, utc_text

HOLD_SCANS: Final = 3
"""A value is in force for so many scans at most; a device silent for as long counts as gone elsewhere too."""

_WORDS: Final = np.array([reason_name(code) for code in range(256)])


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What of a record is to be exported."""

    from_utc_ns: int | None = None
    """Begin by wall time; None: as far back as there is."""
    to_utc_ns: int | None = None
    """End by wall time, itself not included; None: up to the newest."""
    every_ns: int | None = None
    """Length of a row; None: a row a scan."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """What was exported."""

    rows: int
    tally: Tally


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Quantity:
    name: str
    unit: str
    column: Column


def export(record: Record, file: Path, wanted: Wanted, tell: Callable[[int], None] = lambda _utc_ns: None) -> Exported:
    """Write a table; the file appears whole or not at all. Memory does not grow with the length of the record.

    Columns, values in the units the crew reads. A row a scan: ``utc``, ``run``, ``input``, then value and quality of
    each quantity; a bad value is an empty cell beside its reason. A row a stretch: ``utc`` of its begin, then mean,
    min, max, and the shares of it in which the quantity was known and good (``resample``).

    Args:
        record: what to read. A run of which anything is wanted is replayed from its Start, so derived values are exact.
        file: ends in .csv or .parquet.
        wanted: window and length of a row.
        tell: called with the wall time that has been reached.

    Raises:
        StorageError: there is nothing to export, columns change on the way, or the file cannot be written.
    """
    tally = Tally()
    parts = _parts(record, wanted, tally, tell)
    first = next(parts, None)
    if first is None:
        damaged = "".join(f"; damaged: {place}" for place in tally.damage)
        raise NothingThereError(f"no scan to export{'' if wanted == Wanted() else ' in this window'}{damaged}")
    rows = 0
    with writing(file, first[0], _about(record, wanted)) as table:
        for head, cells in chain([first], parts):
            if head != first[0]:
                at, before = utc_text(int(cells[0].values[0])), {one.name for one in first[0]}
                new = ", ".join([one.name for one in head if one.name not in before][:1]) or "fewer of them"
                raise StorageError(
                    f"points or units change at {at} ({new}); export what is before and after apart:"
                    f" --to {at}, --from {at}"
                )
            table.write(cells)
            rows += len(cells[0].values)
    tally.damage = list(dict.fromkeys(tally.damage))  # one within is met again on the way
    return Exported(rows=rows, tally=tally)


_Part = tuple[list[Head], list[Cells]]


def _parts(record: Record, wanted: Wanted, tally: Tally, tell: Callable[[int], None]) -> Iterator[_Part]:
    """Rows in the window, some at a time, with the heads of their columns."""
    runs = [span.run for span in record.spans(wanted.from_utc_ns, wanted.to_utc_ns)]
    for run, why in record.unreadable(wanted.from_utc_ns, wanted.to_utc_ns).items():
        tally.damage.append(why)
        tally.damaged.add(run)
    if not runs:
        return
    engine, rows = Engine(), _Scans() if wanted.every_ns is None else _Stretched(wanted.every_ns)
    for item, outcome in replayed(record, engine, tally, min(runs), max(runs)):
        if isinstance(item, Block):
            tell(int(item.utc_ns[-1]))
            made = rows.feed(item, engine.rig, _quantities(engine.rig, outcome))
        else:
            made = rows.pause() if item.input == 0 else ()  # a run ends where another begins
        for times, head, cells in made:
            yield from _within(wanted, times, head, cells)
    for times, head, cells in rows.end():
        yield from _within(wanted, times, head, cells)


def _within(wanted: Wanted, times: Ints, head: list[Head], cells: list[Cells]) -> Iterator[_Part]:
    keep = np.ones(len(times), np.bool_)
    if wanted.from_utc_ns is not None:
        keep &= times >= wanted.from_utc_ns
    if wanted.to_utc_ns is not None:
        keep &= times < wanted.to_utc_ns
    if keep.all():
        yield head, cells
    elif keep.any():
        yield head, [one.where(keep) for one in cells]


_Rows = Iterable[tuple[Ints, list[Head], list[Cells]]]
"""Time of each row, and the rows."""


class _Scans:
    """A row a scan."""

    def feed(self, block: Block, _rig: Rig, quantities: Sequence[_Quantity]) -> _Rows:
        head = [Head(name="utc", kind="time"), Head(name="run", kind="count"), Head(name="input", kind="count")]
        cells = [Cells(values=block.utc_ns), Cells(values=np.full(len(block), block.run)), Cells(values=block.input)]
        for one in quantities:
            head.append(Head(name=f"{one.name} [{one.unit}]", kind="number", unit=one.unit))
            head.append(Head(name=f"{one.name} quality", kind="word"))
            cells.append(Cells(values=one.column.values, empty=is_bad(one.column.codes)))
            cells.append(Cells(values=_WORDS[one.column.codes]))
        yield block.utc_ns, head, cells

    def pause(self) -> _Rows:
        return ()

    def end(self) -> _Rows:
        return ()


class _Stretched:
    """A row a stretch of time."""

    def __init__(self, every_ns: int) -> None:
        self._every_ns = every_ns
        self._head: list[Head] = []
        self._resampler: Resampler | None = None

    def feed(self, block: Block, rig: Rig, quantities: Sequence[_Quantity]) -> _Rows:
        hold_ns, head = HOLD_SCANS * rig.scan_ns, _stretch_head(quantities)
        if self._resampler is not None and head != self._head:
            yield from self.end()
        if self._resampler is None:
            self._resampler = Resampler(every_ns=self._every_ns, hold_ns=hold_ns, period_ns=rig.scan_ns)
        self._resampler.go_on(hold_ns=hold_ns, period_ns=rig.scan_ns)
        self._head = head
        values = np.column_stack([one.column.values for one in quantities])
        codes = np.column_stack([one.column.codes for one in quantities])
        for made in self._resampler.feed(block.t_ns, block.utc_ns, values, codes):
            yield self._rows(made)

    def pause(self) -> _Rows:
        for made in self._resampler.pause() if self._resampler is not None else ():
            yield self._rows(made)

    def end(self) -> _Rows:
        resampler, self._resampler = self._resampler, None
        for made in resampler.end() if resampler is not None else ():
            yield self._rows(made)

    def _rows(self, made: Stretches) -> tuple[Ints, list[Head], list[Cells]]:
        cells = [Cells(values=made.from_utc_ns)]
        for at in range(made.mean.shape[1]):
            unknown = made.known[:, at] == 0
            cells += [Cells(values=values[:, at], empty=unknown) for values in (made.mean, made.least, made.most)]
            cells += [Cells(values=made.known[:, at]), Cells(values=made.good[:, at])]
        return made.from_utc_ns, self._head, cells


def _stretch_head(quantities: Sequence[_Quantity]) -> list[Head]:
    head = [Head(name="utc", kind="time")]
    for one in quantities:
        head += [
            Head(name=f"{one.name} {what} [{one.unit}]", kind="number", unit=one.unit)
            for what in ("mean", "min", "max")
        ]
        head += [Head(name=f"{one.name} {what}", kind="number") for what in ("known", "good")]
    return head


def _quantities(rig: Rig, outcome: Outcome) -> list[_Quantity]:
    """Names, and columns in the units the crew reads."""
    named = [
        (point.name, dimension_of_point(point), outcome.readings[point.name])
        for point in rig.points
        if point.device != SELF
    ]
    named += [
        (f"{brake}.{plain_name(quantity)}", dimension_of_derived(quantity), column)
        for (brake, quantity), column in outcome.derived.items()
    ]
    quantities = []
    for name, dimension, column in named:
        values, unit = shown(column.values, dimension, rig.units)
        quantities.append(_Quantity(name=name, unit=unit, column=Column(values=values, codes=column.codes)))
    return quantities


def _about(record: Record, wanted: Wanted) -> dict[str, str]:
    """Where the table comes from, for a file that can say so."""
    try:
        head = record.head()
    except StorageError:  # said already, as of any run that cannot be read
        head = None
    return {
        "record": str(record.folder),
        "chain_head": f"run {head.run}, commit {head.commit_no}, {head.hash}" if head else "",
        "from": utc_text(wanted.from_utc_ns) if wanted.from_utc_ns is not None else "",
        "to": utc_text(wanted.to_utc_ns) if wanted.to_utc_ns is not None else "",
        "every_ns": str(wanted.every_ns or ""),
    }
