"""The device ``self``: what the daemon knows of itself, as register words in each scan."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from struct import Struct
from typing import Final

from brakewater.rig import SELF, Point, Rig
from brakewater.signals.words import RegisterKind

Gauge = Callable[[], int]
"""Reads one figure in the integer unit that its point's registers count in."""

_RANGE: Final = {
    RegisterKind.UINT16: (0, 0xFFFF),
    RegisterKind.INT16: (-0x8000, 0x7FFF),
    RegisterKind.UINT32: (0, 0xFFFF_FFFF),
    RegisterKind.INT32: (-0x8000_0000, 0x7FFF_FFFF),
}
"""What each data type holds; the daemon's own points have no others."""


@dataclass(frozen=True, slots=True)
class _Cell:
    """One point: its gauge, and what its registers can hold."""

    gauge: Gauge
    least: int
    most: int
    wide: bool


class OwnDevice:
    """Answers always, at once."""

    def __init__(self, rig: Rig, gauges: Mapping[str, Gauge]) -> None:
        """Bind gauges to the rig's own points by name.

        Args:
            rig: which points there are.
            gauges: point name -> gauge; a point without one stays at 0.
        """
        points = [slot.point for slot in rig.slots if slot.point.device == SELF]
        self._cells = [_cell(point, gauges.get(point.name, _nothing)) for point in points]
        self._pack = Struct(f"<{sum(point.count for point in points)}H").pack

    def words(self) -> bytes:
        """The words of all its points in rig order, little-endian, each number high word first.

        A figure beyond what its registers hold stays at their end: it never comes round as a small one.
        """
        words: list[int] = []
        for cell in self._cells:
            number = cell.gauge()
            if not cell.least <= number <= cell.most:
                number = cell.least if number < cell.least else cell.most
            if cell.wide:
                words.append(number >> 16 & 0xFFFF)
            words.append(number & 0xFFFF)
        return self._pack(*words)


def _cell(point: Point, gauge: Gauge) -> _Cell:
    least, most = _RANGE[point.register.kind]
    return _Cell(gauge, least, most, point.count == 2)


def _nothing() -> int:
    return 0
