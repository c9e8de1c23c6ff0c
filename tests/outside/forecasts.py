"""How well forecasts of limits keep: ``python tests/outside/forecasts.py`` prints it.

Incidents as ``tests/faults/incidents.py`` draws them, of the causes that lead to each limit. For the inlet the water is
33 degC and the tank half full; for the outlet 56 degC and a quarter full; both are watched for 45 min: else they would
not come to their limits. What the tank holds at the end of a trip is scored beside the plans (``plan.py``).
Truth: when the plant passes the limit. Every second in which a forecast stands (good, less than a day) counts until
then. ``not before``: part of those in which the early bound was at most what was really left, which is what people
are shown (goal 95 %). ``between``: part of those in which the truth lay between early bound and twice the likely time.
``median``: of the likely time's error, against what was left. ``soon, never``: minutes in which less than 10 min were
forecast, likely, of a limit that was not passed within what was watched.
"""

import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from brakewater.engine import Engine
from brakewater.quality import Reason
from brakewater.rig import load
from brakewater_sim.offline import blocks, start_of
from brakewater_sim.story import parse
from brakewater_sim.truth import Truth
from faults.incidents import CLASSES, drawn

CONFIG = Path(__file__).parents[2] / "config"
LIMITS = {"bearing": "time_to_bearing", "inlet": "time_to_inlet_limit", "outlet": "time_to_outlet_limit"}
_WARM = ("hot-day", "small-tank", "cooler-fan-off")
CAUSES = {"bearing": ("choked-return", "collapsed-hose", "valve-opened"), "inlet": _WARM, "outlet": _WARM}
COUNTS = {"bearing": 14, "inlet": 6, "outlet": 4}
WATER = {"inlet": ("33 degC", "16 m3"), "outlet": ("56 degC", "8 m3")}


@dataclass(frozen=True)
class Forecast:
    """[n] each second in which one stood, or none."""

    limit: str
    passed: bool
    left_s: np.ndarray
    likely_s: np.ndarray
    early_s: np.ndarray


def incidents(kind: str, count: int) -> Iterator[str]:
    found = number = 0
    while found < count:
        incident = drawn(number)
        number += 1
        if incident.cause not in CAUSES[kind]:
            continue
        found += 1
        text = incident.text
        if kind in WATER:
            water, tank = WATER[kind]
            text = re.sub(r'length = "[^"]*"', 'length = "2700 s"', text)
            text = re.sub(r'water = "[^"]*"', f'water = "{water}"\ntank = "{tank}"', text)
        yield text


def forecasts(kind: str, count: int) -> Iterator[Forecast]:
    for seed, text in enumerate(incidents(kind, count), 1):
        scenario = parse(text)
        brake = next(name for name in CLASSES if f'brake = "{name}"' in text)
        rig, engine, truth = load(CONFIG / CLASSES[brake]), Engine(), Truth(scenario)
        engine.feed(start_of(rig))
        keys = f"{LIMITS[kind]}_s", f"{LIMITS[kind]}_early_s"
        columns: dict[str, list[np.ndarray]] = {}
        for block in blocks(scenario, rig, seed=seed, watch=truth.see):
            derived = engine.feed(block).derived
            for key in keys:
                column = derived["aux", key]
                values = np.where(column.codes == Reason.GOOD, column.values, np.nan)
                columns.setdefault(key, []).append(values[4::5])
        likely, early = (np.concatenate(columns[key]) for key in keys)
        at = truth.limits.get(kind)
        left = (np.inf if at is None else at) - np.arange(1.0, len(likely) + 1.0)
        keep = (likely < 86_000.0) & (left > 0.0)
        yield Forecast(kind, at is not None, left[keep], likely[keep], early[keep])


def table(part: float = 1.0) -> Iterator[str]:
    """Scores of each limit, over that part of the incidents."""
    counted = {kind: max(1, round(part * count)) for kind, count in COUNTS.items()}
    found = [one for kind, count in counted.items() for one in forecasts(kind, count)]
    for limit in LIMITS:
        of = [one for one in found if one.limit == limit]
        passed = [one for one in of if one.passed and len(one.left_s)]
        never = sum(float((one.likely_s < 600.0).sum()) / 60.0 for one in of if not one.passed)
        head = f"{limit:8} {len(of)} incidents, {sum(one.passed for one in of)} passed"
        if not passed:
            yield f"{head}; soon, never: {never:.1f} min"
            continue
        left, likely, early = (
            np.concatenate([getattr(one, name) for one in passed]) for name in ("left_s", "likely_s", "early_s")
        )
        yield (
            f"{head}: {len(left)} s forecast, not before {np.mean(early <= left):.3f},"
            f" between {np.mean((early <= left) & (left <= 2.0 * likely)):.3f}; soon, never: {never:.1f} min"
        )
        for low, high in ((0.0, 30.0), (30.0, 120.0), (120.0, 600.0), (600.0, 1e9)):
            near = (left > low) & (left <= high)
            if near.any():
                off = (likely - left)[near]
                yield (
                    f"    {low:4.0f} to {high:5.0f} s left: {near.sum():5} s, median off {np.median(off):+7.0f} s,"
                    f" median of size {np.median(np.abs(off) / left[near]):5.0%}, not before"
                    f" {np.mean(early[near] <= left[near]):.3f}"
                )


if __name__ == "__main__":
    print("\n".join(table(float(sys.argv[1]) if len(sys.argv) > 1 else 1.0)))
