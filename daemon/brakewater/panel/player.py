"""What the driller saw: the picture at any moment of the past, as the engine comes to it again."""

from collections.abc import Iterator
from dataclasses import dataclass
from threading import Lock
from typing import Final

import numpy as np

from brakewater.engine import Engine
from brakewater.errors import NothingThereError
from brakewater.panel.opened import Windows
from brakewater.panel.shown import in_units, page_doc
from brakewater.record.reader import Record
from brakewater.record.undamaged import Place, undamaged
from brakewater.render import Document
from brakewater.stream import Block, Input
from brakewater.wording import ENGLISH, Wording

_FEWEST: Final = 64
_ROOM: Final = 1.2


@dataclass(slots=True, kw_only=True)
class _Head:
    """An engine somewhere in the record."""

    at_ns: int
    place: Place
    engine: Engine

    def feed(self, item: Input) -> None:
        self.engine.feed(item)
        if isinstance(item, Block):
            self.at_ns, self.place = int(item.utc_ns[-1]), (item.run, int(item.input[-1]))
        else:
            self.at_ns, self.place = max(self.at_ns, item.utc_ns), (item.run, item.input)


class Player:
    """Goes on from where it stands, or from the nearest engine that was kept."""

    def __init__(self, record: Record, windows: Windows) -> None:
        self._record, self._windows = record, windows
        self._lock = Lock()
        self._head: _Head | None = None

    def pictures(self, moments: list[int], words: Wording = ENGLISH, units: str | None = None) -> list[Document]:
        """The page at each moment.

        Args:
            moments: wall time in ns, rising.
            words: the language.
            units: a key of ``units.CREW_UNITS``; None for the rig file's.

        Raises:
            NothingThereError: nothing was recorded at the first of them.
        """
        with self._lock:
            head, self._head = self._near(moments[0]), None  # one that breaks on the way is not gone on with
            found: list[Document] = []
            for item, reached in self._steps(head, moments):
                if item is not None:
                    head.feed(item)
                if reached:
                    found.append(page_doc(in_units(head.engine.rig, units), head.engine.picture(), words))
            self._head = head
            return found

    def _steps(self, head: _Head, moments: list[int]) -> Iterator[tuple[Input | None, bool]]:
        """What to feed next, and whether a moment is reached with it; one step a moment beyond the record's end."""
        waiting = list(moments)
        scans = round(_ROOM * (moments[-1] - head.at_ns) / head.engine.rig.scan_ns)
        for item in undamaged(self._record, head.place, max(_FEWEST, min(8192, scans))):
            if not isinstance(item, Block):
                yield item, False
                continue
            begin = 0
            while waiting and int(item.utc_ns[-1]) > waiting[0]:
                cut = begin + int(np.searchsorted(item.utc_ns[begin:], waiting.pop(0), side="right"))
                yield (item.cut(begin, cut) if cut > begin else None), True
                begin = cut
            if not waiting:
                return
            yield item.cut(begin, len(item)), False
        for _ in waiting:
            yield None, True

    def _near(self, at_ns: int) -> _Head:
        kept = self._windows.before(at_ns)
        if self._head is not None and self._head.at_ns <= at_ns and (kept is None or self._head.at_ns >= kept.utc_ns):
            return self._head
        if kept is not None:
            return _Head(at_ns=kept.utc_ns, place=kept.place, engine=kept.woken())
        return self._from_start(at_ns)

    def _from_start(self, at_ns: int) -> _Head:
        spans = self._record.spans(at_ns, at_ns)
        if not spans:
            raise NothingThereError("nothing was recorded at this moment")
        engine = Engine()
        engine.feed(next(self._record.inputs(from_run=spans[0].run, to_run=spans[0].run)))
        return _Head(at_ns=spans[0].from_utc_ns, place=(spans[0].run, 0), engine=engine)
