"""Alarms of a window as bars on one time line, with what people did about them as marks."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from html import escape
from typing import Any, Final

from brakewater.alarms.lifecycle import shown_of
from brakewater.review.standing import HOLDS
from brakewater.wording import ENGLISH, Wording
from brakewater.zoned import exact_of, second

_WIDE, _LEFT, _ROW, _BOTTOM, _LETTERS = 900, 210, 18, 20, 34
_TICKS: Final = 4


@dataclass(slots=True, kw_only=True)
class Row:
    """One alarm: while its condition held, and when a person did something about it."""

    spans: list[tuple[str, str]] = field(default_factory=list)
    marks: list[str] = field(default_factory=list)
    since: str | None = None


def rows_of(events: Sequence[Mapping[str, Any]], begin: str, end: str, stood: Iterable[str] = ()) -> dict[str, Row]:
    """By key of the alarm, in the order they came.

    Args:
        events: of the window, in order; times as UTC text, which sorts as time does.
        begin: of the window.
        end: of the window.
        stood: keys of the alarms that held when it began.
    """
    rows = {key: Row(since=begin) for key in stood}
    for event in events:
        row = rows.setdefault(f"{event['brake'] or 'rig'}.{event['alarm']}", Row())
        was, now = (str(shown_of(event[key])) in HOLDS for key in ("from", "to"))
        if row.since is None and was:
            row.since = begin
        if now and row.since is None:
            row.since = event["t"]
        if not now and row.since is not None:
            row.spans.append((row.since, event["t"]))
            row.since = None
        if event["actor"]:
            row.marks.append(event["t"])
    for row in rows.values():
        if row.since is not None:
            row.spans.append((row.since, end))
    return rows


def time_line(
    rows: Mapping[str, Row],
    commands: Sequence[tuple[int, str]],
    window: tuple[int, int],
    words: Wording = ENGLISH,
    zone: str = "UTC",
) -> str:
    """An SVG: a bar for each span, a stroke for each command.

    Args:
        rows: of ``rows_of``, by what people call each alarm.
        commands: wall time in ns and what it was, beside those that events tell.
        window: begin and end by wall time, ns.
        words: the language.
        zone: of the times that are shown.
    """
    if not rows and not commands:
        return f"<p>{escape(words.word('line-none'))}</p>"
    names = [*rows, *([words.word("commands")] if commands else [])]
    high = len(names) * _ROW + _BOTTOM
    begin, end = (second(at, zone) for at in window)
    x = _across(window)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDE} {high}" role="img" font-family="sans-serif"'
        f' font-size="12"><title>{escape(words.word("line-title", begin=begin, end=end))}</title>'
    )
    parts = [head]
    for at, name in enumerate(names):
        y = at * _ROW
        short = name if len(name) <= _LETTERS else f"{name[: _LETTERS - 1]}…"
        parts.append(
            f'<text x="{_LEFT - 6}" y="{y + 13}" text-anchor="end">{escape(short)}<title>{escape(name)}</title></text>'
            f'<line x1="{_LEFT}" x2="{_WIDE - 10}" y1="{y + _ROW - 0.5}" y2="{y + _ROW - 0.5}" stroke="#ccc"/>'
        )
        if name in rows:
            for a, b in rows[name].spans:
                says = words.word("line-span", name=name, begin=exact_of(a, zone), end=exact_of(b, zone))
                parts.append(_bar(x(_ns(a)), x(_ns(b)), y, says))
            for mark in rows[name].marks:
                says = words.word("line-by-hand", name=name, time=exact_of(mark, zone))
                parts.append(_stroke(x(_ns(mark)), y, says))
        else:
            parts += [_stroke(x(ns), y, f"{second(ns, zone)} {what}") for ns, what in commands]
    return "".join([*parts, _times(window, high, zone), "</svg>"])


def _across(window: tuple[int, int]) -> Any:
    return lambda ns: _LEFT + (ns - window[0]) / max(1, window[1] - window[0]) * (_WIDE - _LEFT - 10)


def _ns(text: str) -> int:
    """Of a time as ``utc_text`` writes it; milliseconds will do for a drawing."""
    return round(datetime.fromisoformat(text).timestamp() * 1e3) * 1_000_000


def _bar(x1: float, x2: float, y: int, says: str) -> str:
    return (
        f'<rect x="{x1:.1f}" y="{y + 4}" width="{max(2.0, x2 - x1):.1f}" height="{_ROW - 7}" fill="#b3111c">'
        f"<title>{escape(says)}</title></rect>"
    )


def _stroke(x: float, y: int, says: str) -> str:
    place = f'x="{x - 1:.1f}" y="{y + 1}" width="2" height="{_ROW - 2}"'
    return f'<rect {place} fill="#111"><title>{escape(says)}</title></rect>'


def _times(window: tuple[int, int], high: int, zone: str) -> str:
    x, marks = _across(window), []
    for tick in range(_TICKS + 1):
        at = window[0] + (window[1] - window[0]) * tick // _TICKS
        anchor = "start" if tick == 0 else "end" if tick == _TICKS else "middle"
        marks.append(f'<text x="{x(at):.1f}" y="{high - 5}" text-anchor="{anchor}">{second(at, zone)[11:]}</text>')
    return "".join(marks)
