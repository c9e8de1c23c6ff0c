"""The course of a loop check, guided at a terminal or from a list: as found, adjust, as left, and connect it again."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from brakewater.cli.expected import ExpectError
from brakewater.cli.injected import Injection, injection, suggestion
from brakewater.cli.loop_reader import LoopReader, StoppedError
from brakewater.review.loop_sheet import Part, Step, ways

_STOP: Final = ("q", "quit", "stop")


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """Asks the tech, or waits for what a list injects."""

    reader: LoopReader
    ask: Callable[[str], str]
    tell: Callable[[str], None]
    pause: Callable[[float], None]

    def guided(self, percents: Sequence[float]) -> tuple[list[Step], bool]:
        """Steps, and whether something was adjusted; returns once the tech says that the loop is whole again.

        Raises:
            StoppedError: the tech stopped, or the check did.
        """
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
        steps: list[Step] = []
        for part in ("as-found", "as-left"):
            mine = [one for one in injections if one.part == part]
            for one, way in zip(mine, ways([each.value for each in mine]), strict=True):
                self.pause(one.wait_s)
                steps.append(self.reader.step(one.part, way, one.said, one.value))
        if reconnect_s:
            self.tell(f"connect the loop again within {reconnect_s:g} s")
            self.pause(reconnect_s)
        if self.reader.is_watched:
            is_held, shown = self.reader.now()
            believed = ", as injected last: the watch believes it from now on"
            self.tell(f"  {self._name} {'still ' if is_held else ''}reads {shown}{believed if is_held else ''}")
        return steps, any(one.part == "as-left" for one in injections)

    @property
    def _name(self) -> str:
        return self.reader.point.name

    def _reconnected(self) -> None:
        """Ask until the loop is whole again, and say what it reads: once the check is over the watch believes it."""
        if not self.reader.is_watched:
            return
        self.ask("connect the loop again, then press Enter: from then on the watch believes what it shows ")
        is_held, shown = self.reader.now()
        if is_held:
            self.ask(
                f"{self._name} still reads {shown}, as injected last: is the calibrator off and the loop whole? Then"
                " press Enter; the watch believes it from then on "
            )
            _, shown = self.reader.now()
        self.tell(f"  {self._name} reads {shown}")

    def _part(self, part: Part, percents: Sequence[float]) -> list[Step]:
        said: list[tuple[str, float]] = []
        steps: list[Step] = []
        for percent in percents:
            said.append(self._injected(part, percent))
            way = ways([value for _, value in said])[-1]
            steps.append(self.reader.step(part, way, *said[-1]))
        return steps

    def _injected(self, part: Part, percent: float) -> tuple[str, float]:
        """Asked until it can be read."""
        point, ends = self.reader.point, self.reader.ends
        wanted, wire = suggestion(point, percent, ends, self.reader.units)
        while True:
            hint = f" ({wire})" if wire else ""
            answer = self.ask(
                f"{part} {percent:g} %: inject {wanted}{hint}; what is injected? [Enter: {wanted}] "
            ).strip()
            if answer.lower() in _STOP:
                raise StoppedError
            try:
                return answer or wanted, injection(point, answer or wanted, ends)
            except ExpectError as error:
                self.tell(str(error))
