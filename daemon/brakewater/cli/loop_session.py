"""The course of a loop check, guided at a terminal or from a list: inject, read n scans, as found, adjust, as left."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from brakewater.cli.expected import ExpectError
from brakewater.cli.injected import Injection, injection, suggestion
from brakewater.cli.reach import Reach
from brakewater.field.seen import converted, in_unit, unit_of
from brakewater.quality import Quality, quality, reason_name
from brakewater.review.loop_sheet import Part, Step, ways
from brakewater.rig import Point, Rig
from brakewater.signals.convert import Bit
from brakewater.wording import ENGLISH

_STOP = ("q", "quit", "stop")


class StoppedError(Exception):
    """The tech stopped; nothing is kept."""


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

    def guided(self, percents: Sequence[float]) -> tuple[list[Step], bool]:
        """Steps, and whether something was adjusted.

        Raises:
            StoppedError: the tech stopped.
        """
        steps = self._part("as-found", percents)
        answer = self.ask("press Enter if nothing is adjusted; else adjust, then type a for as-left: ")
        if answer.strip().lower() in _STOP:
            raise StoppedError
        if not answer.strip().lower().startswith("a"):
            return steps, False
        return [*steps, *self._part("as-left", percents)], True

    def listed(self, injections: Sequence[Injection]) -> tuple[list[Step], bool]:
        """Steps of a list, and whether it has as-left ones."""
        steps: list[Step] = []
        for part in ("as-found", "as-left"):
            mine = [one for one in injections if one.part == part]
            for one, way in zip(mine, ways([each.value for each in mine]), strict=True):
                self.pause(one.wait_s)
                steps.append(self._step(one.part, way, one.said, one.value))
        return steps, any(one.part == "as-left" for one in injections)

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
        readings: list[float] = []
        worst = 0
        for _ in range(self.scans):
            (seen,) = self.reach.scan([self.point])
            # By conversion alone: the engine calls a point under check by what it is, a function check.
            number, code = converted(self.point, seen.words, seen.status)
            worst = max(worst, code)
            if quality(code) is not Quality.BAD:
                readings.append(number)
        step = Step(
            part=part, way="down" if way == "down" else "up", said=said, injected=value, readings=tuple(readings),
            worst=worst,
        )  # fmt: skip
        self.tell(self._line(step))
        return step

    def _line(self, step: Step) -> str:
        unit = unit_of(self.point, self.rig.units)
        if step.mean is None or step.error is None:
            return f"  no good reading: {ENGLISH.reason(reason_name(step.worst))}"
        if isinstance(self.point.signal, Bit):
            seen = "on" if step.mean == 1.0 else "off" if step.mean == 0.0 else "on and off by turns"
            return f"  read {seen}: {'as it should' if step.error == 0.0 else 'NOT as it should'}"
        shown = f"{in_unit(step.mean, self.point, self.rig.units):.5g} {unit}".strip()
        share = step.error / abs(self.ends[1] - self.ends[0])
        within = abs(step.error) <= self.tolerance * (1 + 1e-9) and quality(step.worst) is not Quality.BAD
        note = "" if not step.worst else f", {ENGLISH.reason(reason_name(step.worst))}"
        return f"  read {shown}, error {share:+.3%} of span{note}: {'within' if within else 'OUT OF'} tolerance"
