"""Scans as Parquet columns: schema, encodings and metadata. Loads pyarrow.

Whole numbers are written as differences packed in bits (DELTA_BINARY_PACKED) or, where few are in use, as places in a
dictionary; floats byte by byte apart (BYTE_STREAM_SPLIT) or by dictionary. Which is smaller is tried on the first row
group of each column, and zstd goes over all.
"""

import json
from collections.abc import Iterator, Mapping
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from brakewater.record.sealed.columns import Columns, WordColumn, words_of
from brakewater.record.sealed.steps import Steps
from brakewater.stream import Block, Floats

ROWS: Final = 32_768
"""Scans in a row group: what a reader holds at once, under two hours at five a second."""
LEVEL: Final = 9
_MOST_FLOATS: Final = 4096
"""So many different ones in a row group still make a dictionary."""
_DELTA: Final = "DELTA_BINARY_PACKED"
_SPLIT: Final = "BYTE_STREAM_SPLIT"
_WALL: Final = {1_000_000: "ms", 1_000: "us", 1: "ns"}

Extra = Mapping[str, tuple[Floats, dict[str, str]]]
"""Full-rate values: column name -> [n] values, and what they are."""


def schema_of(columns: Columns, steps: Steps, values: Mapping[str, dict[str, str]]) -> pa.Schema:
    """All columns in order, each with what it is as metadata; the whole of it once more at the file for other tools."""
    fields = [
        pa.field("input", pa.int64(), nullable=False, metadata={"unit": "1", "says": "number of the scan in its run"}),
        pa.field("utc", pa.timestamp(_WALL[steps.wall_ns], "UTC"), nullable=False, metadata={"says": "wall time"}),
        pa.field("steady_offset", pa.int64(), nullable=False, metadata=_offset_says(steps)),
    ]
    fields += [
        pa.field(name, pa.int64(), nullable=False, metadata={"unit": f"{steps.age_ns} ns", "says": "age of the values"})
        for name in columns.age
    ]
    for one in sorted(columns.words, key=lambda one: one.first):
        fields.append(pa.field(one.name, _type(one), nullable=False, metadata=one.about))
    fields += [
        pa.field(name, pa.uint8(), nullable=False, metadata={"says": "poll status, 0 is good"})
        for name in columns.status
    ]
    fields += [pa.field(name, pa.float32(), nullable=True, metadata=about) for name, about in values.items()]
    about = {one.name: {key.decode(): text.decode() for key, text in one.metadata.items()} for one in fields}
    return pa.schema(fields, metadata={"brakewater": json.dumps(about, ensure_ascii=False)})


def _offset_says(steps: Steps) -> dict[str, str]:
    return {
        "unit": f"{steps.offset_ns} ns",
        "says": f"steady time in ns = utc in ns + {steps.base_ns} + {steps.offset_ns} * steady_offset",
    }


def _type(column: WordColumn) -> pa.DataType:
    return pa.from_numpy_dtype(column.numbers(np.zeros((1, column.first + column.count), np.uint16)).dtype)


