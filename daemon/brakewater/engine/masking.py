"""What moves alarms in a block besides their conditions: masks that end, are lifted or follow a contact; re-alarms.

Everything is known at a block's beginning, since only commands lay masks and acknowledge, and commands cut blocks. A
move that has become idle by then has no row in the life cycle's table and changes nothing.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from brakewater.alarms.catalogue import PROTECTED
from brakewater.alarms.lifecycle import TAKEN_OFF, State, Trigger
from brakewater.engine.alarm import Alarm, Laid
from brakewater.engine.lasting import Lasting, Mask
from brakewater.quality import is_good
from brakewater.rig import Rig, Suppression
from brakewater.stream import Block, Column, Ints, MaskNow

_OFF = {mask: trigger for trigger, mask in TAKEN_OFF.items()}
_BEFORE, CONDITION, TRIAL, _AFTER = range(4)
"""Stages of a scan: masks first, then what is real, then tests, then re-alarms."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One alarm, moved at one scan of the block."""

    at: int
    stage: int
    index: int
    trigger: Trigger
    why: str
    laid: tuple[str, int] | None = None
    """With ``suppress``: the basis, and the wall time."""


class Masking:
    """Masks and timers of one rig's alarms."""

    def __init__(self, rig: Rig, alarms: Sequence[Alarm]) -> None:
        self._alarms = alarms
        keys = [alarm.rule.key for alarm in alarms]
        self._rows = rig.suppressions
        self._names_holder = rig.practice.names_holder
        self._lasting = {_name(row): Lasting(row.after_ns) for row in self._rows}
        self._of_row = [[keys.index(key) for key in row.alarms] for row in self._rows]
        self._designed = frozenset(index for indices in self._of_row for index in indices)
        self._under: list[int] | None = None
        """Places of alarms under a mask or a timer; None where one may have come or gone."""

    def stirred(self) -> None:
        """An alarm has moved: which of them are under a mask or a timer has to be looked up again."""
        self._under = None

    def moves(self, block: Block, readings: Mapping[str, Column], gates: Mapping[str, Mask]) -> Iterator[Move]:
        """Every move of the block's scans.

        Args:
            block: the scans.
            readings: by point.
            gates: by brake, [n] whether it is watched.
        """
        if self._under is None:
            self._under = [at for at, alarm in enumerate(self._alarms) if _is_under(alarm)]
        if self._under:
            yield from self._timed(block.t_ns, self._under)
            yield from self._lifted(gates, self._under)
            yield from self._undesigned(self._under)
        if self._rows:
            yield from self._by_design(block, readings)

    def _timed(self, t_ns: Ints, under: Sequence[int]) -> Iterator[Move]:
        for index in under:
            alarm = self._alarms[index]
            for mask, laid in alarm.laid.items():
                if laid.until_ns is not None and laid.until_ns <= t_ns[-1]:
                    at = int(np.searchsorted(t_ns, laid.until_ns))
                    yield Move(at=at, stage=_BEFORE, index=index, trigger=_OFF[mask], why="time-limit")
            due_ns = min(filter(None, (alarm.realarm_ns, alarm.recall_ns)), default=None)
            if due_ns is not None and due_ns <= t_ns[-1]:
                at = int(np.searchsorted(t_ns, due_ns))
                yield Move(at=at, stage=_AFTER, index=index, trigger=Trigger.RE_ALARM, why="re-alarm")

    def _lifted(self, gates: Mapping[str, Mask], under: Sequence[int]) -> Iterator[Move]:
        """With the brake in service nothing hides a protected alarm."""
        for index in under:
            alarm = self._alarms[index]
            if alarm.laid and alarm.rule.kind.name in PROTECTED:
                gate = gates[alarm.rule.brake or ""]
                if gate.any():
                    for mask in alarm.laid:
                        yield Move(
                            at=int(gate.argmax()), stage=_BEFORE, index=index, trigger=_OFF[mask], why="in-service"
                        )

    def _undesigned(self, under: Sequence[int]) -> Iterator[Move]:
        """A row that was taken out of the rig file takes its masks with it: no contact and no person lifts them."""
        for index in under:
            if State.SUPPRESSED in self._alarms[index].laid and index not in self._designed:
                yield Move(at=0, stage=_BEFORE, index=index, trigger=Trigger.UNSUPPRESS, why="design")

    def _by_design(self, block: Block, readings: Mapping[str, Column]) -> Iterator[Move]:
        lasting: dict[str, Mask] = {}
        wanted: dict[int, list[tuple[Mask, str]]] = {}
        for row, indices in zip(self._rows, self._of_row, strict=True):
            name = _name(row)
            if name not in lasting:  # rows of one contact share a timer, which counts a scan once
                column = readings[row.point]
                says = is_good(column.codes) & ((column.values != 0.0) == row.when_on)
                lasting[name] = self._lasting[name].feed(block.t_ns, says)
            for index in indices:
                wanted.setdefault(index, []).append((lasting[name], row.basis))
        for index, rows in wanted.items():
            holds = np.logical_or.reduce([mask for mask, _ in rows])
            now = State.SUPPRESSED in self._alarms[index].laid
            edges = np.flatnonzero(holds != np.concatenate(([now], holds[:-1]))).tolist()
            for at in edges:
                trigger = Trigger.SUPPRESS if holds[at] else Trigger.UNSUPPRESS
                bases = [basis for mask, basis in rows if mask[at] or not self._names_holder]
                laid = (bases[0], int(block.utc_ns[at])) if holds[at] else None
                yield Move(at=at, stage=_BEFORE, index=index, trigger=trigger, why="design", laid=laid)

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {name: lasting.state() for name, lasting in self._lasting.items()}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Go on from a snapshot; rows that are new begin anew."""
        for name, lasting in self._lasting.items():
            if name in state:
                lasting.restore(state[name])


def _name(row: Suppression) -> str:
    return f"{row.point} {'on' if row.when_on else 'off'} {row.after_ns}"


def suppressed(basis: str, utc_ns: int) -> Laid:
    """The mask that the rig file's table lays on."""
    mask = State.SUPPRESSED.value
    return Laid(now=MaskNow(mask=mask, actor=None, reason=basis, since_utc_ns=utc_ns, until_utc_ns=None), until_ns=None)


def _is_under(alarm: Alarm) -> bool:
    return bool(alarm.laid) or alarm.realarm_ns is not None or alarm.recall_ns is not None
