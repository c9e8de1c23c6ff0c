"""How well the rotor's band holds against the simulator's finer plant: ``python tests/outside/observer.py`` prints it.

Truth: the skin temperature of the simulator's rotor, which the watch never sees. Each row is a scenario and what the
rig file's parameters are off by. ``cover``: part of the scans within the stated 95 % band; ``half/rise``: median
half-width by the rotor's rise over the inlet, of all scans; ``hot``: the same of those in which the rotor is at least
10 K over it (in a pause the rise goes to nothing, and the thermometer's class alone is a large part of it);
``score``: mean interval score at 95 % (Gneiting and Raftery 2007: width plus 40 times what lies outside), beside that
of a model that takes its parameters for exact.

The short scenes begin with a watch that knows nothing, the late ones after twenty minutes of tripping; there ``dry``
is told of the seconds in which the contact with the water is lost alone: cover, and how much wider the band is at
their end than before them.

``drawn``: depth, crew, weather, fault, each parameter (anywhere within its 20 %) and what the thermometers and the
flow meter are off by (anywhere within their classes) come from the row's seed. What is off stays so all through a row:
a band that is right holds 95 % of all rows' scans, not of each row's.

``fitted``: the parameters are off as the row says, ``brakewater fit`` looks at a trip of the hot day, and what it tells
goes into the rig file.
"""

import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random

import numpy as np
from numpy.typing import NDArray

import streams
from brakewater.engine import Engine
from brakewater.record.reader import Record
from brakewater.review.fit import fit
from brakewater.rig import parse
from brakewater.stream import Block
from brakewater_sim.offline import blocks, record, start_of
from brakewater_sim.scenarios import SCENARIOS, Scenario
from brakewater_sim.story import parse as story
from outside import energy

KEYS = {
    "surface": (60, "kJ/K"),
    "core": (300, "kJ/K"),
    "through": (4, "kW/K"),
    "still": (6, "kW/K"),
    "flowing": (18, "kW/K"),
}
ACCURACY = {"accuracy": (20, "%")}
CASES: dict[str, dict[str, float]] = {
    "exact": {},
    "contact -20 %": {"still": 0.8, "flowing": 0.8},
    "contact +20 %": {"still": 1.2, "flowing": 1.2},
    "masses -20 %": {"surface": 0.8, "core": 0.8},
    "all +20 %": dict.fromkeys(KEYS, 1.2),
    "all -20 %": dict.fromkeys(KEYS, 0.8),
    "to 10 %: exact": {"accuracy": 0.5},
    "to 10 %: +10 %": {**dict.fromkeys(KEYS, 1.1), "accuracy": 0.5},
    "to 10 %: -10 %": {**dict.fromkeys(KEYS, 0.9), "accuracy": 0.5},
}
"""What each key of the rig file is off by; the last three of a rotor that is known, and stated, to 10 %."""
SCENES = {"demo": 120.0, "pump-loss": 180.0, "return-choke": 240.0, "hot-day": 1680.0, "trip-in": 4000.0}
LATE = """
schema = 1
[scenario]
name = "late"
length = "1500 s"
warmup = "300 s"
[[leg]]
from = "2400 m"
to = "2700 m"
crew = 3
[[fault]]
fault = "{fault}"
at = "1200 s"
until = "1320 s"
"""
LATE_S = 1500.0
HOT_K = 10.0
"""Of rise; some thirty times what a thermometer of class A may be off by."""
DRY = slice(1205 * 5, 1320 * 5)
LATES = {"late pump stop": "pump-stopped", "late choke": "choked-return"}
LATE_CASES = ("exact", "contact -20 %", "contact +20 %", "masses -20 %", "all +20 %", "all -20 %")
DRAWN = """
schema = 1
[scenario]
name = "drawn"
length = "1500 s"
warmup = "{warmup} s"
water = "{water} degC"
ambient = "{air} degC"
[[leg]]
from = "{depth} m"
to = "{end} m"
crew = {seed}
[[fault]]
fault = "{fault}"
at = "{at} s"
until = "{until} s"
{severity}
"""
FAULTS = ("pump-stopped", "choked-return", "collapsed-hose", "strainer-plugging")
USUAL = {"inlet-flow": 5e-3, "inlet-temperature": 30.0, "outlet-temperature": 45.0}
"""Near which the sensors are off by a draw from their classes."""
SEEDS = range(101, 113)
"""Of the drawn rows; nothing has been chosen with these seen."""
FITTED = ("exact", "masses -20 %", "all +20 %", "all -20 %")
FIT_SCENE, FITTED_SCENE = ("hot-day", 1680.0), ("trip-in", 2000.0)
Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Row:
    scene: str
    case: str
    cover: float
    half: float
    hot: float
    rms: float
    score: float
    constant: float
    dry: tuple[float, float] | None = None

    def __str__(self) -> str:
        dry = "" if self.dry is None else f"  dry: cover {self.dry[0]:.3f}, band x {self.dry[1]:.1f}"
        return (
            f"{self.scene:14} {self.case:21} cover {self.cover:.3f}  half/rise {self.half:.3f}  "
            f"hot {self.hot:.3f}  rms {self.rms:5.2f} K  "
            f"score {self.score:6.2f} K (constant parameters: {self.constant:6.2f}){dry}"
        )


