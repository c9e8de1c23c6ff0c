"""What a page's charts draw, as JSON: least and most of many stretches, so that a zoom shows more than paper can."""

import json
from typing import Final

import numpy as np

from brakewater.review.charts import Charts
from brakewater.stream import Floats

STRETCHES: Final = 10_000
"""Of a trip: twelve hours in steps of four seconds, and still well below what a mail takes."""
_DIGITS: Final = 5
"""Significant; no sensor has more."""
TITLES: Final = {
    "inlet-flow": "Flow",
    "inlet-temperature": "Inlet",
    "outlet-temperature": "Outlet",
    "brake-level": "Level",
    "outlet_rise_k": "Rise",
    "heat_w": "Heat load",
    "duty_w": "Duty",
    "cooling_margin": "Cooling margin",
    "rotor_temperature_degc": "Rotor, estimated",
}


def chart_data(found: Charts, brake: str, window: tuple[int, int]) -> str:
    """JSON that may stand inside a page.

    Args:
        found: every scan of the window.
        brake: whose quantities.
        window: begin and end by wall time, ns.
    """
    few = found.stretches(*window, STRETCHES)
    begin = int(few.utc_ns[0]) // 1_000_000 if len(few.utc_ns) else 0
    lines = [
        {
            "title": TITLES.get(one.quantity, one.quantity),
            "unit": found.unit(one),
            "least": _short(few.least[brake, one.quantity]),
            "most": _short(few.most[brake, one.quantity]),
        }
        for one in found.lines
        if one.brake == brake and (brake, one.quantity) in few.least
    ]
    doc = {
        "begin_ms": begin,
        "after_ms": (few.utc_ns // 1_000_000 - begin).tolist(),
        "scans": len(found.utc_ns),
        "lines": lines,
    }
    return json.dumps(doc, separators=(",", ":")).replace("<", "\\u003c")


def _short(values: Floats) -> list[float | None]:
    return [None if np.isnan(one) else float(f"{one:.{_DIGITS}g}") for one in values.tolist()]
