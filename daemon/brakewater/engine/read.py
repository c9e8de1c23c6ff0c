"""Raw words of a block to readings. Points of one kind are converted together, since each call has its price."""

from collections.abc import Iterable, Sequence
from functools import cached_property, lru_cache
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from brakewater.engine.conditioned import beyond
from brakewater.quality import Status, alone
from brakewater.rig import Slot
from brakewater.signals.convert import AnySignal, Register, convert
from brakewater.signals.lone import Reading, reading
from brakewater.signals.pulse import Pulse
from brakewater.signals.words import BITS_OF_A_REGISTER
from brakewater.stream import Block, Codes, Column, Floats, Words

_D = TypeVar("_D", np.uint8, np.uint16)
Range = tuple[float, float]
_MANY: Final = 4096
"""Scans of a block from which on a table is worth its making: 65,536 conversions and 0.6 MB, shared by all engines."""


@lru_cache(maxsize=32)
def _table(register: Register, signal: AnySignal, sensor_range: Range | None) -> tuple[Floats, Codes]:
    """Value and code of everything that one register can hold: looked up, a block takes a sixth of the time."""
    every = np.arange(1 << BITS_OF_A_REGISTER, dtype=np.uint16).reshape(-1, 1)
    return beyond(*convert(register, signal, every, np.zeros(len(every), np.uint8)), sensor_range)


class _Alike:
    """Points with the same data type, the same signal and the same range of their sensor."""

    def __init__(self, slots: Sequence[Slot]) -> None:
        self._slots = slots
        point = self._point = slots[0].point
        is_count = isinstance(point.signal, Pulse)  # no flow yet: its range is looked at after its meter
        self._range = None if is_count else point.sensed
        self._parts = [slice(slot.column, slot.column + slot.point.count) for slot in slots]

    @cached_property
    def reading(self) -> Reading | None:
        """Reads a lone scan; made when the first one comes, as a replay has hardly any."""
        return reading(self._point.register, self._point.signal, self._range)

    def __reduce__(self) -> tuple[type["_Alike"], tuple[Sequence[Slot]]]:
        """For a copy: what reads a lone scan is made anew."""
        return (_Alike, (self._slots,))

    def read(self, block: Block, *, answered: bool) -> list[Column]:
        """A column a point; ``answered`` where no poll failed."""
        words = [block.words[:, part] for part in self._parts]
        if answered and len(block) >= _MANY and all(map(_stands, words)):
            return self._standing(words, block.status[:1], len(block))
        if answered and len(block) >= _MANY and self._point.count == 1:
            return [self._looked_up(one[:, 0]) for one in words]
        return self.convert(_stacked(words), _stacked([block.status[:, slot.index] for slot in self._slots]))

    def _standing(self, words: list[Words], status: Codes, n: int) -> list[Column]:
        """Of points that say the same all through a block, as most contacts do: told once."""
        polls = [status[:, slot.index] for slot in self._slots]
        once = self.convert(_stacked([one[:1] for one in words]), _stacked(polls))
        pairs = [(one.values.item(), one.codes.item()) for one in once]
        return [Column(values=np.full(n, value), codes=np.full(n, code, np.uint8)) for value, code in pairs]

    def _looked_up(self, register: NDArray[np.uint16]) -> Column:
        values, codes = _table(self._point.register, self._point.signal, self._range)
        at = register.astype(np.intp)
        return Column(values=values.take(at), codes=codes.take(at))

    def convert(self, words: Words, status: Codes) -> list[Column]:
        """A column each of points whose words and status are given one below the other."""
        values, codes = beyond(*convert(self._point.register, self._point.signal, words, status), self._range)
        n = len(status) // len(self._slots)
        rows = zip(values.reshape(-1, n), codes.reshape(-1, n), strict=True)
        return [Column(values=row, codes=code) for row, code in rows]


def _stands(words: Words) -> bool:
    return all(register[0] == register[-1] and bool((register == register[0]).all()) for register in words.T)


def _stacked(columns: list[NDArray[_D]]) -> NDArray[_D]:
    return columns[0] if len(columns) == 1 else np.concatenate(columns)


class _Lone:
    """Scans that come one at a time: only a point whose words or answer have changed is converted again."""

    def __init__(self, slots: Sequence[Slot]) -> None:
        self._names = [slot.point.name for slot in slots]
        self._alike = [_Alike([slot]) for slot in slots]
        self._parts = [slice(slot.column, slot.column + slot.point.count) for slot in slots]
        self._place_of_word = [place for place, slot in enumerate(slots) for _ in range(slot.point.count)]
        self._words: list[int] = []
        self._status = b""
        self._columns: dict[str, Column] = {}
        """Of the last lone scan."""

    def read(self, words: list[int], status: bytes) -> dict[str, Column]:
        """Point name -> column of one scan, in the order of the rig."""
        for place in self._changed(words, status):
            self._columns[self._names[place]] = self._made(place, words[self._parts[place]], status[place])
        self._words, self._status = words, status
        return self._columns.copy()

    def _changed(self, words: list[int], status: bytes) -> Iterable[int]:
        if not self._columns:
            return range(len(self._names))
        places = self._place_of_word
        changed = {places[at] for at, (old, new) in enumerate(zip(self._words, words, strict=True)) if old != new}
        if status != self._status:
            changed.update(at for at, (old, new) in enumerate(zip(self._status, status, strict=True)) if old != new)
        return changed

    def _made(self, place: int, words: list[int], status: int) -> Column:
        alike = self._alike[place]
        told = alike.reading(words) if alike.reading and status == Status.OK else None
        if told is not None:
            return Column(values=np.array(told[:1]), codes=alone(told[1]))
        return alike.convert(np.array([words], np.uint16), np.array([status], np.uint8))[0]


class Reader:
    """All points of a rig."""

    def __init__(self, slots: Sequence[Slot]) -> None:
        alike: dict[object, list[Slot]] = {}
        for slot in slots:
            point = slot.point
            alike.setdefault((point.register, point.signal, point.sensed), []).append(slot)
        self._groups = [(tuple(slot.point.name for slot in group), _Alike(group)) for group in alike.values()]
        self._names = [slot.point.name for slot in slots]
        self._lone = _Lone(slots)

    def read(self, block: Block) -> dict[str, Column]:
        """Point name -> column, in the order of the rig."""
        if len(block) == 1:
            return self._lone.read(block.words[0].tolist(), block.status[0].tobytes())
        answered = not np.count_nonzero(block.status)
        found = {
            name: column
            for names, group in self._groups
            for name, column in zip(names, group.read(block, answered=answered), strict=True)
        }
        return {name: found[name] for name in self._names}