def table_of(schema: pa.Schema, columns: Columns, steps: Steps, block: Block, values: Extra) -> pa.Table:
    """A block as a table of that schema."""
    offset = block.t_ns - block.utc_ns - steps.base_ns
    arrays: list[Any] = [block.input, block.utc_ns // steps.wall_ns, offset // steps.offset_ns]
    arrays += [np.ascontiguousarray(block.age_ns[:, at]) // steps.age_ns for at in range(len(columns.age))]
    arrays += [one.numbers(block.words) for one in sorted(columns.words, key=lambda one: one.first)]
    arrays += [np.ascontiguousarray(block.status[:, at]) for at in range(len(columns.status))]
    arrays += [values[name][0].astype(np.float32) for name in schema.names[len(arrays) :]]
    made = [
        pa.array(array, mask=np.isnan(array)) if field.nullable else pa.array(array).cast(field.type)
        for array, field in zip(arrays, schema, strict=True)
    ]
    return pa.Table.from_arrays(made, schema=schema)


def block_of(table: pa.Table, run: int, columns: Columns, steps: Steps) -> Block:
    """The block that ``table_of`` was given.

    Raises:
        KeyError, ValueError: a column is missing or holds none.
    """
    utc_ns = _whole(table, "utc") * steps.wall_ns
    words = [table.column(one.name).to_numpy() for one in columns.words]
    return Block(
        run=run,
        input=_whole(table, "input"),
        t_ns=utc_ns + steps.base_ns + steps.offset_ns * _whole(table, "steady_offset"),
        utc_ns=utc_ns,
        words=words_of(columns.words, words, len(table)),
        status=_stacked([table.column(name).to_numpy() for name in columns.status], len(table), np.uint8),
        age_ns=_stacked([_whole(table, name) * steps.age_ns for name in columns.age], len(table), np.int64),
    )


def _whole(table: pa.Table, name: str) -> Any:
    return table.column(name).cast(pa.int64()).to_numpy()


def _stacked(columns: list[Any], n: int, dtype: type) -> Any:
    return np.array(columns, dtype).T if columns else np.empty((n, 0), dtype)


class TableWriter:
    """Writes row groups of full size, whatever sizes come in."""

    def __init__(self, file: Any, schema: pa.Schema, rows: int = ROWS) -> None:
        self._file, self._schema, self._rows = file, schema, rows
        self._held: list[pa.Table] = []
        self._writer: pq.ParquetWriter | None = None

    def write(self, table: pa.Table) -> None:
        """Take some rows."""
        self._held.append(table)
        while sum(map(len, self._held)) >= self._rows:
            self._flush()

    def close(self) -> None:
        """Write what is left."""
        if self._writer is None or any(map(len, self._held)):
            self._flush()
        assert self._writer is not None
        self._writer.close()

    def _flush(self) -> None:
        whole = pa.concat_tables(self._held) if self._held else self._schema.empty_table()
        group = whole.slice(0, self._rows).combine_chunks()
        rest = whole.slice(self._rows)
        self._held = [rest] if len(rest) else []
        self._writer = self._writer or pq.ParquetWriter(self._file, self._schema, **_options(group))
        self._writer.write_table(group, row_group_size=self._rows)


def _options(group: pa.Table) -> dict[str, Any]:
    encodings = {name: _best(group.select([name])) for name in group.column_names}
    return {
        "use_dictionary": [name for name, encoding in encodings.items() if encoding is None],
        "column_encoding": {name: encoding for name, encoding in encodings.items() if encoding},
        "write_statistics": ["input", "utc"],
        "write_page_checksum": True,
        "compression": "zstd",
        "compression_level": LEVEL,
    }


def _best(one: pa.Table) -> str | None:
    """The encoding that makes this column smallest; None for a dictionary."""
    floating = pa.types.is_floating(one.schema.field(0).type)
    split = _SPLIT if floating else _DELTA
    if floating and pc.count_distinct(one.column(0)).as_py() > _MOST_FLOATS:
        return split  # a dictionary that runs over leaves whole floats behind
    candidates: dict[str | None, dict[str, Any]] = {
        None: {"use_dictionary": True},
        split: {"use_dictionary": False, "column_encoding": {one.column_names[0]: split}},
    }
    return min(candidates, key=lambda encoding: _size(one, candidates[encoding]))


def _size(one: pa.Table, options: dict[str, Any]) -> int:
    sink = pa.BufferOutputStream()
    pq.write_table(one, sink, compression="zstd", compression_level=3, write_statistics=False, **options)
    return int(sink.getvalue().size)


def groups_of(file: pq.ParquetFile, after: int, names: list[str], most: int) -> Iterator[pa.Table]:
    """Row groups that hold any input beyond ``after``, several together while they have no more than ``most`` rows.

    What stands before a damaged one is given first.
    """
    held: list[pa.Table] = []
    try:
        for at in range(file.metadata.num_row_groups):
            group = file.metadata.row_group(at)
            last = group.column(0).statistics
            if last is not None and last.max <= after:
                continue
            if held and sum(map(len, held)) + group.num_rows > most:
                whole, held = held, []
                yield pa.concat_tables(whole)
            held.append(file.read_row_group(at, columns=names, use_threads=False))
    except Exception:
        if held:
            yield pa.concat_tables(held)
        raise
    if held:
        yield pa.concat_tables(held)
