"""The course of a loop check, guided at a terminal or from a list: inject, read n scans, as found, adjust, as left."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from time import monotonic
from typing import Final

from brakewater.cli.expected import ExpectError
from brakewater.cli.injected import Injection, injection, suggestion
from brakewater.cli.reach import Reach
from brakewater.errors import DeviceError
from brakewater.field import spans
from brakewater.field.seen import converted, in_unit, unit_of
from brakewater.quality import Quality, quality, reason_name
from brakewater.review.loop_sheet import Part, Step, passes, settled, ways
from brakewater.rig import SELF, Point, Rig
from brakewater.signals.convert import Bit
from brakewater.signals.pulse import Pulse
from brakewater.wording import ENGLISH

_STOP: Final = ("q", "quit", "stop")
_NEAR: Final = 0.02
"""Share of the span within which another point has come to what is injected; an assumption."""
_AGAIN: Final = 5
"""Times that a value which still moves is read anew: a transmitter damps over seconds; an assumption."""


class StoppedError(Exception):
    """The tech stopped, or the check did; nothing is kept. The text says what there is to say."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """What a check needs."""

    rig: Rig
    point: Point
    ends: tuple[float, float]
    tolerance: float
    scans: int
    reach: Reach
    ask: Callable[[str], str]
    tell: Callable[[str], None]
    pause: Callable[[float], None]
    _before: dict[str, float] = field(default_factory=dict, init=False)
    """What the points of the same kind read when the check began, SI."""
    _last: list[float] = field(default_factory=list, init=False)
    """What was injected so far, SI."""
    _as_watched: list[bool] = field(default_factory=list, init=False)
    """Whether the watch has the point as this rig file does, of the first reading."""

    def guided(self, percents: Sequence[float]) -> tuple[list[Step], bool]:
        """Steps, and whether something was adjusted; returns once the tech says that the loop is whole again.

        Raises:
            StoppedError: the tech stopped, or the check did.
        """
        self._before.update(self._others())
        try:
            found = self._guided(percents)
        except StoppedError:
            self._reconnected()
            raise
        self._reconnected()
        return found

    def _guided(self, percents: Sequence[float]) -> tuple[list[Step], bool]:
        steps = self._part("as-found", percents)
        answer = self.ask("press Enter if nothing is adjusted; else adjust, then type a for as-left: ")
        if answer.strip().lower() in _STOP:
            raise StoppedError
        if not answer.strip().lower().startswith("a"):
            return steps, False
        return [*steps, *self._part("as-left", percents)], True

    def listed(self, injections: Sequence[Injection], reconnect_s: float) -> tuple[list[Step], bool]:
        """Steps of a list, and whether it has as-left ones; then there is so long to connect the loop again.

        Raises:
            StoppedError: the check stopped.
        """
        self._before.update(self._others())
        steps: list[Step] = []
        for part in ("as-found", "as-left"):
            mine = [one for one in injections if one.part == part]
            for one, way in zip(mine, ways([each.value for each in mine]), strict=True):
                self.pause(one.wait_s)
                steps.append(self._step(one.part, way, one.said, one.value))
        if reconnect_s:
            self.tell(f"connect the loop again within {reconnect_s:g} s")
            self.pause(reconnect_s)
        if self.reach.watches and self.reach.checks(self.point):
            is_held, shown = self._reads_now()
            if is_held:
                self.tell(
                    f"  {self.point.name} still reads {shown}, as injected last: the watch believes it from now on"
                )
            else:
                self.tell(f"  {self.point.name} reads {shown}")
        return steps, any(one.part == "as-left" for one in injections)

    def _reconnected(self) -> None:
        """Ask until the loop is whole again, and say what it reads: once the check is over the watch believes it."""
        if self.reach.watches and self.reach.checks(self.point):
            self.ask("connect the loop again, then press Enter: from then on the watch believes what it shows ")
            is_held, shown = self._reads_now()
            if is_held:
                self.ask(
                    f"{self.point.name} still reads {shown}, as injected last: is the calibrator off and the loop"
                    " whole? Then press Enter; the watch believes it from then on "
                )
                _, shown = self._reads_now()
            self.tell(f"  {self.point.name} reads {shown}")

    def _reads_now(self) -> tuple[bool, str]:
        """Whether a fresh reading is what was injected last, of a contact never; and the reading for people."""
        seen = self.reach.reading(self.point, monotonic())
        number, code = converted(self.point, seen.words, seen.status)
        is_held = (
            bool(self._last)
            and not isinstance(self.point.signal, Bit)
            and quality(code) is not Quality.BAD
            and abs(number - self._last[-1]) <= self.tolerance
        )
        return is_held, self._shown(number, code)

    def _shown(self, number: float, code: int) -> str:
        return self._shown_of(self.point, number, code)

    def _shown_of(self, point: Point, number: float, code: int) -> str:
        if quality(code) is Quality.BAD:
            return f"nothing good: {ENGLISH.reason(reason_name(code))}"
        if isinstance(point.signal, Bit):
            return "on" if number else "off"
        return f"{in_unit(number, point, self.rig.units):.5g} {unit_of(point, self.rig.units)}".strip()

    def _part(self, part: Part, percents: Sequence[float]) -> list[Step]:
        said: list[tuple[str, float]] = []
        steps: list[Step] = []
        for percent in percents:
            said.append(self._injected(part, percent))
            way = ways([value for _, value in said])[-1]
            steps.append(self._step(part, way, *said[-1]))
        return steps

    def _injected(self, part: Part, percent: float) -> tuple[str, float]:
        """Asked until it can be read."""
        wanted, wire = suggestion(self.point, percent, self.ends, self.rig.units)
        while True:
            hint = f" ({wire})" if wire else ""
            answer = self.ask(
                f"{part} {percent:g} %: inject {wanted}{hint}; what is injected? [Enter: {wanted}] "
            ).strip()
            if answer.lower() in _STOP:
                raise StoppedError
            try:
                return answer or wanted, injection(self.point, answer or wanted, self.ends)
            except ExpectError as error:
                self.tell(str(error))

    def _step(self, part: Part, way: str, said: str, value: float) -> Step:
        """Read until it has settled, a few times at most."""
        step = self._read(part, way, said, value)
        for _ in range(_AGAIN):
            if settled(step, self.tolerance):
                break
            self.tell(f"  it moves, by {self._difference(step.moved)} while it was read; reading once more")
            step = self._read(part, way, said, value)
        self.tell(self._line(step))
        if not passes(step, self.tolerance):
            self._tell_elsewhere(value)
        return step

    def _difference(self, si: float) -> str:
        unit = unit_of(self.point, self.rig.units)
        factor = in_unit(1.0, self.point, self.rig.units) - in_unit(0.0, self.point, self.rig.units)
        return f"{abs(si * factor):.3g} {unit}".strip()

    def _read(self, part: Part, way: str, said: str, value: float) -> Step:
        self._last.append(value)
        readings: list[float] = []
        worst = 0
        since: float | None = monotonic()
        for _ in range(self.scans):
            seen = self.reach.reading(self.point, since)
            since = None
            self._hold_against_watch(as_watched=seen.judged is not None)
            # By conversion alone: the engine calls a point under check by what it is, a function check.
            number, code = converted(self.point, seen.words, seen.status)
            worst = max(worst, code)
            if quality(code) is not Quality.BAD:
                readings.append(number)
        if not self.reach.checks(self.point):
            raise StoppedError(
                f"the function check of {self.point.name} is over, by its --minutes or by somebody's check-end: what is"
                " injected counts as measured. Connect the loop again now; then begin anew"
            )
        return Step(
            part=part, way="down" if way == "down" else "up", said=said, injected=value, readings=tuple(readings),
            worst=worst,
        )  # fmt: skip

    def _hold_against_watch(self, *, as_watched: bool) -> None:
        """Say once that the watch has another definition of the point.

        Raises:
            StoppedError: it took one since the first reading.
        """
        name = self.point.name
        if not self.reach.watches or self._as_watched == [as_watched]:
            return
        if self._as_watched:
            self.tell(
                f"the watch took another definition of {name} in the midst of the check: what was read before and after"
                " is not one loop"
            )
            raise StoppedError("begin anew, with the rig file that is watched")
        self._as_watched.append(as_watched)
        if not as_watched:
            self.tell(
                f"the watch has {name} otherwise than this rig file: what is proved is the point of this file, and the"
                " watch goes on by its own until brakewater reload"
            )

    def _others(self) -> dict[str, float]:
        """What reads well of the points that measure the same kind of thing, SI; nothing where they cannot be asked."""
        alike = [
            one
            for one in self.rig.points
            if one.device != SELF and one != self.point and spans.dimension(one) is spans.dimension(self.point)
            and isinstance(one.signal, Bit) is isinstance(self.point.signal, Bit) and not isinstance(one.signal, Pulse)
        ]  # fmt: skip
        try:
            read = self.reach.scan(alike) if alike else []
        except DeviceError:  # the watch has another of them than this rig file: this one can be checked all the same
            return {}
        told = {seen.point.name: converted(seen.point, seen.words, seen.status) for seen in read}
        return {name: number for name, (number, code) in told.items() if quality(code) is not Quality.BAD}

    def _tell_elsewhere(self, value: float) -> None:
        """What is injected may have come in at another point: two loops, or two devices, are swapped."""
        near = max(self.tolerance, _NEAR * abs(self.ends[1] - self.ends[0]))
        for name, number in self._others().items():
            before = self._before.get(name)
            if abs(number - value) <= near and (before is None or abs(before - value) > near):
                other = next(one for one in self.rig.points if one.name == name)
                believed = " The watch takes that for measured" if self.reach.watches else ""
                self.tell(
                    f"  but {name} has come to what is injected, {self._shown_of(other, number, 0)}: are the two loops"
                    f" swapped?{believed}"
                )

    def _line(self, step: Step) -> str:
        if step.mean is None or step.error is None:
            return f"  no good reading: {ENGLISH.reason(reason_name(step.worst))}"
        if isinstance(self.point.signal, Bit):
            seen = "on" if step.mean == 1.0 else "off" if step.mean == 0.0 else "on and off by turns"
            return f"  read {seen}: {'as it should' if step.error == 0.0 else 'NOT as it should'}"
        shown = self._shown(step.mean, 0)
        share = step.error / abs(self.ends[1] - self.ends[0])
        note = "" if not step.worst else f", {ENGLISH.reason(reason_name(step.worst))}"
        if not settled(step, self.tolerance):
            moves = self._difference(step.moved)
            return f"  read {shown}, error {share:+.3%} of span{note}: NOT settled, it moves by {moves}"
        within = "within" if passes(step, self.tolerance) else "OUT OF"
        return f"  read {shown}, error {share:+.3%} of span{note}: {within} tolerance"
