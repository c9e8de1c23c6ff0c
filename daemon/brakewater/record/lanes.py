"""What a server is still owed, as stretches of the record, each sent on from a cursor of its own.

    record:   ....|=========== owed ===========|-----| live ---->
                  ^ cursor                     ^ to

The live lane follows what is committed. Where it has fallen far behind, the server having been away, it is cut: what
it has not sent stays behind as an owed lane with an end, and a new live lane goes on from the newest input.

A server may take lines and still lose the last seconds of them when it is killed. So what it took within the last
*margin* before its last word is kept, compressed, to be sent again; only what is older is safe, and moves the cursor.
"""

import time
import zlib
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from brakewater.record.batches import BLOCK, ENOUGH, Batches
from brakewater.record.cursors import FOR_EVER, Place, Span

MOST_OWED: Final = 8
"""Lanes kept apart; beyond it the last is drawn out over what lies between, which then is sent twice."""
MOST_KEPT_BYTES: Final = 8 << 20
"""An owed lane with so much that the server may yet lose waits until some of it is safe."""
_OWED_BLOCK: Final = 240
"""Scans made into lines at once in an owed lane: few, so that live points never wait long."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Parcel:
    """Some lines, perhaps none, and what the server knows once it has them."""

    packed: bytes
    place: Place
    """The last input in them."""
    t_ns: int
    """Its steady time."""
    full: bool
    """True where more may follow at once."""

    @property
    def lines(self) -> list[bytes]:
        """The lines themselves."""
        return zlib.decompress(self.packed).split(b"\n") if self.packed else []


class Lane:
    """One stretch: the lines that come next, and those of the last margin."""

    def __init__(self, folder: Path, every_ns: int, margin_ns: int, after: Place, *, to: Place | None = None) -> None:
        """Nothing is read yet.

        Args:
            folder: record folder.
            every_ns: one scan in so long gives lines.
            margin_ns: how far to go back after trouble, in time of sending.
            after: the last input that the server has for certain.
            to: where the stretch ends; None: never.
        """
        self._folder, self._every_ns, self._margin_ns = folder, every_ns, margin_ns
        self._safe = after
        self._next: deque[Parcel] = deque()
        self._kept: deque[tuple[int, Parcel]] = deque()
        self._again = 0
        self.kept_bytes = 0
        """What is kept to be sent again, compressed."""
        self.sent_ns: int | None = None
        """Steady time up to which its lines are taken."""
        block = BLOCK if to is None else _OWED_BLOCK
        self.batches = Batches(folder, every_ns, after, block=block, to=to)

    # ------------------------------------------------------------ what comes next

    def next(self, hurry: Callable[[], bool] = lambda: False) -> Parcel | None:
        """What to send next, the same until it is taken; None where nothing is committed or all that is has to wait.

        Args:
            hurry: whether others wait by now; then a small parcel will do.

        Raises:
            StorageError: the record cannot be read now.
        """
        if not self._next:
            batch = self.batches.next(hurry)
            if batch is None:
                return None
            packed, place = _packed(batch.lines), self.batches.place
            self._next.append(Parcel(packed=packed, place=place, t_ns=batch.t_ns, full=batch.full))
        return self._next[0]

    def taken(self) -> None:
        """The server has what came next, or there was nothing in it to take."""
        parcel = self._next.popleft()
        self._again = max(0, self._again - 1)
        self.sent_ns = max(parcel.t_ns, self.sent_ns or parcel.t_ns)
        self.kept_bytes += len(parcel.packed)
        if parcel.packed:
            self._kept.append((time.monotonic_ns(), parcel))
        elif self._kept:
            self._kept.append((self._kept[-1][0], parcel))  # no word from the server in this
        else:
            self._safe = max(self._safe, parcel.place)

    def answered(self) -> None:
        """The server lives, so what it took a margin ago is safe by now. Time alone would prove nothing."""
        limit_ns = time.monotonic_ns() - self._margin_ns
        while self._kept and self._kept[0][0] <= limit_ns:
            parcel = self._kept.popleft()[1]
            self.kept_bytes -= len(parcel.packed)
            self._safe = max(self._safe, parcel.place)

    def go_back(self) -> None:
        """Send again what the server may have lost."""
        if not self._kept:
            return
        self._next = deque(_joined([*(parcel for _, parcel in self._kept), *self._next]))
        self._again = len(self._next)
        self._kept.clear()
        self.kept_bytes = 0

    def read_again(self) -> None:
        """Begin to read anew after trouble with the record."""
        former, kept = self.batches, [parcel for _, parcel in self._kept]
        after = max([self._safe, *(parcel.place for parcel in (*kept, *self._next))])
        block = BLOCK if former.to is None else _OWED_BLOCK
        self.batches = Batches(self._folder, self._every_ns, after, block=block, to=former.to)
        self.batches.untimed, self.batches.skipped = former.untimed, former.skipped
        former.close()

    @property
    def going_back(self) -> bool:
        """True from going back until all is sent again."""
        return self._again > 0

    @property
    def at_risk(self) -> bool:
        """True where something was taken too lately to be sure of."""
        return any(parcel.packed for _, parcel in self._kept)

    # ------------------------------------------------------------ where it is

    @property
    def span(self) -> Span:
        """From the last place that is safe to the end."""
        return self._safe, self.batches.to or FOR_EVER

    @property
    def done(self) -> bool:
        """True where all of it is taken."""
        return self.batches.ended and not self._next

    @property
    def settled(self) -> bool:
        """True where all of it is taken, and long enough ago."""
        return self.done and not self.at_risk

    def cut(self, newest: Place) -> "Lane":
        """End at the newest input; gives the lane that goes on from there, with whichever reader is nearer to it."""
        onward = Lane(self._folder, self._every_ns, self._margin_ns, newest)
        if self.batches.place[0] == newest[0]:
            onward.batches, made = self.batches, self.batches.place
            onward.batches.skip_to(newest)
            self.batches = Batches(self._folder, self._every_ns, made, block=_OWED_BLOCK, to=newest)
        else:
            self.end_at(newest)
        return onward

    def end_at(self, to: Place) -> None:
        """Let it end there, or later than before."""
        self.batches.end_at(to, _OWED_BLOCK)


def _joined(parcels: list[Parcel]) -> Iterator[Parcel]:
    """The same lines in fewer parcels, so that a server that often hangs up has them in few requests."""
    lines: list[bytes] = []
    for at, parcel in enumerate(parcels):
        lines += parcel.lines
        if len(lines) >= ENOUGH or at == len(parcels) - 1:
            yield replace(parcel, packed=_packed(lines))
            lines = []


def _packed(lines: list[bytes]) -> bytes:
    return zlib.compress(b"\n".join(lines), 1) if lines else b""


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
        *owed, (after, _) = spans
        self.live = Lane(folder, every_ns, margin_ns, after)
        self._owed = deque(Lane(folder, every_ns, margin_ns, start, to=to) for start, to in owed)
        self._untimed = self._skipped = 0

    def __iter__(self) -> Iterator[Lane]:
        yield from self._owed
        yield self.live

    @property
    def owed(self) -> int:
        """How many stretches are owed beside the live one."""
        return len(self._owed)

    def next_owed(self) -> Lane | None:
        """The oldest lane with something to send, else the oldest; what is settled is done with.

        One that is all taken only waits for the server's further word, which the next lane's lines may bring.
        """
        while self._owed and self._owed[0].settled:
            self._drop(self._owed.popleft())
        return next((lane for lane in self._owed if not lane.done), self._owed[0] if self._owed else None)

    def _drop(self, lane: Lane) -> None:
        self._untimed += lane.batches.untimed
        self._skipped += lane.batches.skipped
        lane.batches.close()

    def cut(self, newest: Place) -> None:
        """Let the live lane go on from the newest input; what lies before is owed."""
        former, self.live = self.live, self.live.cut(newest)
        if len(self._owed) < MOST_OWED:
            self._owed.append(former)
        else:
            self._owed[-1].end_at(newest)
            self._drop(former)

    def close(self) -> None:
        """Hold nothing open any more."""
        for lane in self:
            lane.batches.close()

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
