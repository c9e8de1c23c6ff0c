"""What a page's charts draw, as JSON: least and most of many stretches, so that a zoom shows more than paper can."""

import json
from typing import Final

import numpy as np

from brakewater.review.charts import Charts
from brakewater.review.manner import Manner
from brakewater.review.setpoints import setpoints_of
from brakewater.stream import Floats

STRETCHES: Final = 10_000
"""Of a trip: twelve hours in steps of four seconds, and still well below what a mail takes."""
_DIGITS: Final = 5
"""Significant; no sensor has more."""
SAID: Final = ("least-of", "most-of", "chart-whole", "chart-hint")


def chart_data(found: Charts, brake: str, window: tuple[int, int], manner: Manner) -> str:
    """JSON that may stand inside a page.

    Args:
        found: every scan of the window.
        brake: whose quantities.
        window: begin and end by wall time, ns.
        manner: language and units.
    """
    few, words = found.stretches(*window, STRETCHES, manner.units), manner.words
    begin = int(few.utc_ns[0]) // 1_000_000 if len(few.utc_ns) else 0
    lines = [
        {
            "title": words.word(one.quantity),
            "unit": found.unit(one, manner.units),
            "least": _short(few.least[brake, one.quantity]),
            "most": _short(few.most[brake, one.quantity]),
            "limits": [limit.doc() for limit in setpoints_of(found, one, manner.units, words)],
        }
        for one in found.lines
        if one.brake == brake and (brake, one.quantity) in few.least
    ]
    doc = {
        "begin_ms": begin,
        "after_ms": (few.utc_ns // 1_000_000 - begin).tolist(),
        "scans": len(found.utc_ns),
        "lines": lines,
        "zone": manner.zone,
        "words": {name: (words.pages.get(name) or words.papers[name]) for name in SAID},
    }
    return json.dumps(doc, separators=(",", ":")).replace("<", "\\u003c")


def _short(values: Floats) -> list[float | None]:
    return [None if np.isnan(one) else float(f"{one:.{_DIGITS}g}") for one in values.tolist()]
