"""Raw words of a block to readings. Points of one kind are converted together, since each call has its price."""

from collections.abc import Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from brakewater.engine.conditioned import beyond
from brakewater.rig import Slot
from brakewater.signals.convert import convert
from brakewater.signals.pulse import Pulse
from brakewater.stream import Block, Codes, Column, Words

_D = TypeVar("_D", np.uint8, np.uint16)


class _Alike:
    """Points with the same data type, the same signal and the same range of their sensor."""

    def __init__(self, slots: Sequence[Slot]) -> None:
        self._slots = slots
        self._point = slots[0].point
        is_count = isinstance(self._point.signal, Pulse)  # no flow yet: its range is looked at after its meter
        self._range = None if is_count else self._point.conditioning.sensor_range
        self._parts = [slice(slot.column, slot.column + slot.point.count) for slot in slots]
        self._asked = b""
        self._answer: list[Column] = []

    def read(self, block: Block) -> list[Column]:
        """A column a point. What a lone scan says again, word for word, is not converted again."""
        words = _stacked([block.words[:, part] for part in self._parts])
        status = _stacked([block.status[:, slot.index] for slot in self._slots])
        if len(block) > 1:
            return self._convert(words, status)
        asked = words.tobytes() + status.tobytes()
        if asked != self._asked:
            self._asked, self._answer = asked, self._convert(words, status)
        return self._answer

    def _convert(self, words: Words, status: Codes) -> list[Column]:
        values, codes = beyond(*convert(self._point.register, self._point.signal, words, status), self._range)
        rows = zip(values.reshape(len(self._slots), -1), codes.reshape(len(self._slots), -1), strict=True)
        return [Column(values=row, codes=code) for row, code in rows]


def _stacked(columns: list[NDArray[_D]]) -> NDArray[_D]:
    return columns[0] if len(columns) == 1 else np.concatenate(columns)


class Reader:
    """All points of a rig."""

    def __init__(self, slots: Sequence[Slot]) -> None:
        alike: dict[object, list[Slot]] = {}
        for slot in slots:
            point = slot.point
            alike.setdefault((point.register, point.signal, point.conditioning.sensor_range), []).append(slot)
        self._groups = [(tuple(slot.point.name for slot in group), _Alike(group)) for group in alike.values()]
        self._order = [slot.point.name for slot in slots]

    def read(self, block: Block) -> dict[str, Column]:
        """Point name -> column, in the order of the rig."""
        found = {
            name: column for names, group in self._groups for name, column in zip(names, group.read(block), strict=True)
        }
        return {name: found[name] for name in self._order}
