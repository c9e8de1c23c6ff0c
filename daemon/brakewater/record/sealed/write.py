"""Writing the folder of a sealed segment from its hot file. It is not a segment before ``sealing`` puts it in place."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from brakewater.errors import DamagedRecordError, RigFileError, StorageError
from brakewater.record.durable import sync_file, sync_folder
from brakewater.record.evidence import signatures_in
from brakewater.record.hot import MALFORMED, hot_events, hot_inputs, hot_others
from brakewater.record.layouts import hot_widths, with_layout
from brakewater.record.rows import Row, inputs_of
from brakewater.record.sealed.columns import Columns, columns_of
from brakewater.record.sealed.layout import CHAIN, COMMANDS, EVENTS, FILES, MANIFEST, RIG, SCANS, START
from brakewater.record.sealed.lines import event_line, row_line
from brakewater.record.sealed.manifest import Manifest, file_sum, manifest_text
from brakewater.record.sealed.steps import StepsSeen
from brakewater.record.sealed.table import LEVEL, Extra, TableWriter, schema_of, table_of
from brakewater.record.segment import Head, read_meta, read_widths, reading
from brakewater.record.signing import Signature
from brakewater.rig import Rig, as_recorded, parse
from brakewater.stream import Block, Input, Start

BLOCK: Final = 8192
HASH_EVERY: Final = 256
"""So many commits apart their hashes are kept, so that a check need not begin at the beginning."""
_CHAIN_SCHEMA: Final = pa.schema(
    [
        pa.field("last_input", pa.int64(), nullable=False),
        pa.field("last_event", pa.int64(), nullable=False),
        pa.field("sums", pa.binary(), nullable=False),
        pa.field("hash", pa.binary(32)),
        pa.field("key", pa.string()),
        pa.field("signature", pa.binary(64)),
    ]
)

Values = Callable[[Input], Extra]
"""Makes full-rate values of each input; of a block a column each."""


def _no_values(_: Input) -> Extra:
    return {}


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What besides the record goes into the scans."""

    names: Mapping[str, dict[str, str]] = field(default_factory=dict)
    """Columns of full-rate values and what they are."""
    values: Values = _no_values


def write_segment(hot: Path, run: int, folder: Path, options: Callable[[Rig], Options] | None = None) -> Manifest:
    """Write all files of a sealed segment into an empty folder, and make them durable.

    Args:
        hot: file of a closed segment.
        run: its run.
        folder: empty.
        options: makes full-rate values for the segment's rig.

    Raises:
        StorageError: the hot file cannot be read.
        ValueError: it holds what no journal writes.
        OSError: the disk does not take it.
    """
    others = hot_others(hot)
    start = _start(hot, run, others)
    rig = _rig(start)
    survey = _Survey(hot, run, rig, others)
    (folder / START).write_bytes(others[0][4])
    (folder / RIG).write_bytes(start.rig_toml.encode())
    _write_scans(
        hot, run, folder / SCANS, survey, options(rig) if options is not None and rig is not None else Options()
    )
    events = _write_text(hot, folder, others[1:])
    prev_run, prev_hash, head = _write_chain(hot, run, folder / CHAIN)
    manifest = Manifest(
        run=run,
        rig=rig.name if rig is not None else "",
        version=start.version,
        boot=start.boot,
        t_ns=start.t_ns,
        utc_ns=start.utc_ns,
        from_utc_ns=survey.from_utc_ns,
        to_utc_ns=survey.to_utc_ns,
        last_t_ns=survey.last_t_ns,
        inputs=survey.scans + len(others),
        scans=survey.scans,
        events=events,
        prev_run=prev_run,
        prev_hash=prev_hash,
        head=head,
        columns=survey.columns,
        steps=survey.steps.steps(),
        files={name: file_sum(folder / name) for name in FILES},
    )
    (folder / MANIFEST).write_bytes(manifest_text(manifest))
    for name in (*FILES, MANIFEST):
        sync_file(folder / name)
    sync_folder(folder)
    return manifest


def _start(hot: Path, run: int, others: list[Row]) -> Start:
    try:
        found = next(iter(inputs_of(run, others[:1], None)), None)
    except MALFORMED as error:
        raise DamagedRecordError(f"{hot}: input 0: {error!r}") from error
    if not isinstance(found, Start):
        raise DamagedRecordError(f"{hot}: input 0 is no start")
    return with_layout(found, partial(hot_widths, hot))


def _rig(start: Start) -> Rig | None:
    """None where this version refuses the rig file: its words then stand by number."""
    try:
        return as_recorded(parse(start.rig_toml, f"run {start.run}"), start.own)
    except (RigFileError, StorageError):
        return None