def _score(low: Numbers, high: Numbers, truth: Numbers) -> float:
    outside = np.maximum(low - truth, 0.0) + np.maximum(truth - high, 0.0)
    return float(np.mean(high - low + 40.0 * outside))


def rows(scenes: dict[str, float] = SCENES, cases: dict[str, dict[str, float]] = CASES) -> Iterator[Row]:
    for scene, seconds in scenes.items():
        played = _played(SCENARIOS[scene], seconds)
        for case, scales in cases.items():
            yield _row(scene, case, _changed(scales), played)


def late_rows() -> Iterator[Row]:
    for scene, fault in LATES.items():
        played = _played(story(LATE.format(fault=fault)), LATE_S)
        for case in LATE_CASES:
            yield _row(scene, case, _changed(CASES[case]), played, DRY if fault == "pump-stopped" else None)


def drawn_rows(seeds: Iterable[int] = SEEDS) -> Iterator[Row]:
    """Depth, crew, weather, fault, sensors and each of the rotor's parameters drawn from the seed."""
    for seed in seeds:
        text, fault, scenario = drawn(seed)
        yield _row(f"drawn {seed}", fault, text, _played(scenario, LATE_S, seed))


def _all(found: list[Row]) -> str:
    cover, half, score = ([getattr(row, name) for row in found] for name in ("cover", "half", "score"))
    return (
        f"    {len(found)} drawn: cover {np.mean(cover):.3f} ({min(cover):.3f} to {max(cover):.3f}, under 0.90 in "
        f"{sum(one < 0.9 for one in cover)}), half/rise {np.median(half):.3f}, score {np.mean(score):.2f} K"
    )


def drawn(seed: int) -> tuple[str, str, Scenario]:
    """A rig file, what happens in words, and the scenario."""
    draw = Random(f"rotor:{seed}")
    depth, at, fault = draw.uniform(500.0, 3000.0), draw.uniform(500.0, 1200.0), draw.choice(FAULTS)
    lasts, hard, dark = draw.uniform(60.0, 300.0), draw.random(), draw.random() < 0.5
    told = DRAWN.format(
        seed=seed, depth=depth, end=depth + 400.0, at=at, until=at + lasts, fault=fault, air=draw.uniform(0.0, 42.0),
        water=draw.uniform(15.0, 35.0), warmup=300 if dark else 1,
        severity="" if fault == "pump-stopped" else f"severity = {hard}",
    )  # fmt: skip
    off = energy.drawn(streams.demo(), USUAL, draw)
    scenario = story(told)
    sensors = tuple(replace(one, bias=off.get(one.role, one.bias)) for one in scenario.sensors)
    text = _changed({key: draw.uniform(0.8, 1.2) for key in KEYS})
    return text, f"{fault}{'' if fault == 'pump-stopped' else f' {hard:.2f}'}", replace(scenario, sensors=sensors)


