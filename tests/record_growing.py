"""A record that a test writes on and on, without a clock."""

from pathlib import Path
from types import TracebackType
from typing import Self

from brakewater.record.backlog import Entry
from brakewater.record.journal import connect_plainly
from brakewater.record.reader import Record
from brakewater.record.writer import SegmentWriter
from brakewater.stream import Block, Start


class Growing:
    """Committed as soon as it is written."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True)
        self._writer = SegmentWriter(folder, connect_plainly)
        self.record = Record(folder)

    def write(self, *items: Start | Block) -> None:
        for item in items:
            ends = (int(item.input[0]), int(item.input[-1])) if isinstance(item, Block) else (0, 0)
            self._writer.write([Entry(item=item, first=ends[0], last=ends[1])])

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._writer.close()
