"""Inputs as rows: what stands in the table ``inputs`` and in the hash over it.

A scan's body has a fixed width, so that thousands of them are read in one step: words (W x uint16), status (P x uint8),
age_ns (D x int64), little-endian, without padding. The widths stand in the segment's ``meta``.
"""

import struct
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import groupby, repeat
from operator import itemgetter

import numpy as np

from brakewater.errors import DamagedRecordError
from brakewater.record.documents import command_body, command_of, gap_body, gap_of, start_body, start_of
from brakewater.stream import Block, Command, Gap, Input, Ints, Start

Row = tuple[int, str, int, int, bytes]
"""input, kind, t_ns, utc_ns, body"""

KINDS = {"start": 0, "scan": 1, "command": 2, "gap": 3}
"""Kinds of input and their numbers in a packed row."""

_HEAD = struct.Struct("<qBqqI")


@dataclass(frozen=True, slots=True, kw_only=True)
class Widths:
    """How many words, points and devices a scan of this run has."""

    words: int
    points: int
    devices: int

    @property
    def dtype(self) -> np.dtype[np.void]:
        """Layout of one scan's body."""
        return _layout(self.words, self.points, self.devices)


@lru_cache(maxsize=64)
def _layout(words: int, points: int, devices: int) -> np.dtype[np.void]:
    return np.dtype([("words", "<u2", (words,)), ("status", "u1", (points,)), ("age_ns", "<i8", (devices,))])


def widths_of(block: Block) -> Widths:
    """Widths of a block's scans."""
    return Widths(words=block.words.shape[1], points=block.status.shape[1], devices=block.age_ns.shape[1])


def rows_of(item: Input) -> list[Row]:
    """One row an input, one a scan of a block.

    Raises:
        TypeError: a command's argument is no JSON value.
    """
    match item:
        case Block():
            return _scan_rows(item)
        case Start():
            return [(0, "start", item.t_ns, item.utc_ns, start_body(item))]
        case Command():
            return [(item.input, "command", item.t_ns, item.utc_ns, command_body(item))]
        case Gap():
            return [(item.input, "gap", item.t_ns, item.utc_ns, gap_body(item))]


def table_of(block: Block) -> np.ndarray[tuple[int], np.dtype[np.void]]:
    """[n] bodies of its scans."""
    table = np.empty(len(block), dtype=widths_of(block).dtype)
    table["words"], table["status"], table["age_ns"] = block.words, block.status, block.age_ns
    return table


def _scan_rows(block: Block) -> list[Row]:
    if len(block) == 1:
        return [_scan_row(block)]
    table = table_of(block)
    packed, size = table.tobytes(), table.dtype.itemsize
    bodies = [packed[at : at + size] for at in range(0, len(packed), size)]
    return list(zip(block.input.tolist(), repeat("scan"), block.t_ns.tolist(), block.utc_ns.tolist(), bodies))


def _scan_row(block: Block) -> Row:
    """Of a lone scan, without a table; ten a second are written so."""
    columns = (block.words, "<u2"), (block.status, "u1"), (block.age_ns, "<i8")
    body = b"".join(values.astype(kind, copy=False).tobytes() for values, kind in columns)
    return block.input.item(), "scan", block.t_ns.item(), block.utc_ns.item(), body


def inputs_of(run: int, rows: Sequence[Row], widths: Widths | None) -> Iterator[Input]:
    """Inputs of consecutive rows of a run, neighbouring scans as one block.

    Args:
        run: the run the rows belong to.
        rows: rows in order.
        widths: layout of the scans; None where there is none.

    Raises:
        ValueError, KeyError, TypeError: a body is not what its kind needs.
    """
    if rows and all(map("scan".__eq__, map(itemgetter(1), rows))):  # the common page
        yield _block(run, rows, widths)
        return
    for kind, group in groupby(rows, key=itemgetter(1)):
        if kind == "scan":
            yield _block(run, list(group), widths)
            continue
        for row in group:
            yield _single(run, row)


def _single(run: int, row: Row) -> Input:
    number, kind, t_ns, utc_ns, body = row
    match kind:
        case "start":
            return start_of(run, t_ns, utc_ns, body)
        case "command":
            return command_of(run, number, t_ns, utc_ns, body)
        case "gap":
            return gap_of(run, number, t_ns, utc_ns, body)
        case _:
            raise ValueError(f"kind {kind!r}; allowed: {', '.join(KINDS)}")


def _block(run: int, rows: Sequence[Row], widths: Widths | None) -> Block:
    if widths is None:
        raise ValueError("no widths of scans in meta")
    numbers, _, t_ns, utc_ns, bodies = zip(*rows, strict=True)
    if set(map(len, bodies)) != {widths.dtype.itemsize}:
        raise ValueError(f"a scan's body is not {widths.dtype.itemsize} bytes")
    number, t, utc = (np.array(column, dtype=np.int64) for column in (numbers, t_ns, utc_ns))
    return block_of(run, number, t, utc, b"".join(bodies), widths)


def block_of(run: int, numbers: Ints, t_ns: Ints, utc_ns: Ints, bodies: bytes, widths: Widths) -> Block:
    """Scans whose bodies follow one another without a gap.

    Args:
        run: their run.
        numbers: [n] inputs.
        t_ns: [n] steady time.
        utc_ns: [n] wall time.
        bodies: n bodies.
        widths: layout of each.

    Raises:
        ValueError: the columns are not of one length.
    """
    table = np.frombuffer(bodies, dtype=widths.dtype)
    return Block(
        run=run,
        input=numbers,
        t_ns=t_ns,
        utc_ns=utc_ns,
        words=np.ascontiguousarray(table["words"], dtype=np.uint16),
        status=np.ascontiguousarray(table["status"]),
        age_ns=np.ascontiguousarray(table["age_ns"], dtype=np.int64),
    )


def joined(items: Iterable[Input], most: int) -> Iterator[Input]:
    """The same inputs with neighbouring blocks of one run joined, as long as they hold no more than ``most`` scans.

    What was held back is given before an error that the items raise.
    """
    held: list[Block] = []
    try:
        for item in items:
            if held and not (isinstance(item, Block) and sum(map(len, held)) + len(item) <= most):
                yield _one(held)
                held = []
            if not isinstance(item, Block):
                yield item
                continue
            held.append(item)
            if sum(map(len, held)) >= most:  # nothing can be joined to it, so it waits for no other
                yield _one(held)
                held = []
    except DamagedRecordError:
        if held:
            yield _one(held)
        raise
    if held:
        yield _one(held)


def _one(blocks: list[Block]) -> Block:
    if len(blocks) == 1:
        return blocks[0]
    names = ("input", "t_ns", "utc_ns", "words", "status", "age_ns")
    columns = {name: np.concatenate([getattr(block, name) for block in blocks]) for name in names}
    return Block(run=blocks[0].run, **columns)


def packed(row: Row) -> bytes:
    """A row as it is hashed: input i8, kind u1, t_ns i8, utc_ns i8, body length u4 (little-endian), body.

    Raises:
        struct.error, KeyError, TypeError: a column holds what no row has.
    """
    number, kind, t_ns, utc_ns, body = row
    return _HEAD.pack(number, KINDS[kind], t_ns, utc_ns, len(body)) + body
