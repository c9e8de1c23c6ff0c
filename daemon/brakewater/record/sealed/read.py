"""Reading a sealed segment: inputs, rows as they were hashed, events and commits; one row group in memory at a time.

A segment may lie in a folder or in a zip: all it needs is a path with ``/``, ``open`` and ``read_bytes``.
"""

import zipfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from brakewater.errors import DamagedRecordError, StorageError
from brakewater.record.rows import Row, inputs_of, rows_of
from brakewater.record.sealed.columns import RESERVED
from brakewater.record.sealed.layout import CHAIN, COMMANDS, EVENTS, SCANS, START
from brakewater.record.sealed.lines import event_body, row_of
from brakewater.record.sealed.manifest import Manifest, read_manifest
from brakewater.record.signing import Signature
from brakewater.stream import Block, Input

if TYPE_CHECKING:
    import pyarrow.parquet as pq

Place = Path | zipfile.Path

_UNREADABLE: Final = (
    OSError, ValueError, KeyError, TypeError, IndexError, ArithmeticError, MemoryError, NotImplementedError,
    zipfile.BadZipFile,
)  # fmt: skip
"""What a file that is not ours, or no longer, may raise; most of pyarrow's errors are among them."""


MOST_COLUMNS: Final = 20_000
MOST_ROWS: Final = 1 << 18
"""Of a row group; sealing writes some 32,000."""
MOST_BYTES: Final = 1 << 28
"""Of a row group when unpacked."""
_CHAIN_COLUMNS: Final = ("last_input", "last_event", "sums", "hash", "key", "signature")


@dataclass(frozen=True, slots=True, kw_only=True)
class SealedCommit:
    """Where a commit group ends."""

    commit_no: int
    first_input: int
    last_input: int
    first_event: int | None
    last_event: int | None
    sums: bytes
    """The low byte of the CRC-32 of each of its rows, then of its events: names the one that does not fit."""
    hash: str | None
    """Kept for some; the rest follow from the rows."""
    signature: Signature | None


