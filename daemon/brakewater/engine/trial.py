"""An alarm tripped by hand, to prove its way to lamp and horn: condition, delays, life cycle, event and outputs.

The alarm's own condition goes on beside it, untouched: where that comes meanwhile, the test is over at once and the
alarm rises anew, as a real one. A test looks past the gate (a brake out of service is the best time for it), never is
the first out, and ends by itself, acknowledged or not. Its end lies in steady time, like that of all that is held by
hand.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from brakewater.alarms.condition import BEYOND, Delays, Memory, turns
from brakewater.stream import AlarmTest, Ints


@dataclass(slots=True, kw_only=True)
class Trial:
    """A test under way."""

    shown: AlarmTest
    until_ns: int
    memory: Memory = field(default_factory=Memory)
    """Of the condition that is made believe."""

    def moves(self, t_ns: Ints, delays: Delays) -> list[tuple[int, bool]]:
        """Positions in [n] scans at which the alarm rises (true) and at which the test is over (false)."""
        end = int(np.searchsorted(t_ns, self.until_ns, side="left"))
        beyond = np.full(end, BEYOND, np.uint8)
        risen = [(turn.at, True) for turn in turns(beyond, t_ns[:end], delays, self.memory)] if end else []
        return [*risen, (end, False)] if end < len(t_ns) else risen

    def kept(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "actor": self.shown.actor,
            "reason": self.shown.reason,
            "since": str(self.shown.since_utc_ns),
            "until-utc": str(self.shown.until_utc_ns),
            "until": str(self.until_ns),
            "raised": self.memory.raised,
            "began": None if self.memory.since_ns is None else str(self.memory.since_ns),
        }


def restored(kept: Mapping[str, Any]) -> Trial:
    """The test that a snapshot keeps."""
    began = kept["began"]
    return Trial(
        shown=AlarmTest(
            actor=kept["actor"],
            reason=kept["reason"],
            since_utc_ns=int(kept["since"]),
            until_utc_ns=int(kept["until-utc"]),
        ),
        until_ns=int(kept["until"]),
        memory=Memory(raised=kept["raised"], since_ns=None if began is None else int(began)),
    )
