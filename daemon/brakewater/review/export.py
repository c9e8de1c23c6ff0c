"""A record as a table of named columns with units, one row a scan, written as a stream."""

import csv
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from brakewater.engine import Engine
from brakewater.errors import StorageError
from brakewater.quality import is_bad, reason_name
from brakewater.record.reader import Record
from brakewater.render import dimension_of_derived, dimension_of_point, plain_name
from brakewater.review.replay import Tally, replayed
from brakewater.rig import SELF, Rig
from brakewater.stream import Block, Column, Outcome
from brakewater.units import shown, utc_text


def export_csv(record: Record, file: Path) -> Tally:
    """Write every scan that can be replayed; the file appears whole or not at all.

    Columns: ``utc``, ``run``, ``input``, then value and quality of each point and derived quantity in the units the
    crew reads; a bad value is an empty cell beside its reason. All runs must have the same columns as the first.

    Raises:
        StorageError: the record is empty or changes its columns, or the file cannot be written.
    """
    tally = Tally()
    part = file.with_name(file.name + ".part")
    try:
        with part.open("w", newline="", encoding="utf-8") as handle:
            _write(csv.writer(handle), record, tally)
        os.replace(part, file)  # noqa: PTH105 - atomic on purpose
    except OSError as error:
        raise StorageError(f"{file}: cannot be written: {error.strerror}") from error
    finally:
        part.unlink(missing_ok=True)
    return tally


def _write(writer: Any, record: Record, tally: Tally) -> None:
    engine, head = Engine(), None
    for item, outcome in replayed(record, engine, tally):
        if not isinstance(item, Block):
            continue
        names, columns = _columns(engine.rig, outcome)
        if head is None:
            head = names
            writer.writerow(["utc", "run", "input", *names])
        elif names != head:
            raise StorageError(f"run {item.run}: its points differ from the first run's; export the runs apart")
        writer.writerows(_rows(item, columns))
    if head is None:
        raise StorageError("no scan to export")


def _columns(rig: Rig, outcome: Outcome) -> tuple[list[str], list[Column]]:
    """Names with units, and columns in those units."""
    named = [
        (point.name, dimension_of_point(point), outcome.readings[point.name])
        for point in rig.points
        if point.device != SELF
    ]
    named += [
        (f"{brake}.{plain_name(quantity)}", dimension_of_derived(quantity), column)
        for (brake, quantity), column in outcome.derived.items()
    ]
    names, columns = [], []
    for name, dimension, column in named:
        values, unit = shown(column.values, dimension, rig.units)
        names += [f"{name} [{unit}]", f"{name} quality"]
        columns.append(Column(values=values, codes=column.codes))
    return names, columns


def _rows(block: Block, columns: Sequence[Column]) -> Any:
    cells: list[Sequence[Any]] = [
        [utc_text(utc_ns) for utc_ns in block.utc_ns.tolist()],
        [block.run] * len(block),
        block.input.tolist(),
    ]
    for column in columns:
        bad = is_bad(column.codes).tolist()
        cells.append(["" if hidden else f"{x:.7g}" for x, hidden in zip(column.values.tolist(), bad, strict=True)])
        cells.append([reason_name(code) for code in column.codes.tolist()])
    return zip(*cells, strict=True)
