"""A plan as one page that needs nothing beside itself, and as a line of blocks for a terminal."""

from collections.abc import Sequence
from html import escape
from typing import Final

import numpy as np

from brakewater.physics.uncertainty import COVERAGE
from brakewater.review.band_chart import band_chart
from brakewater.review.planning import Planned
from brakewater.review.trip_page import STYLE
from brakewater.rig import Rig
from brakewater.stream import Floats
from brakewater.units import Dimension, shown

CAUTION: Final = (
    "A plan by lumped models, not a permission. The maker's manual, its limits, local rules and licensed practice stand"
    " above it; watch the water while you trip."
)
_BLOCKS: Final = " ▁▂▃▄▅▆▇█"
_PLAIN: Final = " .:-=+*#@"


def sparkline(values: Floats, width: int = 60, *, plain: bool = False) -> str:
    """The highest of each of ``width`` stretches of [n] values as blocks, lowest value to highest."""
    parts = np.array([part.max() for part in np.array_split(values, min(width, len(values)))])
    low, high = float(parts.min()), float(parts.max())
    marks = _PLAIN if plain else _BLOCKS
    steps = np.rint((parts - low) / ((high - low) or 1.0) * (len(marks) - 2)).astype(int) + 1
    return "".join(marks[step] for step in steps.tolist())


def plan_page(rig: Rig, found: Planned, sentences: Sequence[str]) -> str:
    """HTML with what the plan says and its courses, each with its band at k = 2 and its limit."""
    outcome, run = found.outcome, found.outcome.course
    t_ns = (run.seconds * 1e9).astype(np.int64)
    charts = [
        _chart(rig, "Outlet", t_ns, run.outlet_degc, outcome.outlet_std_k, found.brake.outlet_limit),
        _chart(rig, "Tank, which is the inlet", t_ns, run.tank_degc, outcome.tank_std_k, found.brake.inlet_limit),
    ]
    if found.plan.rotor is not None:
        charts.append(_chart(rig, "Rotor's skin", t_ns, run.rotor_degc, outcome.rotor_std_k, None))
    heat, unit = shown(run.put_in_w, Dimension.POWER, rig.units)
    charts.append(band_chart(f"Put into the brake, {unit}", t_ns, np.zeros_like(heat), heat))
    title = f"{rig.name}, brake {found.brake.name}: plan of a trip in"
    figures = "".join(f"<figure>{chart}</figure>" for chart in charts)
    told = "".join(f"<p>{escape(sentence)}</p>" for sentence in sentences)
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f'<meta name="viewport" content="width=device-width"><style>{STYLE}</style></head>'
        f"<body><h1>{escape(title)}</h1>{told}<h2>Courses</h2><p>Bands are"
        " the stated uncertainty (k = 2); time is from the first stand on;"
        f" the dashed line is the limit.</p>{figures}<footer>{CAUTION}</footer></body></html>\n"
    )


def _chart(rig: Rig, title: str, t_ns: "np.ndarray[tuple[int], np.dtype[np.int64]]", values: Floats, std: Floats,
           limit: float | None) -> str:  # fmt: skip
    low, unit = shown(values - COVERAGE * std, Dimension.TEMPERATURE, rig.units)
    high, _ = shown(values + COVERAGE * std, Dimension.TEMPERATURE, rig.units)
    at = None if limit is None else shown(limit, Dimension.TEMPERATURE, rig.units)[0]
    return band_chart(f"{title}, {unit}", t_ns, low, high, limit=at)
