"""The I/O list: every point of a rig file as one row of a CSV file, and such a file read.

``brake`` names the brake a point belongs to, empty for the rig's own; every other column is a key of the point's table,
``signal.raw`` and the like one of its ``signal`` table. An empty cell is an absent key. Cells as in cells.py.
"""

import csv
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from io import StringIO
from typing import Any, Final

from brakewater.errors import Fault, RigFileError
from brakewater.rig.cells import cell, text_cell, text_value, value
from brakewater.rig.faults import choices, near
from brakewater.rig.tables import PointEntry

COLUMNS: Final = {
    "brake": "the brake it belongs to; empty for a point of the rig as a whole",
    "name": "unique on the rig: lower-case letters, digits and hyphens",
    "role": "what it measures, from the closed list of roles",
    "device": "the device that is asked",
    "table": "coil, discrete, input or holding",
    "address": "counts from 0; or give reference",
    "reference": "counts from 1 (40001 style); or give address",
    "type": 'int16, uint16, int32, uint32, float32, float64, "bit 0" to "bit 15", bit',
    "words": "order of the registers of a longer number: high-first or low-first",
    "bytes": "order of the bytes in a register: high-first or low-first",
    "every": "read it every so many scans",
    "most-age": "older than this a reading counts as old",
    "sensor-range": "what the sensor can measure: -50 degC ; 250 degC",
    "jump-limit": "faster it cannot move: 5 degF/s",
    "frozen-after": "its last digit may stand still for so long",
    "trim.gain": "as-left correction: true = gain x value + offset",
    "trim.offset": "as-left correction, a difference with its unit",
    "damping": "time over which it is averaged",
    "tolerance-class": "of a platinum thermometer: AA, A, B, C",
    "accuracy": "largest permitted error of any other sensor",
    "serial": "serial number of the sensor",
    "calibrated": "day of its calibration, 2031-02-03",
    "signal.kind": "what the number stands for: linear, current-loop, pt100, pt1000, pulse, frequency, root, ...",
    "signal.raw": "counts at both ends of the range: 0 ; 27648",
    "signal.range": "values at both ends, with units: 0 gal/min ; 150 gal/min",
    "signal.unit": "unit of a register that holds the value itself",
    "signal.ohms-per-count": "ohms a count of a resistance thermometer",
    "signal.lead-ohms": "resistance of the leads to take off",
    "signal.inverted": "true where the contact opens with the state",
}
"""What the columns hold. Keys that are not here are in `brakewater check` and the template."""
_NESTED: Final = {column.split(".")[0] for column in COLUMNS if "." in column}
_ALWAYS: Final = ("signal.kind", "signal.raw", "signal.range", "signal.unit")
_TEXTS: Final = ("name", "role", "device", "table", "type", "words", "bytes", "serial")
"""Columns that hold nothing but text, even where it looks like a number."""
_DELIMITERS: Final = ",;\t"


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One point of an I/O list."""

    row: int
    """As a spreadsheet counts: the header is row 1."""
    brake: str
    keys: dict[str, Any]
    """Its table in the rig file."""


def point_keys() -> list[str]:
    """Keys that a point may have, in order."""
    return [str(field.alias or name) for name, field in PointEntry.model_fields.items()]


def raw_points(raw: Mapping[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Brake (empty for the rig) and table of every point of a rig file as TOML reads it, in its order."""
    for table in raw.get("point", []):
        yield "", table
    for brake in raw.get("brake", []):
        for table in brake.get("point", []):
            yield str(brake.get("name", "")), table


def points_csv(text: str) -> str:
    """The I/O list of a rig file's text.

    Raises:
        tomllib.TOMLDecodeError: the text is no TOML; load the rig first.
    """
    rows = [{"brake": brake, **_flat(table)} for brake, table in raw_points(tomllib.loads(text))]
    used = dict.fromkeys(key for row in rows for key in row)
    columns = dict.fromkeys(["brake", *(key for key in point_keys() if key not in _NESTED), *_ALWAYS, *used])
    out = StringIO()
    writer = csv.DictWriter(out, list(columns), restval="")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def _flat(table: Mapping[str, Any]) -> dict[str, str]:
    row: dict[str, str] = {}
    for key, held in table.items():
        if isinstance(held, dict):
            row.update({f"{key}.{inner}": cell(one) for inner, one in held.items()})
        else:
            row[key] = text_cell(held) if key in _TEXTS and isinstance(held, str) else cell(held)
    return row


