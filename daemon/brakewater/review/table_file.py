"""A table written to a file as a stream: CSV or Parquet. The file appears whole or not at all."""

import csv
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from brakewater.errors import StorageError
from brakewater.record.durable import appearing
from brakewater.units import utc_text

Kind = Literal["time", "count", "number", "word"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """A column's head."""

    name: str
    kind: Kind
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cells:
    """Cells of a column."""

    values: NDArray[Any]
    """Nanoseconds since 1970, whole numbers, numbers, or words."""
    empty: NDArray[np.bool_] | None = None
    """Where there is no value; None where there always is."""

    def where(self, keep: NDArray[np.bool_]) -> "Cells":
        """Only some of them."""
        return Cells(values=self.values[keep], empty=None if self.empty is None else self.empty[keep])


class TableFile(Protocol):
    """Takes rows."""

    def write(self, columns: Sequence[Cells]) -> None:
        """Further rows: the columns of the head, each of one length."""
        ...


_DIGITS: Final = 10
"""Of a number as text: a count of 32 bits is whole, and what converting units leaves behind does not show."""

KINDS = (".csv", ".parquet")
"""Endings of file names that can be written."""


@contextmanager
def writing(file: Path, head: Sequence[Head], about: Mapping[str, str]) -> Iterator[TableFile]:
    """A table to be written.

    Args:
        file: its name ends in one of ``KINDS``.
        head: of each column.
        about: where it comes from, for the metadata of a Parquet file.

    Raises:
        StorageError: it cannot be written, or Parquet needs a package that is not there.
    """
    write = _parquet if file.suffix == ".parquet" else _csv
    try:
        with appearing(file) as part, write(part, head, about) as table:
            yield table
    except OSError as error:
        raise StorageError(f"{file}: cannot be written: {error.strerror or error}") from error


@contextmanager
def _csv(file: Path, head: Sequence[Head], _about: Mapping[str, str]) -> Iterator[TableFile]:
    with file.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle)
        writer.writerow([one.name for one in head])
        yield _Csv(writer, head)


class _Csv:
    def __init__(self, writer: Any, head: Sequence[Head]) -> None:
        self._writer, self._head = writer, head

    def write(self, columns: Sequence[Cells]) -> None:
        self._writer.writerows(
            zip(*(_texts(one.kind, cells) for one, cells in zip(self._head, columns, strict=True)), strict=True)
        )


def _texts(kind: Kind, cells: Cells) -> list[Any]:
    values: list[Any] = cells.values.tolist()
    match kind:
        case "time":
            return [utc_text(one) for one in values]
        case "number":
            empty = [False] * len(values) if cells.empty is None else cells.empty.tolist()
            return ["" if hidden else f"{x:.{_DIGITS}g}" for x, hidden in zip(values, empty, strict=True)]
        case _:
            return values


@contextmanager
def _parquet(file: Path, head: Sequence[Head], about: Mapping[str, str]) -> Iterator[TableFile]:
    try:
        import pyarrow as pa  # noqa: PLC0415 - only where Parquet is wanted
        import pyarrow.parquet as pq  # noqa: PLC0415
    except ImportError as error:
        raise StorageError(f"{file}: writing Parquet needs pyarrow: pip install brakewater[seal]") from error
    types = {
        "time": pa.timestamp("ns", tz="UTC"),
        "count": pa.int64(),
        "number": pa.float64(),
        "word": pa.dictionary(pa.int32(), pa.string()),
    }
    fields = [pa.field(one.name, types[one.kind], metadata={"unit": one.unit} if one.unit else None) for one in head]
    schema = pa.schema(fields, metadata=dict(about))
    with pq.ParquetWriter(file, schema, compression="zstd", write_page_checksum=True) as writer:
        yield _Parquet(writer, schema, pa)


class _Parquet:
    def __init__(self, writer: Any, schema: Any, pa: Any) -> None:
        self._writer, self._schema, self._pa = writer, schema, pa

    def write(self, columns: Sequence[Cells]) -> None:
        pa = self._pa
        arrays = [
            pa.array(cells.values, pa.string()).dictionary_encode()
            if pa.types.is_dictionary(field.type)
            else pa.array(cells.values, field.type, mask=cells.empty)
            for field, cells in zip(self._schema, columns, strict=True)
        ]
        self._writer.write_table(pa.Table.from_arrays(arrays, schema=self._schema))
