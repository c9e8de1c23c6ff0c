"""Points that measure the same kind of thing as one under check: what is injected may come in at one of them."""

from collections.abc import Iterator
from typing import Final

from brakewater.cli.reach import Reach
from brakewater.errors import DeviceError
from brakewater.field import spans
from brakewater.field.seen import converted
from brakewater.quality import Quality, quality
from brakewater.rig import SELF, Point, Rig
from brakewater.signals.convert import Bit
from brakewater.signals.pulse import Pulse

_NEAR: Final = 0.02
"""Share of the span within which another point has come to what is injected; an assumption."""


class Neighbours:
    """Read when a check begins, before anything is injected, and again where it may have come in elsewhere."""

    def __init__(self, rig: Rig, point: Point, reach: Reach) -> None:
        self._reach = reach
        self._alike = [
            one
            for one in rig.points
            if one.device != SELF and one != point and spans.dimension(one) is spans.dimension(point)
            and isinstance(one.signal, Bit) is isinstance(point.signal, Bit) and not isinstance(one.signal, Pulse)
        ]  # fmt: skip
        self._before = self._read()

    def _read(self) -> dict[str, float]:
        """What reads well of them, SI; nothing where they cannot be asked."""
        try:
            read = self._reach.scan(self._alike) if self._alike else []
        except DeviceError:  # the watch has another of them than this rig file: this one can be checked all the same
            return {}
        told = {seen.point.name: converted(seen.point, seen.words, seen.status) for seen in read}
        return {name: number for name, (number, code) in told.items() if quality(code) is not Quality.BAD}

    def came_to(self, value: float, *, tolerance: float, span: float) -> Iterator[tuple[Point, float]]:
        """Those that have come to what is injected, with what they read; all in SI."""
        near = max(tolerance, _NEAR * span)
        now = self._read()
        for point in self._alike:
            number, before = now.get(point.name), self._before.get(point.name)
            if number is not None and abs(number - value) <= near and (before is None or abs(before - value) > near):
                yield point, number