def fitted_rows() -> Iterator[Row | str]:
    """The same scene before and after ``fit``, and what that told."""
    played = _played(SCENARIOS[FITTED_SCENE[0]], FITTED_SCENE[1])
    for case in FITTED:
        text = _changed(CASES[case])
        with tempfile.TemporaryDirectory() as folder:
            record(SCENARIOS[FIT_SCENE[0]], parse(text), Path(folder) / "r", seconds=FIT_SCENE[1])
            told = {one.name: one for one in fit(Record(Path(folder) / "r")).parameters}
        yield "    " + ", ".join(
            f"{name} {one.value:.2f} ({one.low:.2f} to {one.high:.2f}{'' if one.told else ', cannot tell'})"
            for name, one in told.items()
        )
        yield _row(FITTED_SCENE[0], case, text, played)
        masses = told["masses"].value if told["masses"].told else 1.0
        better = {key: scale * masses for key, scale in ({"surface": 1.0, "core": 1.0} | CASES[case]).items()
                  if key in ("surface", "core")}  # fmt: skip
        yield _row(FITTED_SCENE[0], f"{case}, fitted", _changed(CASES[case] | better), played)


def table() -> Iterator[Row | str]:
    """All of them."""
    yield from rows()
    yield from late_rows()
    found = list(drawn_rows())
    yield from found
    yield _all(found)
    yield from fitted_rows()


Played = tuple[list[Block], Numbers, Numbers]
"""Scans, and each scan's truth and rise over the inlet."""


def _played(scenario: Scenario, seconds: float, seed: int = 1) -> Played:
    ticks: list[tuple[float, float]] = []
    scans = list(
        blocks(
            scenario, streams.demo(), seed=seed, seconds=seconds,
            watch=lambda tick: ticks.append((tick.state.surface_degc, tick.truth["inlet-temperature"])),
        )
    )  # fmt: skip
    both = np.array(ticks)[5:]
    return scans, both[:, 0], both[:, 0] - both[:, 1]


def _changed(scales: dict[str, float]) -> str:
    changed = streams.demo().text
    for key, scale in scales.items():
        number, unit = (KEYS | ACCURACY)[key]
        changed = streams.changed(changed, (f'{key} = "{number} {unit}"', f'{key} = "{number * scale:g} {unit}"'))
    return changed


def _row(scene: str, case: str, text: str, played: Played, dry: slice | None = None) -> Row:
    scans, truth, rise = played
    value, std = _estimate(text, scans)
    half = 1.96 * std
    # a model that takes its parameters for exact and knows only its thermometer's class
    plain = np.full_like(value, 1.96 * 0.3)
    inside = np.abs(value - truth) <= half
    lost = None if dry is None else (float(np.mean(inside[dry])), float(half[dry][-1] / half[dry.start - 50]))
    return Row(
        scene, case,
        cover=float(np.mean(inside)),
        half=float(np.median(half / np.maximum(rise, 1e-3))),
        hot=float(np.median((half / np.maximum(rise, 1e-3))[rise >= HOT_K])),
        rms=float(np.sqrt(np.mean((value - truth) ** 2))),
        score=_score(value - half, value + half, truth),
        constant=_score(value - plain, value + plain, truth),
        dry=lost,
    )  # fmt: skip


def _estimate(text: str, scans: list) -> tuple[Numbers, Numbers]:
    rig, engine = parse(text), Engine()
    engine.feed(replace(start_of(rig), rig_toml=text))
    outcomes = [engine.feed(block).derived for block in scans]
    names = ("rotor_temperature_degc", "rotor_temperature_std_k")
    value, std = (np.concatenate([outcome["aux", name].values for outcome in outcomes])[5:] for name in names)
    return value, std


if __name__ == "__main__":
    for row in table():
        print(row, flush=True)
