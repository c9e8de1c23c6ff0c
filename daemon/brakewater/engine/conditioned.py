"""From a converted value to one that may be used: age, jump, standstill, trim, damping, and a device that is stuck.

    convert (a pulse counter through its meter) -> sensor range -> age -> jump -> frozen -> trim -> damping -> stuck

A point pays for the stages that its rig file asks for and for no other. Stages that go by the sample use the sample's
own time; damping goes by the scan.
"""

import hashlib
from collections.abc import Mapping
from operator import gt
from typing import Any, Final

import numpy as np

from brakewater.engine.lasting import Mask
from brakewater.engine.sampled import SampleTimes
from brakewater.quality import Codes, Reason, alone, is_bad, reason_of_status
from brakewater.rig import Rig, Slot
from brakewater.signals.damping import Damper
from brakewater.signals.frozen import FreezeWatch, Standstill
from brakewater.signals.jump import JumpFilter
from brakewater.signals.meter import PulseMeter
from brakewater.signals.pulse import Pulse
from brakewater.signals.trim import trimmed
from brakewater.stream import Block, Column, Floats, Ints

_REASON_OF_STATUS: Final = reason_of_status()
_OLD: Final = np.uint8(Reason.OLD)
_ALONE: Final = np.ones(1, np.bool_)
"""A lone scan, where something is so."""
_STUCK: Final = np.uint8(Reason.STUCK_DEVICE)


def beyond(values: Floats, codes: Codes, sensor_range: tuple[float, float] | None) -> tuple[Floats, Codes]:
    """Values and codes, ``OUT_OF_SENSOR_RANGE`` where a value that is not bad lies outside."""
    if sensor_range is None:
        return values, codes
    out = ((values < sensor_range[0]) | (values > sensor_range[1])) & ~is_bad(codes)
    if not np.count_nonzero(out):
        return values, codes
    return np.where(out, 0.0, values), np.where(out, np.uint8(Reason.OUT_OF_SENSOR_RANGE), codes)


def _aged(column: Column, late: Mask) -> Column:
    if len(late) == 1:  # it is late, else it would not be told of; the same of a lone scan, only quicker
        return column if column.codes.item() >= _OLD else Column(values=column.values, codes=alone(Reason.OLD))
    return Column(values=column.values, codes=np.maximum(column.codes, late * _OLD))


class _Stages:
    """The stages of one point."""

    def __init__(self, slot: Slot) -> None:
        point, asked = slot.point, slot.point.conditioning
        self.slot = slot
        self._words = slice(slot.column, slot.column + point.count)
        self._meter = PulseMeter(point.signal) if isinstance(point.signal, Pulse) else None
        self._range = asked.sensor_range
        self._jump = JumpFilter(asked.jump) if asked.jump else None
        self._freeze = FreezeWatch(asked.standstill) if asked.standstill else None
        self._trim = asked.trim
        self._damper = Damper(asked.damping) if asked.damping else None
        self.definition = hashlib.sha256(repr(point.definition).encode()).hexdigest()[:16]
        kept = {"meter": self._meter, "jump": self._jump, "freeze": self._freeze, "damper": self._damper}
        self._kept = {name: stage for name, stage in kept.items() if stage is not None}

    @property
    def any(self) -> bool:
        """Whether there is anything to do."""
        return bool(self._kept) or self._trim is not None

    def feed(self, block: Block, taken_ns: Ints, late: Mask | None, column: Column) -> Column:
        """The column after all stages; ``late`` where the reading is too old."""
        values, codes = column.values, column.codes
        if self._meter:
            values, codes = self._meter.feed(values, codes, taken_ns)
            values, codes = beyond(values, codes, self._range)
        if late is not None:
            codes = np.maximum(codes, late * _OLD)
        if self._jump:
            values, codes = self._jump.feed(values, codes, taken_ns)
        if self._freeze:
            codes = self._freeze.feed(block.words[:, self._words], codes, taken_ns)
            values = np.where(is_bad(codes), 0.0, values)
        if self._trim:
            values, codes = trimmed(self._trim, values, codes)
        if self._damper:
            values, codes = self._damper.feed(values, codes, block.t_ns)
        return Column(values=values, codes=codes)

    def state(self) -> dict[str, Any]:
        return {"definition": self.definition, **{name: stage.state() for name, stage in self._kept.items()}}

    def restore(self, state: Mapping[str, Any]) -> None:
        if state["definition"] == self.definition:
            for name, stage in self._kept.items():
                stage.restore(state[name])


