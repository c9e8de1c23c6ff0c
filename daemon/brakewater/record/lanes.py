"""What a server is still owed, as stretches of the record, each sent on from a cursor of its own.

    record:   ....|=========== owed ===========|-----| live ---->
                  ^ cursor                     ^ to

The live lane follows what is committed. Where it has fallen far behind, the server having been away, it is cut: what
it has not sent stays behind as an owed lane with an end, and a new live lane goes on from the newest input.
"""

from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from brakewater.record.batches import BLOCK, NOWHERE, Batch, Batches, Mark
from brakewater.record.cursors import FOR_EVER, Place, Span
from brakewater.record.progress import Progress

MOST_OWED: Final = 8
"""Lanes kept apart; beyond it the last is drawn out over what lies between, which then is sent twice."""
_OWED_BLOCK: Final = 240
"""Scans made into lines at once in an owed lane: few, so that live points never wait long."""


class Lane:
    """One stretch: what makes its lines, and what of them is taken."""

    def __init__(
        self,
        folder: Path,
        every_ns: int,
        margin_ns: int,
        mark: Mark,
        *,
        seen: Place = NOWHERE,
        to: Place | None = None,
    ) -> None:
        """Nothing is read yet.

        Args:
            folder: record folder.
            every_ns: one scan in so long gives lines.
            margin_ns: how far to go back after trouble, in time of sending.
            mark: where to begin.
            seen: up to here nothing is owed.
            to: where the stretch ends; None: never.
        """
        self._seen = seen
        block = BLOCK if to is None else _OWED_BLOCK
        self.batches = Batches(folder, every_ns, mark, block=block, seen=seen, to=to)
        self.progress = Progress(mark, margin_ns)
        self.sent_ns: int | None = None
        """Steady time up to which its lines are taken."""

    @property
    def span(self) -> Span:
        """From the last place that is safe to the end."""
        return max(self.progress.safe.place, self._seen), self.batches.to or FOR_EVER

    @property
    def settled(self) -> bool:
        """True where all of it is taken, and long enough ago."""
        return self.batches.ended and not self.progress.at_risk

    def taken(self, batch: Batch) -> None:
        """The server has taken a batch, or there was nothing in it."""
        mark = self.batches.mark()
        if batch.lines:
            self.progress.taken(mark)
        else:
            self.progress.nothing_to_take(mark)
        self.sent_ns = max(batch.t_ns, self.sent_ns or batch.t_ns)

    def go_back(self) -> None:
        """Give up what the server may have lost."""
        self.batches.back_to(self.progress.go_back())

    def try_again(self) -> None:
        """Give up what it has not taken."""
        self.batches.back_to(self.progress.last)

    def end_at(self, to: Place) -> None:
        """Let it end there, or later than before."""
        self.batches.end_at(to, _OWED_BLOCK)


class Lanes:
    """The live lane and the owed ones of one mirror. Belongs to one thread."""

    def __init__(self, folder: Path, every_ns: int, margin_ns: int, spans: tuple[Span, ...]) -> None:
        """Begin with what stands in the cursors.

        Args:
            folder: record folder.
            every_ns: one scan in so long gives lines.
            margin_ns: how far to go back after trouble, in time of sending.
            spans: in order; the last has no end.
        """
        self._folder, self._every_ns, self._margin_ns = folder, every_ns, margin_ns
        *owed, (after, _) = spans
        self.live = self._lane(Mark(place=after))
        self._owed = deque(self._lane(Mark(place=start), to=to) for start, to in owed)
        self._untimed = self._skipped = 0

    def _lane(self, mark: Mark, *, seen: Place = NOWHERE, to: Place | None = None) -> Lane:
        return Lane(self._folder, self._every_ns, self._margin_ns, mark, seen=seen, to=to)

    def __iter__(self) -> Iterator[Lane]:
        yield from self._owed
        yield self.live

    @property
    def owed(self) -> int:
        """How many stretches are owed beside the live one."""
        return len(self._owed)

    def next_owed(self) -> Lane | None:
        """The oldest lane that is owed; what is settled is done with."""
        while self._owed and self._owed[0].settled:
            self._drop(self._owed.popleft())
        return self._owed[0] if self._owed else None

    def _drop(self, lane: Lane) -> None:
        self._untimed += lane.batches.untimed
        self._skipped += lane.batches.skipped

    def cut(self, newest: Place) -> None:
        """Let the live lane go on from the newest input; what lies before is owed."""
        mark = self.live.progress.last
        if len(self._owed) < MOST_OWED:
            self.live.end_at(newest)
            self._owed.append(self.live)
        else:
            self._owed[-1].end_at(newest)
            self._drop(self.live)
        begin = mark if mark.place[0] == newest[0] else Mark(place=newest)
        self.live = self._lane(begin, seen=newest)

    @property
    def spans(self) -> tuple[Span, ...]:
        """All that is still to be sent or not yet safe, in order."""
        return tuple(lane.span for lane in self)

    @property
    def untimed(self) -> int:
        """Scans that no wall time can be told for."""
        return self._untimed + sum(lane.batches.untimed for lane in self)

    @property
    def skipped(self) -> int:
        """Runs of which something could not be read or used."""
        return self._skipped + sum(lane.batches.skipped for lane in self)
