"""The reads of one device that are asked equally often: merged as planned, or split where the device refused that.

A refusal may pass: a device that is starting or being loaded with its program refuses what it knows well. So a split
read is tried in one piece again after a while, longer each time, beside the scan: no reading hangs on the trial.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from time import monotonic_ns
from typing import Final

from brakewater.field.plan import PlannedRead

FIRST_TRIAL_S: Final = 10.0
"""A split read is tried in one piece after this time,"""
LONGEST_TRIAL_S: Final = 600.0
"""which doubles with every refusal up to this one, s."""

Places = list[tuple[int, slice, slice]]
"""Of each point of a read: the column of its status, its words in the scan, its words in the answer."""


def _places(planned: PlannedRead) -> Places:
    return [
        (part.index, slice(part.column, part.column + part.count), slice(part.offset, part.offset + part.count))
        for part in planned.parts
    ]


@dataclass(slots=True, kw_only=True)
class Split:
    """A merged read that was refused, and when to try it again (steady time, s)."""

    whole: PlannedRead
    parts: tuple[PlannedRead, ...]
    at: float
    pause_s: float

    def refused(self, now: float) -> None:
        """It was refused again."""
        self.pause_s = min(2 * self.pause_s, LONGEST_TRIAL_S)
        self.put_off(now)

    def put_off(self, now: float) -> None:
        """It could not be told."""
        self.at = now + self.pause_s


class Group:
    """The reads of a device that are asked equally often; a scan carries one age for them."""

    def __init__(self, every: int, reads: Sequence[PlannedRead]) -> None:
        self.every = every
        self.reads = [(planned, _places(planned)) for planned in reads]
        self.sent_ns = monotonic_ns()
        self.due = False
        """Of a slow group: its turn has come."""
        self._split: list[Split] = []
        self._unanswered: dict[PlannedRead, int] = {}
        """With the time at which it was asked last, monotonic, ns."""

    def in_turn(self) -> tuple[tuple[PlannedRead, Places], ...]:
        """The reads in the order to ask them: those that got no answer come last, the one asked latest behind all.

        Some devices say nothing where they are asked for what they do not know. Waiting for that takes all the time
        there is, and the readings behind it would be lost with it in every scan.
        """
        if not self._unanswered:
            return tuple(self.reads)
        return tuple(sorted(self.reads, key=lambda one: self._unanswered.get(one[0], 0)))

    def note(self, planned: PlannedRead, *, answered: bool) -> None:
        """What became of a read that was asked."""
        if answered:
            self._unanswered.pop(planned, None)
        else:
            self._unanswered[planned] = monotonic_ns()

    def split(self, planned: PlannedRead, now: float) -> None:
        """From now on ask for each stretch of this read by itself."""
        at = next(index for index, (one, _) in enumerate(self.reads) if one is planned)
        parts = planned.split()
        self.reads[at : at + 1] = [(one, _places(one)) for one in parts]
        self._unanswered.pop(planned, None)
        self._split.append(Split(whole=planned, parts=parts, at=now + FIRST_TRIAL_S, pause_s=FIRST_TRIAL_S))

    def to_try(self, now: float) -> Split | None:
        """A split read whose time has come to be tried in one piece."""
        return next((one for one in self._split if now >= one.at), None) if self._split else None

    def join(self, split: Split) -> None:
        """It is answered in one piece again."""
        at = next(index for index, (one, _) in enumerate(self.reads) if one is split.parts[0])
        self.reads[at : at + len(split.parts)] = [(split.whole, _places(split.whole))]
        for part in split.parts:
            self._unanswered.pop(part, None)
        self._split.remove(split)
