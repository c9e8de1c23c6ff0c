"""Points taken out of measuring by hand: a value that stands in for a sensor, a loop that is being checked.

Both have an actor, a reason and an end, and end by themselves. Nothing here is silent: a substituted reading is
``SUBSTITUTED`` (uncertain), so that a substituted flow counts as unknown with the brake in service; a point under check
is ``FUNCTION_CHECK`` (bad). The end lies in steady time, so a step of the wall clock neither ends nor prolongs it.

An alarm that came of it and was acknowledged as such is recalled where it outlives it: what keeps it up then is
measured. Records of before that was so do not say ``recall`` in their commands, and are carried out as they were.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from brakewater.quality import Reason, is_bad
from brakewater.rig import Rig
from brakewater.stream import ByHand, Column, Ints

SUBSTITUTED: Final = "substituted"
CHECK: Final = "function-check"
RECALL: Final = "recall"
"""Argument of the commands that take a point out of measuring; every new one has it."""
CODES: Final = frozenset((Reason.SUBSTITUTED, Reason.FUNCTION_CHECK))


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """One of them, with its end in steady time and the role it was made for."""

    shown: ByHand
    until_ns: int
    role: str
    recalls: bool = False


class Hands:
    """What is held by hand on one rig."""

    def __init__(self, rig: Rig) -> None:
        self._roles = {point.name: point.role for point in rig.points}
        self._held: dict[str, Held] = {}

    def of(self, point: str) -> ByHand | None:
        """What is held at a point, or None."""
        held = self._held.get(point)
        return None if held is None else held.shown

    def hold(self, shown: ByHand, until_ns: int, *, recalls: bool = False) -> None:
        """From the next scan on; takes the place of what was held there."""
        role = self._roles[shown.point]
        self._held[shown.point] = Held(shown=shown, until_ns=until_ns, role=role, recalls=recalls)

    def recalls(self) -> dict[str, int]:
        """Point -> steady time until which it is held, of those whose alarms are recalled."""
        return {name: held.until_ns for name, held in self._held.items() if held.recalls}

    def release(self, point: str) -> None:
        """From the next scan on it is measured again."""
        self._held.pop(point)

    def end(self, t_ns: int) -> None:
        """Forget what has ended by a time."""
        self._held = {name: held for name, held in self._held.items() if t_ns < held.until_ns}

    def feed(self, t_ns: Ints, readings: dict[str, Column]) -> None:
        """Puts what is held into the readings of [n] scans."""
        if not self._held:
            return
        for name, held in self._held.items():
            readings[name] = _put(readings[name], held, t_ns)
        self.end(int(t_ns[-1]))

    def shown(self) -> tuple[ByHand, ...]:
        """All of them, by name."""
        return tuple(held.shown for _, held in sorted(self._held.items()))

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            name: {
                "role": held.role,
                "what": held.shown.what,
                "value": held.shown.value,
                "actor": held.shown.actor,
                "reason": held.shown.reason,
                "since": str(held.shown.since_utc_ns),
                "until-utc": str(held.shown.until_utc_ns),
                "until": str(held.until_ns),
                **({"recalls": True} if held.recalls else {}),
            }
            for name, held in self._held.items()
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Go on from a snapshot: held stays held, over a change of wiring too, as long as the point has its role."""
        for name, kept in state.items():
            if self._roles.get(name) == kept["role"]:
                shown = ByHand(
                    point=name,
                    what=kept["what"],
                    value=kept["value"],
                    actor=kept["actor"],
                    reason=kept["reason"],
                    since_utc_ns=int(kept["since"]),
                    until_utc_ns=int(kept["until-utc"]),
                )
                recalls = kept.get("recalls", False)
                until_ns = int(kept["until"])
                self._held[name] = Held(shown=shown, until_ns=until_ns, role=kept["role"], recalls=recalls)


def _put(column: Column, held: Held, t_ns: Ints) -> Column:
    holds = t_ns < held.until_ns
    if held.shown.what == SUBSTITUTED:
        codes = np.where(holds, np.uint8(Reason.SUBSTITUTED), column.codes)
        return Column(values=np.where(holds, held.shown.value or 0.0, column.values), codes=codes)
    codes = np.maximum(column.codes, holds * np.uint8(Reason.FUNCTION_CHECK))
    return Column(values=np.where(is_bad(codes), 0.0, column.values), codes=codes)
