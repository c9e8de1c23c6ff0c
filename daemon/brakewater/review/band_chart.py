"""The least and most of a quantity over time as one self-contained picture."""

from collections.abc import Sequence
from html import escape
from math import ceil, floor, log10
from typing import Final

import numpy as np
from numpy.typing import NDArray

from brakewater.review.setpoints import Frame, Setpoint, drawn, reached
from brakewater.stream import Floats, Ints
from brakewater.wording import ENGLISH
from brakewater.zoned import second

_WIDE, _HIGH, _LEFT, _TOP, _BOTTOM = 900, 170, 60, 24, 20
_TICKS: Final = 4
_MOST_LINES: Final = 5
Measured = Floats | NDArray[np.float32]


def band_chart(
    title: str,
    utc_ns: Ints,
    least: Measured,
    most: Measured,
    *,
    limit: float | None = None,
    setpoints: Sequence[Setpoint] = (),
    nothing: str = ENGLISH.papers["chart-nothing"],
    zone: str = "UTC",
) -> str:
    """An SVG of the band between them; where nothing was good it is open.

    Args:
        title: with the unit.
        utc_ns: [m], rising.
        least: [m]; NaN where unknown.
        most: [m]; NaN at the same places.
        limit: drawn as a dashed line, always inside the picture.
        setpoints: in the unit of the title; drawn with their names where they lie near.
        nothing: said where there is no good value at all.
        zone: of the times below.
    """
    good = ~np.isnan(least)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDE} {_HIGH}" role="img" font-family="sans-serif"'
        f' font-size="12"><title>{escape(title)}</title>'
        f'<text x="{_LEFT}" y="15" font-weight="bold">{escape(title)}</text>'
    )
    if not good.any():
        return f'{head}<text x="{_LEFT}" y="{_HIGH // 2}">{escape(nothing)}</text></svg>'
    low, high = float(np.nanmin(least)), float(np.nanmax(most))
    spans = [span for one in setpoints for span in one.spans(int(utc_ns[0]), int(utc_ns[-1]))]
    low, high = reached(spans, low, high)
    if limit is not None:
        low, high = min(low, limit), max(high, limit)
    room = 0.05 * (high - low) or max(1.0, 0.05 * abs(high))
    x = _LEFT + (utc_ns - utc_ns[0]) / max(1, int(utc_ns[-1] - utc_ns[0])) * (_WIDE - _LEFT - 10)

    scale = -(_HIGH - _TOP - _BOTTOM) / (high - low + 2 * room)
    ground = _HIGH - _BOTTOM - scale * (low - room)
    under, over = (np.asarray(ground + scale * side, np.float64) for side in (least, most))
    bands = "".join(_band(x[part], under[part], over[part]) for part in _known(good))
    dashed = "" if limit is None else _limit(ground + scale * limit, f"{limit:.4g}")
    frame = Frame(
        left=_LEFT, right=_WIDE - 10, top=_TOP, bottom=_HIGH - _BOTTOM, ground=ground, scale=scale,
        begin_ns=int(utc_ns[0]), end_ns=int(utc_ns[-1]),
    )  # fmt: skip
    lines = drawn(spans, frame)
    return f"{head}{_grid(low, high, ground, scale)}{bands}{lines}{dashed}{_times(utc_ns, x, zone)}</svg>"


def _limit(y: float, says: str) -> str:
    return (
        f'<line x1="{_LEFT}" x2="{_WIDE - 10}" y1="{y:.1f}" y2="{y:.1f}" stroke="#a00" stroke-width="1.5"'
        f' stroke-dasharray="6 4"/><text x="{_WIDE - 12}" y="{y - 4:.1f}" text-anchor="end" fill="#a00">{says}</text>'
    )


def _known(good: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> list[slice]:
    """Stretches of good values without a hole."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(np.int8)))
    return [slice(begin, end) for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)]


def _band(x: Floats, under: Floats, over: Floats) -> str:
    there = [f"{at:.1f},{value:.1f}" for at, value in zip(x, over, strict=True)]
    back = [f"{at:.1f},{value:.1f}" for at, value in zip(x[::-1], under[::-1], strict=True)]
    return f'<polygon points="{" ".join([*there, *back])}" fill="#9cc0d8" stroke="#123a55" stroke-width="0.8"/>'


def _grid(low: float, high: float, ground: float, scale: float) -> str:
    lines = []
    for value in _round_values(low, high):
        at = ground + scale * value
        lines.append(
            f'<line x1="{_LEFT}" x2="{_WIDE - 10}" y1="{at:.1f}" y2="{at:.1f}" stroke="#ccc"/>'
            f'<text x="{_LEFT - 6}" y="{at + 4:.1f}" text-anchor="end">{value:.6g}</text>'
        )
    return "".join(lines)


def _round_values(low: float, high: float) -> list[float]:
    """Three to six numbers that people read at once; the number itself where both are the same."""
    if high <= low:
        return [low]
    tenth = 10.0 ** floor(log10((high - low) / 2))
    step = next(times * tenth for times in (1, 2, 5, 10) if (high - low) / (times * tenth) <= _MOST_LINES)
    return [n * step for n in range(ceil(low / step - 1e-9), floor(high / step + 1e-9) + 1)]


def _times(utc_ns: Ints, x: Floats, zone: str) -> str:
    begin, end = int(utc_ns[0]), int(utc_ns[-1])
    marks = []
    for tick in range(_TICKS + 1):
        at = float(x[0] + (x[-1] - x[0]) * tick / _TICKS)
        anchor = "start" if tick == 0 else "end" if tick == _TICKS else "middle"
        label = second(begin + (end - begin) * tick // _TICKS, zone)[11:]
        marks.append(f'<text x="{at:.1f}" y="{_HIGH - 4}" text-anchor="{anchor}">{label}</text>')
    return "".join(marks)
