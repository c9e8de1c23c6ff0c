"""The device ``self``: what the daemon knows of itself, as register words in each scan."""

from collections.abc import Callable, Mapping, Sequence

from brakewater.rig import SELF, Rig

Gauge = Callable[[], int]
"""Reads one figure in the integer unit that its point's registers count in."""

_MOST = 0xFFFFFFFF


class OwnDevice:
    """Answers always, at once."""

    def __init__(self, rig: Rig, gauges: Mapping[str, Gauge]) -> None:
        """Bind gauges to the rig's own points by name.

        Args:
            rig: which points there are.
            gauges: point name -> gauge; a point without one stays at 0.
        """
        self._cells: Sequence[tuple[int, Gauge]] = [
            (slot.point.count, gauges.get(slot.point.name, _nothing)) for slot in rig.slots if slot.point.device == SELF
        ]

    def words(self) -> bytes:
        """The words of all its points in rig order, little-endian, each number high word first."""
        return b"".join(_words(gauge(), count) for count, gauge in self._cells)


def _nothing() -> int:
    return 0


def _words(number: int, count: int) -> bytes:
    if count == 1:
        return min(max(number, 0), 0xFFFF).to_bytes(2, "little")
    whole = max(min(number, _MOST), -0x80000000) & _MOST
    return (whole >> 16).to_bytes(2, "little") + (whole & 0xFFFF).to_bytes(2, "little")