class _Beat:
    """The heartbeat of one device, and the points that die with it."""

    def __init__(self, rig: Rig, slot: Slot, stuck_ns: int) -> None:
        self.slot = slot
        self.points = [point.name for point in rig.points if point.device == slot.point.device]
        self.definition = hashlib.sha256(repr((slot.point.definition, stuck_ns)).encode()).hexdigest()[:16]
        self._words = slice(slot.column, slot.column + slot.point.count)
        self.watch = FreezeWatch(Standstill(frozen_ns=stuck_ns))

    def feed(self, block: Block, taken_ns: Ints) -> Mask:
        polled = _REASON_OF_STATUS[block.status[:, self.slot.index]]
        stuck: Mask = self.watch.feed(block.words[:, self._words], polled, taken_ns) == Reason.FROZEN
        return stuck


class Conditioner:
    """All points of a rig."""

    def __init__(self, rig: Rig) -> None:
        self._aged = [slot for slot in rig.slots if slot.point.most_age_ns is not None]
        least = np.full(len(rig.groups), np.iinfo(np.int64).max, np.int64)
        for slot in self._aged:
            least[slot.group] = min(int(least[slot.group]), slot.point.most_age_ns or 0)
        self._least_age_ns, self._least_ages = least, least.tolist()
        made = [_Stages(slot) for slot in rig.slots]
        self._stages = {stages.slot.point.name: stages for stages in made if stages.any}
        stuck_ns = {device.name: device.stuck_after for device in rig.devices}
        self._beats = {
            slot.point.device: _Beat(rig, slot, stuck_ns[slot.point.device])
            for slot in rig.slots
            if slot.point.role == "heartbeat"
        }
        groups = [stages.slot.group for stages in self._stages.values()]
        self._times = SampleTimes(rig, [*groups, *[beat.slot.group for beat in self._beats.values()]])

    def feed(self, block: Block, readings: dict[str, Column]) -> dict[str, Mask]:
        """Puts every reading right where it stands, and tells for each device with a heartbeat where it is stuck."""
        late = self._late(block)
        taken = self._times.feed(block)
        for name, mask in late.items():
            if name not in self._stages:
                readings[name] = _aged(readings[name], mask)
        for name, stages in self._stages.items():
            readings[name] = stages.feed(block, taken[stages.slot.group], late.get(name), readings[name])
        stuck = {device: beat.feed(block, taken[beat.slot.group]) for device, beat in self._beats.items()}
        for device, mask in stuck.items():
            if np.count_nonzero(mask):
                for name in self._beats[device].points:
                    codes = np.maximum(readings[name].codes, mask * _STUCK)
                    readings[name] = Column(values=np.where(is_bad(codes), 0.0, readings[name].values), codes=codes)
        return stuck

    def _late(self, block: Block) -> dict[str, Mask]:
        """Where readings are older than they may be; nothing of those that never are."""
        if len(block) == 1:
            ages = block.age_ns[0].tolist()
            if not any(map(gt, ages, self._least_ages)):
                return {}
            return {slot.point.name: _ALONE for slot in self._aged if ages[slot.group] > (slot.point.most_age_ns or 0)}
        if not np.count_nonzero(block.age_ns > self._least_age_ns):
            return {}
        found = {slot.point.name: block.age_ns[:, slot.group] > (slot.point.most_age_ns or 0) for slot in self._aged}
        return {name: mask for name, mask in found.items() if mask.any()}

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "times": self._times.state(),
            "points": {name: stages.state() for name, stages in self._stages.items()},
            "beats": {
                device: {"definition": beat.definition, "watch": beat.watch.state()}
                for device, beat in self._beats.items()
            },
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Go on from a snapshot: each point and device by its definition."""
        self._times.restore(state["times"])
        for name, stages in self._stages.items():
            if name in state["points"]:
                stages.restore(state["points"][name])
        for device, beat in self._beats.items():
            kept = state["beats"].get(device)
            if kept is not None and kept["definition"] == beat.definition:
                beat.watch.restore(kept["watch"])