class Sealed:
    """One sealed segment. Opens its files anew for each call, so it may be used from any thread."""

    def __init__(self, place: Place) -> None:
        """Read the manifest.

        Raises:
            DamagedRecordError: there is none that can be read.
        """
        self._place = place
        self.manifest: Manifest = read_manifest(place)  # type: ignore[arg-type] # has what is needed

    @property
    def path(self) -> Place:
        """Its folder."""
        return self._place

    def inputs(self, after: int = -1, block: int = 8192) -> Iterator[Input]:
        """Inputs beyond ``after`` in order, neighbouring scans as blocks of at most ``block``.

        Raises:
            DamagedRecordError: after all that is whole before the damage.
        """
        run = self.manifest.run
        due = after + 1
        for item in self._merged(after, block):
            first = int(item.input[0]) if isinstance(item, Block) else item[0]
            if first != due:
                raise DamagedRecordError(f"{self._place}: input {due} is missing")
            due = int(item.input[-1]) + 1 if isinstance(item, Block) else first + 1
            if isinstance(item, Block):
                yield item
            else:
                yield self._single(run, item)
        if due <= self.manifest.last_input:
            raise DamagedRecordError(f"{self._place}: inputs {due} to {self.manifest.last_input} are missing")

    def rows(self, block: int = 8192) -> Iterator[Row]:
        """Every input as the row that was hashed, in order; holes are left to whoever checks.

        Raises:
            DamagedRecordError: after all that is whole before the damage.
        """
        for item in self._merged(-1, block):
            if isinstance(item, Block):
                yield from rows_of(item)
            else:
                yield item

    def others(self) -> list[Row]:
        """Start, commands and gaps in order, without the scans, which are most of it.

        Raises:
            DamagedRecordError: they cannot be read.
        """
        with self._reading(START):
            start: Row = (0, "start", self.manifest.t_ns, self.manifest.utc_ns, (self._place / START).read_bytes())
        return [start, *self._lines(COMMANDS, row_of)]

    def events(self, after: int = 0) -> Iterator[tuple[int, bytes, str]]:
        """Number, body and hash of the commit of each event beyond ``after``, in order.

        Raises:
            DamagedRecordError: they cannot be read.
        """
        with self._reading(EVENTS), (self._place / EVENTS).open("rb") as lines:
            for n, line in enumerate(lines, 1):
                if n > after:
                    yield n, *event_body(line.rstrip(b"\n"))

    def commits(self) -> Iterator[SealedCommit]:
        """Every commit group in order.

        Raises:
            DamagedRecordError: they cannot be read.
        """
        first_input, first_event, number = 0, 1, 1
        with self._parquet(CHAIN) as file, self._reading(CHAIN):
            for batch in file.iter_batches(batch_size=8192, use_threads=False):
                columns = [batch.column(name).to_pylist() for name in _CHAIN_COLUMNS]
                for last_input, last_event, sums, link, key, signed in zip(*columns, strict=True):
                    has_events = last_event >= first_event
                    yield SealedCommit(
                        commit_no=number,
                        first_input=first_input,
                        last_input=last_input,
                        first_event=first_event if has_events else None,
                        last_event=last_event if has_events else None,
                        sums=sums,
                        hash=link.hex() if link else None,
                        signature=Signature(commit_no=number, key=key, signature=signed.hex()) if signed else None,
                    )
                    first_input, first_event, number = last_input + 1, last_event + 1, number + 1

    def worked_out(self) -> int:
        """How many columns of the scans hold full-rate values, which were worked out when it was sealed.

        Raises:
            DamagedRecordError: they cannot be read.
        """
        columns = self.manifest.columns
        if columns is None:
            return 0
        with self._parquet(SCANS) as file, self._reading(SCANS):
            names = set(file.schema_arrow.names)
        return len(names - {*RESERVED, *columns.age, *columns.status, *(one.name for one in columns.words)})

    # ---------------------------------------------------------------- inside

    def _merged(self, after: int, block: int) -> Iterator[Block | Row]:
        """Blocks and single rows in order of their inputs."""
        others = [row for row in self.others() if row[0] > after]
        while others and others[0][0] == after + 1:  # the next one in any case: it waits for no scan to be read
            yield others.pop(0)
            after += 1
        for scans in self._blocks(after, block):
            at = 0
            while at < len(scans):
                while others and others[0][0] < scans.input[at]:
                    yield others.pop(0)
                end = _end(scans, at, others[0][0] if others else None, block)
                yield scans.cut(at, end)
                at = end
        yield from others

    def _blocks(self, after: int, most: int) -> Iterator[Block]:
        """Scans beyond ``after``, by whole row groups: one, or several of no more than ``most`` scans together."""
        columns = self.manifest.columns
        if columns is None:
            return
        from brakewater.record.sealed.table import block_of, groups_of  # noqa: PLC0415 - pyarrow only where needed

        names = ["input", "utc", "steady_offset", *columns.age, *(one.name for one in columns.words), *columns.status]
        with self._parquet(SCANS) as file, self._reading(SCANS):
            for table in groups_of(file, after, names, most):
                scans = block_of(table, self.manifest.run, columns, self.manifest.steps)
                yield scans.cut(int(np.searchsorted(scans.input, after, side="right")), len(scans))

    @contextmanager
    def _parquet(self, name: str) -> "Iterator[pq.ParquetFile]":
        try:
            import pyarrow.parquet as pq  # noqa: PLC0415 - pyarrow only where needed
        except ImportError as error:
            raise StorageError(
                f"{self._place / name}: reading it needs pyarrow: pip install brakewater[seal]"
            ) from error
        with self._reading(name):
            handle: Any = (self._place / name).open("rb")
        with handle:
            with self._reading(name):
                file = pq.ParquetFile(handle, page_checksum_verification=True)
                _check_sizes(file.metadata)
            yield file

    @contextmanager
    def _reading(self, name: str) -> Iterator[None]:
        """What goes wrong with a file is damage of the record, with its name."""
        try:
            yield
        except Exception as error:
            if not isinstance(error, _UNREADABLE) and not type(error).__module__.startswith("pyarrow"):
                raise
            raise DamagedRecordError(f"{self._place / name}: cannot be read: {error}") from error

    def _lines(self, name: str, of: Any) -> Iterator[Any]:
        with self._reading(name), (self._place / name).open("rb") as lines:
            for line in lines:
                yield of(line.rstrip(b"\n"))

    def _single(self, run: int, row: Row) -> Input:
        with self._reading(START if row[1] == "start" else COMMANDS):
            return next(iter(inputs_of(run, [row], None)))


def _check_sizes(about: Any) -> None:
    """Refuse what would swell in memory: a segment may come from a stranger.

    Raises:
        ValueError: no sealing writes the like.
    """
    if about.num_columns > MOST_COLUMNS:
        raise ValueError(f"found {about.num_columns} columns; allowed: {MOST_COLUMNS}")
    for at in range(about.num_row_groups):
        group = about.row_group(at)
        if group.num_rows > MOST_ROWS or group.total_byte_size > MOST_BYTES:
            raise ValueError(
                f"found a row group of {group.num_rows} rows and {group.total_byte_size} bytes;"
                f" allowed: {MOST_ROWS} rows and {MOST_BYTES} bytes"
            )


def _end(scans: Block, at: int, other: int | None, most: int) -> int:
    """Up to where scans from ``at`` on follow one by one, before another input and at most so many."""
    end = min(len(scans), at + most)
    if other is not None:
        end = min(end, max(at + 1, int(np.searchsorted(scans.input, other))))
    steps: Sequence[int] = np.flatnonzero(np.diff(scans.input[at:end]) != 1).tolist()
    return at + steps[0] + 1 if steps else end
