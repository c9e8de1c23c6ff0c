"""How well forecasts of limits keep: ``python tests/outside/forecasts.py [SEED [LIMIT ...]]`` prints it.

Bearing: incidents as ``tests/faults/incidents.py`` draws them of ``SEED``, of the causes that lead there, the first 14.
Inlet and outlet: incident N of a seed is drawn by ``Random(f"{seed}:{limit}:{N}")``: cause and severity, class of
the brake, water, tank, air, string, crew and rests, watched for 45 min; in their order until eight have passed the
limit with a forecast before it, and every one until then counts. A watch that begins says nothing in its first ten
minutes. ``USED`` are seeds on whose incidents a law was built or looked at; the table is made of one that nobody had
seen. What the tank holds at the end of a trip: ``ends.py``.
Truth: when the plant passes the limit. Every second in which an early bound stands (good, less than a day) counts
until then; ``silent``: seconds of the last ten minutes before inlet and outlet limit in which none did. ``not before``:
part of those in which the early bound was at most what was really left, which is what people are shown (goal 95 %);
``worst``: of the incident in which it was least. ``between``: part of those in which the truth lay between early bound
and twice the likely time. ``median``: of the likely time's error, against what was left. ``soon, never``: minutes in
which less than 10 min were forecast, likely, of a limit that was not passed within what was watched.
"""

import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import count, islice
from pathlib import Path
from random import Random

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
USED = (20261127, 1)
"""Fresh when first run, looked at since."""
FRESH = 20261128
"""Of inlet and outlet."""
BEARING = ("choked-return", "collapsed-hose", "valve-opened")
INCIDENTS = 14
PASSED, MOST = 8, 24
"""Incidents that pass inlet or outlet limit with a forecast before, and how many are drawn at most."""
WARM = ("hot-day", "small-tank", "cooler-fan-off", "heavy-string")
CHOKED = ("valve-closing", "filter-plugging", "strainer-plugging", "pump-wear")
SEVERITY = {"valve-closing": (0.01, 0.1)}
"""Where not from 0.3 to 1: a valve further shut is over within the ten minutes that a watch needs."""
TANK_HEIGHT = 'height = "2.4 m"\n'
STORY = """schema = 1
[scenario]
name = "{limit}-{number}"
length = "2700 s"
warmup = "300 s"
brake = "{brake}"
water = "{water:.2f} degC"
tank = "{tank:.1f} m3"
ambient = "{air:.1f} degC"
lost-one-in = 1000
[[leg]]
from = "{start} m"
to = "{end} m"
crew = {crew}
rest-every = {rest}
"""


@dataclass(frozen=True)
class Forecast:
    """[n] each second in which one stood, or none."""

    limit: str
    """With ``, level unknown`` where the rig file does not know the tank's height."""
    passed: bool
    left_s: np.ndarray
    likely_s: np.ndarray
    early_s: np.ndarray
    silent_s: int


def incidents(limit: str, seed: int) -> Iterator[str]:
    """Scenario files, in the order of their numbers."""
    if limit == "bearing":
        found = (drawn(number, SEED) for number in count())
        yield from islice((one.text for one in found if one.cause in BEARING), INCIDENTS)
    else:
        yield from (warm(limit, number, seed) for number in range(MOST))


def warm(limit: str, number: int, seed: int) -> str:
    """Incident ``number`` of those that warm the water up to a limit."""
    draw = Random(f"{seed}:{limit}:{number}")
    cause = draw.choice(WARM if limit == "inlet" else (*WARM, *CHOKED))
    severity, over_s = draw.uniform(*SEVERITY.get(cause, (0.3, 1.0))), draw.uniform(1200.0, 2700.0)
    low, high = (28.0, 34.0) if limit == "inlet" else (36.0, 46.0) if cause in CHOKED else (49.0, 57.0)
    start = draw.randrange(1500, 2700)
    text = STORY.format(
        limit=limit, number=number, brake=draw.choice(list(CLASSES)), water=draw.uniform(low, high),
        tank=draw.uniform(16.0, 31.0) if cause == "small-tank" else draw.uniform(8.0, 18.0),
        air=draw.uniform(24.0, 38.0), start=start, end=start + 1100, crew=draw.randrange(10**6),
        rest=draw.choice((0, 0, 8, 15)),
    )  # fmt: skip
    if cause == "heavy-string":
        return f"{text}collars = {draw.uniform(40e3, 90e3):.0f}\n"
    grows = (
        "" if cause == "small-tank" else f'over = "{over_s if cause in CHOKED or cause == "hot-day" else 60.0:.0f} s"\n'
    )
    return f'{text}[[fault]]\nfault = "{cause}"\nat = "0 s"\nseverity = {severity:.3f}\n{grows}'


def forecasts(kind: str, seed: int) -> Iterator[Forecast]:
    """Of each incident, and for the inlet once more by a watch that does not know what is in the tank."""
    passed = 0
    for noise, text in enumerate(incidents(kind, seed), 1):
        scenario = story(text)
        brake = next(name for name in CLASSES if f'brake = "{name}"' in text)
        rig, truth = load(CONFIG / CLASSES[brake]), Truth(scenario)
        watches = {kind: _Watch(rig, kind)}
        if kind == "inlet":
            watches["inlet, level unknown"] = _Watch(parse(rig.text.replace(TANK_HEIGHT, "")), kind)
        for block in blocks(scenario, rig, seed=noise, watch=truth.see):
            for watch in watches.values():
                watch.see(block)
            if kind in truth.limits:
                break
        at = truth.limits.get(kind)
        for limit, watch in watches.items():
            likely, early = watch.columns()
            left = (np.inf if at is None else at) - np.arange(1.0, len(likely) + 1.0)
            keep = (early < 86_000.0) & (left > 0.0)
            silent = ~(early < 86_000.0) & np.isfinite(early) & (left > 0.0) & (left <= 600.0)
            yield Forecast(limit, at is not None, left[keep], likely[keep], early[keep], int(silent.sum()))
        passed += at is not None and bool(keep.any())
        if kind != "bearing" and passed == PASSED:
            return


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


def table(limit: str, seed: int = FRESH) -> Iterator[str]:
    """Scores of one limit."""
    found = list(forecasts(limit, seed))
    for name in dict.fromkeys(one.limit for one in found):
        yield from _scored(name, [one for one in found if one.limit == name])


def _scored(limit: str, of: list[Forecast]) -> Iterator[str]:
    passed = [one for one in of if one.passed and len(one.left_s)]
    never = sum(float((one.likely_s < 600.0).sum()) / 60.0 for one in of if not one.passed)
    head = f"{limit:8} {len(of)} incidents, {sum(one.passed for one in of)} passed ({len(passed)} with a forecast)"
    silent = "" if limit == "bearing" else f"; silent: {sum(one.silent_s for one in of)} s"
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
        f" {np.median((left - early) / left):.0%}; soon, never: {never:.1f} min{silent}"
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
    _seed = int(sys.argv[1]) if len(sys.argv) > 1 else FRESH
    print(f"inlet and outlet: seed {_seed}", flush=True)
    for _limit in sys.argv[2:] or LIMITS:
        for line in table(_limit, _seed):
            print(line, flush=True)
