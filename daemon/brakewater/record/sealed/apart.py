"""Reading a sealed segment in a process of its own, for those that must stay small: what reads Parquet takes 60 MiB.

As a program it writes the inputs of one segment to its standard output as messages: length, kind, body. Its reader is
the process that began it. Scans travel as columns, all else as a row of the journal does (``record.rows``).
"""

import os
import select
import struct
import subprocess
import sys
import weakref
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Final

import numpy as np

from brakewater.errors import DamagedRecordError, StorageError
from brakewater.record.rows import Widths, block_of, inputs_of, joined, rows_of, table_of, widths_of
from brakewater.record.sealed.manifest import read_manifest
from brakewater.stream import Block, Input

_LENGTH: Final = struct.Struct("<Q")
_NICE: Final = 5
_END: Final = None
"""After the last input."""
_SCANS, _ROW, _DAMAGED, _FAILED, _OVER = b"S", b"R", b"D", b"F", b"E"
_BLOCK: Final = struct.Struct("<qqqqq")
"""Run, scans, and the words, points and devices of each."""
_HEAD: Final = struct.Struct("<qqqq8s")
"""Run, input, t_ns, utc_ns, kind."""
_Key = tuple[Path, int, int]
"""Folder of the segment, last input seen, the most scans in a block."""


class NotYetError(StorageError):
    """The other process is not ready; it goes on, and whoever asks again for the same is given what it has by then."""


class Unsealing:
    """Reads sealed segments elsewhere. Belongs to one thread."""

    def __init__(self, patience_s: float | None = None) -> None:
        """Nothing is begun yet.

        Args:
            patience_s: how long to wait for an input; None: as long as it takes.
        """
        self._patience_s = patience_s
        self._left: tuple[_Key, _Reader] | None = None

    def inputs(self, folder: Path, after: int, block: int) -> Iterator[Input]:
        """Inputs of a segment beyond ``after`` in order, neighbouring scans as blocks of at most ``block``.

        Raises:
            NotYetError: nothing came in time; ask again.
            DamagedRecordError: after all that is whole before the damage.
            StorageError: the other process ended.
        """
        if read_manifest(folder).last_input <= after:
            return  # whoever asks for more comes past here each time, and what was begun for the next must stay
        reader = self._reader((folder, after, block))
        try:
            while (item := reader.next(self._patience_s)) is not _END:
                yield item
                after = int(item.input[-1]) if isinstance(item, Block) else item.input
        except NotYetError:
            self._left = (folder, after, block), reader
            raise
        except BaseException:
            reader.end()
            raise
        reader.end()

    def close(self) -> None:
        """End what is not asked for any more."""
        if self._left is not None:
            self._left[1].end()
            self._left = None

    def _reader(self, key: _Key) -> "_Reader":
        if self._left is not None and self._left[0] == key:
            found, self._left = self._left[1], None
            return found
        self.close()
        return _Reader(key)


class _Reader:
    """The other process, seen from here."""

    def __init__(self, key: _Key) -> None:
        words = [sys.executable, "-m", __name__, *map(str, key)]
        self._folder = key[0]
        self._process = subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, bufsize=0)  # noqa: S603 - ourselves
        self.end = weakref.finalize(self, _ended, self._process)

    def next(self, patience_s: float | None) -> Input | None:
        """An input, or ``_END``.

        Raises:
            StorageError: what the other process raised, or that it is gone; ``NotYetError``.
        """
        out = self._process.stdout
        assert out is not None
        if patience_s is not None and not select.select([out], [], [], patience_s)[0]:
            raise NotYetError(f"{self._folder}: is still being read")
        kind = self._exactly(out, 1)
        return _read(kind, self._exactly(out, _LENGTH.unpack(self._exactly(out, _LENGTH.size))[0]))

    def _exactly(self, out: IO[bytes], size: int) -> bytes:
        parts: list[bytes] = []
        while size:
            part = out.read(size)
            if not part:
                raise StorageError(f"{self._folder}: the process that reads it ended")
            parts.append(part)
            size -= len(part)
        return b"".join(parts)


def _ended(process: "subprocess.Popen[bytes]") -> None:
    process.kill()
    if process.stdout is not None:
        process.stdout.close()
    process.wait()


def main(folder: Path, after: int, block: int) -> None:
    """Write the inputs of a segment to standard output, then what went wrong, or that it is the end."""
    from brakewater.record.sealed.read import Sealed  # noqa: PLC0415 - only in the other process

    os.nice(_NICE)
    sys.modules["pandas"] = None  # type: ignore[assignment] # where it is installed pyarrow would load it, for nothing
    try:
        for item in joined(Sealed(folder).inputs(after, block), block):
            _write(item)
        _write(_END)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # nobody reads any more
    except StorageError as error:
        _write(error)


def _write(item: Input | StorageError | None) -> None:
    kind, body = _written(item)
    sys.stdout.buffer.write(kind + _LENGTH.pack(len(body)) + body)
    sys.stdout.buffer.flush()


def _written(item: Input | StorageError | None) -> tuple[bytes, bytes]:
    """A message: its kind and body."""
    match item:
        case None:
            return _OVER, b""
        case Block():
            widths, table = widths_of(item), table_of(item)
            head = _BLOCK.pack(item.run, len(item), widths.words, widths.points, widths.devices)
            columns = (np.ascontiguousarray(column, np.int64) for column in (item.input, item.t_ns, item.utc_ns))
            return _SCANS, b"".join((head, *(column.tobytes() for column in columns), table.tobytes()))
        case StorageError():
            return (_DAMAGED if isinstance(item, DamagedRecordError) else _FAILED), str(item).encode()
        case _:
            ((number, kind, t_ns, utc_ns, body),) = rows_of(item)
            return _ROW, _HEAD.pack(item.run, number, t_ns, utc_ns, kind.encode()) + body


def _read(kind: bytes, body: bytes) -> Input | None:
    """What a message says.

    Raises:
        StorageError: that is what it says.
    """
    if kind == _OVER:
        return _END
    if kind == _SCANS:
        run, n, *widths = _BLOCK.unpack_from(body)
        numbers, t_ns, utc_ns = np.frombuffer(body, np.int64, 3 * n, _BLOCK.size).reshape(3, n).copy()
        words, points, devices = widths
        bodies = body[_BLOCK.size + 3 * numbers.nbytes :]
        return block_of(run, numbers, t_ns, utc_ns, bodies, Widths(words=words, points=points, devices=devices))
    if kind == _ROW:
        run, number, t_ns, utc_ns, name = _HEAD.unpack_from(body)
        row = number, name.rstrip(b"\0").decode(), t_ns, utc_ns, body[_HEAD.size :]
        return next(inputs_of(run, [row], None))
    raise (DamagedRecordError if kind == _DAMAGED else StorageError)(body.decode())


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
