"""Residuals of a fit over time as one self-contained picture."""

from typing import Final

from brakewater.stream import Floats

_WIDE, _HIGH, _MARGIN = 900, 260, 40
_MOST: Final = 1800


def residual_svg(residual_k: Floats) -> str:
    """An SVG of [n] residuals in K, a second apart: thinned to what a page can show."""
    every = max(1, -(-len(residual_k) // _MOST))
    shown = residual_k[::every].tolist()
    top = max(0.1, *(abs(x) for x in shown))
    step = (_WIDE - 2 * _MARGIN) / max(1, len(shown) - 1)
    half = 0.5 * (_HIGH - 2 * _MARGIN)
    middle = 0.5 * _HIGH
    points = " ".join(f"{_MARGIN + at * step:.1f},{middle - x / top * half:.1f}" for at, x in enumerate(shown))
    hours = len(residual_k) / 3600.0
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDE} {_HIGH}" '
        'font-family="sans-serif" font-size="12">'
        f'<rect width="{_WIDE}" height="{_HIGH}" fill="white"/>'
        f'<line x1="{_MARGIN}" y1="{middle}" x2="{_WIDE - _MARGIN}" y2="{middle}" stroke="#888"/>'
        f'<polyline points="{points}" fill="none" stroke="#245" stroke-width="1"/>'
        f'<text x="{_MARGIN}" y="20">outlet recorded less modelled, K; full height {top:.2f} K</text>'
        f'<text x="{_WIDE - _MARGIN}" y="{_HIGH - 12}" text-anchor="end">{hours:.2f} h</text></svg>\n'
    )