class _Survey:
    """What the writing has to know beforehand: the steps of all times, and the ends."""

    def __init__(self, hot: Path, run: int, rig: Rig | None, others: list[Row]) -> None:
        self.steps, self.scans = StepsSeen(), 0
        labels = [row[3] for row in others]
        self.from_utc_ns, self.to_utc_ns, self.last_t_ns = min(labels), max(labels), others[-1][2]
        for item in hot_inputs(hot, run, -1, BLOCK):
            if isinstance(item, Block):
                self._see(item)
        with reading(hot) as base:
            widths = read_widths(base)
        self.columns: Columns | None = columns_of(rig, widths) if widths is not None and self.scans else None

    def _see(self, block: Block) -> None:
        self.steps.see(block)
        self.scans += len(block)
        self.from_utc_ns = min(self.from_utc_ns, int(block.utc_ns.min()))
        self.to_utc_ns = max(self.to_utc_ns, int(block.utc_ns.max()))
        self.last_t_ns = max(self.last_t_ns, int(block.t_ns[-1]))


def _write_scans(hot: Path, run: int, file: Path, survey: _Survey, options: Options) -> None:
    columns, steps = survey.columns or Columns(words=(), status=(), age=()), survey.steps.steps()
    schema = schema_of(columns, steps, options.names)
    writer = TableWriter(str(file), schema)
    for item in hot_inputs(hot, run, -1, BLOCK):
        values = options.values(item)
        if isinstance(item, Block):
            writer.write(table_of(schema, columns, steps, item, values))
    writer.close()


def _write_text(hot: Path, folder: Path, others: list[Row]) -> int:
    """Commands, gaps and events; gives the number of events."""
    with (folder / COMMANDS).open("wb") as lines:
        lines.writelines(row_line(row) + b"\n" for row in others)
    count = 0
    with (folder / EVENTS).open("wb") as lines:
        for n, body, chain_hash in hot_events(hot, 0):
            lines.write(event_line(n, body, chain_hash) + b"\n")
            count = n
    return count


def _write_chain(hot: Path, run: int, file: Path) -> tuple[int, str, Head]:
    """Where each commit ends; gives the run and hash before the first, and the last."""
    with reading(hot) as base:
        meta = read_meta(base)
        newest: int = base.execute("SELECT max(commit_no) FROM commits").fetchone()[0]
        head, signed = "", signatures_in(base)
        options = {"use_dictionary": ["key"], "compression": "zstd", "compression_level": LEVEL}
        encoding = {
            "last_input": "DELTA_BINARY_PACKED",
            "last_event": "DELTA_BINARY_PACKED",
            "sums": "DELTA_LENGTH_BYTE_ARRAY",
        }
        with pq.ParquetWriter(
            str(file), _CHAIN_SCHEMA, column_encoding=encoding, write_page_checksum=True, **options
        ) as writer:
            for rows in _commit_pages(base):
                writer.write_table(_chain_table(rows, newest, signed))
                head = rows[-1][4]
    return int(meta["prev_run"]), str(meta["prev_hash"]), Head(run=run, commit_no=newest, hash=head)


def _commit_pages(base: Any) -> Iterator[list[Any]]:
    query = (
        "SELECT commit_no, last_input, last_event, sums, hash FROM commits"
        " WHERE commit_no > ? ORDER BY commit_no LIMIT 8192"
    )
    seen, last_event = 0, 0
    while rows := base.execute(query, (seen,)).fetchall():
        if [row[0] for row in rows] != list(range(seen + 1, seen + 1 + len(rows))):
            raise ValueError(f"commits after {seen} have a hole")
        seen, made = rows[-1][0], []
        for number, last_input, event, sums, link in rows:
            last_event = event or last_event
            made.append((number, last_input, last_event, bytes(sums)[::4], link))
        yield made


def _chain_table(rows: list[Any], newest: int, signed: Mapping[int, Signature]) -> pa.Table:
    hashes = [bytes.fromhex(link) if no % HASH_EVERY == 0 or no == newest else None for no, _, _, _, link in rows]
    made = [signed.get(row[0]) for row in rows]
    columns = [
        *([row[at] for row in rows] for at in (1, 2, 3)),
        hashes,
        [one and one.key for one in made],
        [bytes.fromhex(one.signature) if one else None for one in made],
    ]
    return pa.Table.from_arrays(
        [pa.array(values, field.type) for values, field in zip(columns, _CHAIN_SCHEMA, strict=True)],
        schema=_CHAIN_SCHEMA,
    )
