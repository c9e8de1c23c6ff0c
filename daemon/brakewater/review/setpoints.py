"""The setpoints that were in force on a charted quantity: as pages draw them, and as lines in a still picture."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Final

from brakewater.alarms.catalogue import CATALOGUE
from brakewater.render import limit_with_unit
from brakewater.review.charts import Charts, Limit, Line
from brakewater.units import shown
from brakewater.wording import Wording

_MILLION: Final = 1_000_000
_REACH: Final = 1.0
"""A setpoint so many heights of the measured away or nearer is drawn in; one beyond is named at the edge."""
_ROW: Final = 13.0
_WIDTH: Final = 5.6
"""Of a letter of its name, about."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setpoint:
    """Of one alarm, in the reader's words and units."""

    alarm: str
    steps: tuple[tuple[int, float | None, str], ...]
    """From when by wall time in ns, to what, and how people say that; None: no such alarm is watched from then on."""

    def doc(self) -> dict[str, Any]:
        """As a page's script takes it."""
        return {"alarm": self.alarm, "steps": [[utc_ns // _MILLION, *said] for utc_ns, *said in self.steps]}

    def spans(self, begin_ns: int, end_ns: int) -> "Iterator[Span]":
        """While it was in force within a window."""
        ends = [*(utc_ns for utc_ns, _, _ in self.steps[1:]), end_ns]
        for (since_ns, value, says), until_ns in zip(self.steps, ends, strict=True):
            since, until = max(begin_ns, since_ns), min(end_ns, until_ns)
            if value is not None and since < until:
                yield Span(since_ns=since, until_ns=until, value=value, says=f"{self.alarm} {says}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A setpoint at one value."""

    since_ns: int
    until_ns: int
    value: float
    says: str


def setpoints_of(found: Charts, line: Line, system: str | None, words: Wording) -> tuple[Setpoint, ...]:
    """Those of the alarms that judge a line.

    Args:
        found: what holds it.
        line: a quantity of a brake.
        system: units, a key of ``units.CREW_UNITS``; None for the crew's.
        words: language.
    """
    return tuple(
        Setpoint(
            alarm=words.alarms[one.alarm],
            steps=tuple(_step(one, at, system or found.units) for at in one.steps),
        )
        for one in found.limits
        if (one.brake, one.quantity) == (line.brake, line.quantity)
    )


def _step(limit: Limit, at: tuple[int, float | None], system: str) -> tuple[int, float | None, str]:
    utc_ns, value = at
    if value is None:
        return utc_ns, None, ""
    kind = CATALOGUE[limit.alarm]
    number = float(shown(value, kind.dimension, system)[0])
    return utc_ns, round(number, 6), limit_with_unit(value, kind.dimension, system, kind.shape)


def reached(spans: Iterable[Span], low: float, high: float) -> tuple[float, float]:
    """How far a picture reaches that shows what was measured and the setpoints near it."""
    far = _REACH * ((high - low) or max(1.0, 0.05 * abs(high)))
    near = [one.value for one in spans if low - far <= one.value <= high + far]
    return min([low, *near]), max([high, *near])


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Where a picture draws: its edges, and the line from a value to its height."""

    left: float
    right: float
    top: float
    bottom: float
    ground: float
    scale: float
    begin_ns: int
    end_ns: int

    def x(self, utc_ns: int) -> float:
        """Of a time."""
        return self.left + (utc_ns - self.begin_ns) / max(1, self.end_ns - self.begin_ns) * (self.right - self.left)


def drawn(spans: Sequence[Span], frame: Frame) -> str:
    """A thin line with its name each; the name of one out of sight stands at the edge with an arrow."""
    taken: list[tuple[float, float, float]] = []
    return "".join(_drawn(one, frame, taken) for one in spans)


def _drawn(one: Span, frame: Frame, taken: list[tuple[float, float, float]]) -> str:
    y, since, until = frame.ground + frame.scale * one.value, frame.x(one.since_ns), frame.x(one.until_ns)
    arrow = "\u2191 " if y < frame.top else "\u2193 " if y > frame.bottom else ""
    says = f"{arrow}{one.says}"
    begin = max(frame.left, min(since, frame.right - _WIDTH * len(says)))
    wanted = y - 3.0 if y - 3.0 >= frame.top + _ROW - 1.0 else max(y, frame.top) + _ROW - 2.0
    base = _free(min(wanted, frame.bottom - 3.0), begin, len(says) * _WIDTH, frame, taken)
    line = "" if arrow else f'<path d="M{since:.1f} {y:.1f}H{until:.1f}" stroke="#a00" stroke-width="1" fill="none"/>'
    return f'{line}<text x="{begin + 4:.1f}" y="{base:.1f}" font-size="11" fill="#a00">{escape(says)}</text>'


def _free(base: float, begin: float, wide: float, frame: Frame, taken: list[tuple[float, float, float]]) -> float:
    """The nearest row towards the middle that no other name has."""
    step = -_ROW if base > (frame.top + frame.bottom) / 2 else _ROW
    while frame.top < base < frame.bottom and any(
        abs(other - base) < _ROW and begin < end and start < begin + wide for other, start, end in taken
    ):
        base += step
    taken.append((base, begin, begin + wide))
    return base
