"""One injected value after the other, read until it has settled; the check ends where what is read is no one loop."""

from collections.abc import Callable
from time import monotonic
from typing import Final

from brakewater.cli.loop_neighbours import Neighbours
from brakewater.cli.loop_words import difference_text, step_text, value_text
from brakewater.cli.reach import Reach
from brakewater.field.seen import converted
from brakewater.quality import Quality, quality
from brakewater.review.loop_sheet import Part, Step, Way, passes, settled
from brakewater.rig import Point, Rig
from brakewater.signals.convert import Bit

_AGAIN: Final = 5
"""Times that a value which still moves is read anew: a transmitter damps over seconds; an assumption."""


class StoppedError(Exception):
    """The tech stopped, or the check did; nothing is kept. The text says what there is to say."""


class LoopReader:
    """Reads a point under check."""

    def __init__(
        self,
        rig: Rig,
        point: Point,
        reach: Reach,
        *,
        ends: tuple[float, float],
        tolerance: float,
        scans: int,
        tell: Callable[[str], None],
    ) -> None:
        """Nothing is injected yet: the points of the same kind are read.

        Args:
            rig: has the point.
            point: under check.
            reach: the way to its device.
            ends: values at 0 and 100 %, SI.
            tolerance: a difference, SI.
            scans: readings a step.
            tell: for the tech.
        """
        self.point, self.ends, self.units = point, ends, rig.units
        self._reach, self._tolerance, self._scans, self._tell = reach, tolerance, scans, tell
        self._neighbours = Neighbours(rig, point, reach)
        self._injected: float | None = None
        """Last, SI."""
        self._is_as_watched: bool | None = None
        """Whether the watch has the point as this rig file does; None before the first reading."""

    @property
    def is_watched(self) -> bool:
        """Whether a watch goes by what the point shows once the check is over."""
        return self._reach.watches and self._reach.checks(self.point)

    def step(self, part: Part, way: Way, said: str, value: float) -> Step:
        """Read until it has settled, a few times at most, and tell what came of it.

        Raises:
            StoppedError: the check is over, or the watch took another definition of the point.
        """
        step = self._read(part, way, said, value)
        for _ in range(_AGAIN):
            if settled(step, self._tolerance):
                break
            moves = difference_text(self.point, step.moved, self.units)
            self._tell(f"  it moves, by {moves} while it was read; reading once more")
            step = self._read(part, way, said, value)
        self._tell(f"  {step_text(step, self.point, self.ends, self._tolerance, self.units)}")
        if not passes(step, self._tolerance):
            self._tell_elsewhere(value)
        return step

    def now(self) -> tuple[bool, str]:
        """Whether a fresh reading is what was injected last, of a contact never; and the reading for people."""
        seen = self._reach.reading(self.point, monotonic())
        number, code = converted(self.point, seen.words, seen.status)
        is_held = (
            self._injected is not None
            and not isinstance(self.point.signal, Bit)
            and quality(code) is not Quality.BAD
            and abs(number - self._injected) <= self._tolerance
        )
        return is_held, value_text(self.point, number, code, self.units)

    def _read(self, part: Part, way: Way, said: str, value: float) -> Step:
        self._injected = value
        readings: list[float] = []
        worst = 0
        since: float | None = monotonic()
        for _ in range(self._scans):
            seen = self._reach.reading(self.point, since)
            since = None
            self._hold_against_watch(is_as_watched=seen.judged is not None)
            # By conversion alone: the engine calls a point under check by what it is, a function check.
            number, code = converted(self.point, seen.words, seen.status)
            worst = max(worst, code)
            if quality(code) is not Quality.BAD:
                readings.append(number)
        if not self._reach.checks(self.point):
            raise StoppedError(
                f"the function check of {self.point.name} is over, by its --minutes or by somebody's check-end: what is"
                " injected counts as measured. Connect the loop again now; then begin anew"
            )
        return Step(part=part, way=way, said=said, injected=value, readings=tuple(readings), worst=worst)

    def _hold_against_watch(self, *, is_as_watched: bool) -> None:
        """Say once that the watch has another definition of the point.

        Raises:
            StoppedError: it took one since the first reading.
        """
        name, before = self.point.name, self._is_as_watched
        if not self._reach.watches or before is is_as_watched:
            return
        if before is not None:
            self._tell(
                f"the watch took another definition of {name} in the midst of the check: what was read before and after"
                " is not one loop"
            )
            raise StoppedError("begin anew, with the rig file that is watched")
        self._is_as_watched = is_as_watched
        if not is_as_watched:
            self._tell(
                f"the watch has {name} otherwise than this rig file: what is proved is the point of this file, and the"
                " watch goes on by its own until brakewater reload"
            )

    def _tell_elsewhere(self, value: float) -> None:
        """What is injected may have come in at another point: two loops, or two devices, are swapped."""
        span = abs(self.ends[1] - self.ends[0])
        believed = " The watch takes that for measured" if self._reach.watches else ""
        for other, number in self._neighbours.came_to(value, tolerance=self._tolerance, span=span):
            shown = value_text(other, number, 0, self.units)
            self._tell(
                f"  but {other.name} has come to what is injected, {shown}: are the two loops swapped?{believed}"
            )