def read_rows(text: str, file: str, brakes: Sequence[str]) -> list[Row]:
    """The rows of an I/O list; columns may stand in any order, separated by commas, semicolons or tabs.

    Args:
        text: of the CSV file.
        file: its name, for messages.
        brakes: names of the rig's brakes.

    Raises:
        RigFileError: every fault found, each with row and column.
    """
    text = text.removeprefix("\ufeff")
    lines = _lines(text, file)
    if not lines:
        raise RigFileError((_fault(file, 1, "name", "an empty file", "a header and one row a point"),))
    (_, head), *rest = lines
    columns = [name.strip() for name in head]
    faults = list(_column_faults(columns, file))
    rows: list[Row] = []
    for number, cells in rest:
        if any(one.strip() for one in cells):
            if len(cells) > len(columns) and any(one.strip() for one in cells[len(columns) :]):
                found, allowed = f"{len(cells)} cells", f"{len(columns)}, as many as columns"
                faults.append(_fault(file, number, columns[-1], found, allowed))
            rows.append(_row(number, dict(zip(columns, cells, strict=False))))
    faults += _row_faults(rows, file, brakes)
    if faults:
        raise RigFileError(tuple(faults))
    return rows


def delimiter_of(text: str) -> str:
    """What makes most sense of the header: a comma, a semicolon as many countries' spreadsheets write it, or a tab."""
    return max(_DELIMITERS, key=text.split("\n", 1)[0].count)


def _lines(text: str, file: str) -> list[tuple[int, list[str]]]:
    """Rows with their numbers."""
    reader = csv.reader(StringIO(text, newline=""), delimiter=delimiter_of(text), strict=True)
    try:
        return list(enumerate(reader, 1))
    except csv.Error as error:
        raise RigFileError((_fault(file, reader.line_num, "name", str(error), "CSV after RFC 4180"),)) from error


def _row(number: int, cells: Mapping[str, str]) -> Row:
    keys: dict[str, Any] = {}
    for column, text in cells.items():
        if column == "brake" or not text.strip():
            continue
        outer, dot, inner = column.partition(".")
        if dot:
            keys.setdefault(outer, {})[inner] = value(text)
        else:
            keys[outer] = text_value(text) if outer in _TEXTS else value(text)
    return Row(row=number, brake=cells.get("brake", "").strip(), keys=keys)


def _fault(file: str, row: int, column: str, found: str, allowed: str, hint: str = "") -> Fault:
    return Fault(file=file, line=row, key=f"row {row}, column {column}", found=found, allowed=allowed, hint=hint)


def _column_faults(columns: Sequence[str], file: str) -> Iterator[Fault]:
    known = ["brake", *point_keys()]
    for at, column in enumerate(columns):
        outer, dot, _ = column.partition(".")
        if column in columns[:at]:
            yield _fault(file, 1, column or "(empty)", "the column twice", "each column once")
        elif outer not in known or (dot and outer == "brake"):
            names = [name for name in dict.fromkeys([*known, *COLUMNS]) if name != "signal"]
            yield _fault(file, 1, column or "(empty)", "an unknown column", choices(column, names), near(column, names))
    if "name" not in columns:
        yield _fault(file, 1, "name", "no such column", "one: a row is known by the name of its point")


def _row_faults(rows: Sequence[Row], file: str, brakes: Sequence[str]) -> Iterator[Fault]:
    seen: dict[str, int] = {}
    for row in rows:
        name = row.keys.get("name")
        if name is None:
            yield _fault(file, row.row, "name", "nothing", "a name: lower-case letters, digits and hyphens")
            continue
        if name in seen:
            yield _fault(file, row.row, "name", f"{name!r}, which row {seen[name]} has too", "each name once")
        seen.setdefault(name, row.row)
        if row.brake and row.brake not in brakes:
            yield _fault(file, row.row, "brake", repr(row.brake), f"empty, or one of: {', '.join(brakes)}")
