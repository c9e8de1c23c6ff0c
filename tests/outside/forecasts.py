"""How well forecasts of limits keep: ``python tests/outside/forecasts.py`` prints it.

Incidents as ``tests/faults/incidents.py`` draws them, of the causes that lead to each limit: the first of them of
``SEED``, which nobody had looked at when the forecasts were built (they were built on 20261125, with its first ones).
For the inlet the water is 33 degC and the tank half full; for the outlet 56 degC and a quarter full; both are watched
for 45 min: else they would not come to their limits. What the tank holds at the end of a trip: ``ends.py``.
Truth: when the plant passes the limit. Every second in which a forecast stands (good, less than a day) counts until
then. ``not before``: part of those in which the early bound was at most what was really left, which is what people
are shown (goal 95 %); ``worst``: of the incident in which it was least. ``between``: part of those in which the truth
lay between early bound and twice the likely time. ``median``: of the likely time's error, against what was left.
``soon, never``: minutes in which less than 10 min were forecast, likely, of a limit that was not passed within what was
watched.
"""

import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from brakewater.engine import Engine
from brakewater.quality import Reason
from brakewater.rig import Rig, load, parse
from brakewater.stream import Block
from brakewater_sim.offline import blocks, start_of
from brakewater_sim.story import parse as story
from brakewater_sim.truth import Truth
from faults.incidents import CLASSES, drawn

CONFIG = Path(__file__).parents[2] / "config"
SEED = 20261126
LIMITS = {"bearing": "time_to_bearing", "inlet": "time_to_inlet_limit", "outlet": "time_to_outlet_limit"}
_WARM = ("hot-day", "small-tank", "cooler-fan-off")
CAUSES = {"bearing": ("choked-return", "collapsed-hose", "valve-opened"), "inlet": _WARM, "outlet": _WARM}
COUNTS = {"bearing": 14, "inlet": 5, "outlet": 5}
TANK_HEIGHT = 'height = "2.4 m"\n'
WATER = {"inlet": ("33 degC", "16 m3"), "outlet": ("56 degC", "8 m3")}


@dataclass(frozen=True)
class Forecast:
    """[n] each second in which one stood, or none."""

    limit: str
    """With ``, level unknown`` where the rig file does not know the tank's height."""
    passed: bool
    left_s: np.ndarray
    likely_s: np.ndarray
    early_s: np.ndarray


def incidents(kind: str, count: int, seed: int = SEED) -> Iterator[str]:
    found = number = 0
    while found < count:
        incident = drawn(number, seed)
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


def forecasts(kind: str, count: int, seed: int = SEED) -> Iterator[Forecast]:
    """Of each incident, and for the inlet once more by a watch that does not know what is in the tank."""
    for noise, text in enumerate(incidents(kind, count, seed), 1):
        scenario = story(text)
        brake = next(name for name in CLASSES if f'brake = "{name}"' in text)
        rig, truth = load(CONFIG / CLASSES[brake]), Truth(scenario)
        watches = {kind: _Watch(rig, kind)}
        if kind == "inlet":
            watches["inlet, level unknown"] = _Watch(parse(rig.text.replace(TANK_HEIGHT, "")), kind)
        for block in blocks(scenario, rig, seed=noise, watch=truth.see):
            for watch in watches.values():
                watch.see(block)
        at = truth.limits.get(kind)
        for limit, watch in watches.items():
            likely, early = watch.columns()
            left = (np.inf if at is None else at) - np.arange(1.0, len(likely) + 1.0)
            keep = (likely < 86_000.0) & (left > 0.0)
            yield Forecast(limit, at is not None, left[keep], likely[keep], early[keep])


class _Watch:
    """An engine, and what it forecast each second of one limit."""

    def __init__(self, rig: Rig, kind: str) -> None:
        self._engine = Engine()
        self._engine.feed(replace(start_of(rig), rig_toml=rig.text))
        self._keys = f"{LIMITS[kind]}_s", f"{LIMITS[kind]}_early_s"
        self._parts: tuple[list[np.ndarray], ...] = ([], [])

    def see(self, block: Block) -> None:
        derived = self._engine.feed(block).derived
        for key, parts in zip(self._keys, self._parts, strict=True):
            column = derived["aux", key]
            parts.append(np.where(column.codes == Reason.GOOD, column.values, np.nan)[4::5])

    def columns(self) -> tuple[np.ndarray, np.ndarray]:
        likely, early = (np.concatenate(parts) for parts in self._parts)
        return likely, early


def table(part: float = 1.0, seed: int = SEED) -> Iterator[str]:
    """Scores of each limit, over that part of the incidents."""
    counted = {kind: max(1, round(part * count)) for kind, count in COUNTS.items()}
    for kind, count in counted.items():
        found = list(forecasts(kind, count, seed))
        for limit in dict.fromkeys(one.limit for one in found):
            yield from _scored(limit, [one for one in found if one.limit == limit])


def _scored(limit: str, of: list[Forecast]) -> Iterator[str]:
    passed = [one for one in of if one.passed and len(one.left_s)]
    never = sum(float((one.likely_s < 600.0).sum()) / 60.0 for one in of if not one.passed)
    head = f"{limit:8} {len(of)} incidents, {sum(one.passed for one in of)} passed"
    if not passed:
        yield f"{head}; soon, never: {never:.1f} min"
        return
    left, likely, early = (
        np.concatenate([getattr(one, name) for one in passed]) for name in ("left_s", "likely_s", "early_s")
    )
    worst = min(float(np.mean(one.early_s <= one.left_s)) for one in passed)
    yield (
        f"{head}: {len(left)} s forecast, not before {np.mean(early <= left):.3f} (worst {worst:.3f}),"
        f" between {np.mean((early <= left) & (left <= 2.0 * likely)):.3f}; early by the median"
        f" {np.median((left - early) / left):.0%}; soon, never: {never:.1f} min"
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
    _more = sys.argv[1:]
    for line in table(float(_more[0]) if _more else 1.0, int(_more[1]) if len(_more) > 1 else SEED):
        print(line, flush=True)
