"""How well the rotor's band holds against the simulator's finer plant: ``python tests/outside/observer.py`` prints it.

Truth: the skin temperature of the simulator's rotor, which the watch never sees. Each row is a scenario and what the
rig file's parameters are off by. ``cover``: part of the scans within the stated 95 % band; ``half/rise``: median
half-width by the rotor's rise over the inlet; ``score``: mean interval score at 95 % (Gneiting and Raftery 2007:
width plus 40 times what lies outside), beside that of a constant band as wide as the truth's own spread about the
model's mean.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

import streams
from brakewater.engine import Engine
from brakewater.rig import parse
from brakewater_sim.offline import blocks, start_of
from brakewater_sim.scenarios import SCENARIOS
from brakewater_sim.simulate import simulate

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
SCENES = {"demo": 120.0, "pump-loss": 180.0, "return-choke": 240.0, "hot-day": 1680.0, "trip-in": 6000.0}
Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Row:
    scene: str
    case: str
    cover: float
    half: float
    rms: float
    score: float
    constant: float

    def __str__(self) -> str:
        return (
            f"{self.scene:13} {self.case:14} cover {self.cover:.3f}  half/rise {self.half:.3f}  rms {self.rms:5.2f} K  "
            f"score {self.score:6.2f} K (constant parameters: {self.constant:6.2f})"
        )


def _score(low: Numbers, high: Numbers, truth: Numbers) -> float:
    outside = np.maximum(low - truth, 0.0) + np.maximum(truth - high, 0.0)
    return float(np.mean(high - low + 40.0 * outside))


def rows(scenes: dict[str, float] = SCENES, cases: dict[str, dict[str, float]] = CASES) -> Iterator[Row]:
    text = streams.demo().text
    for scene, seconds in scenes.items():
        scans = list(blocks(SCENARIOS[scene], streams.demo(), seconds=seconds))
        ticks = list(simulate(SCENARIOS[scene], every_s=0.2, seconds=seconds))
        truth = np.array([tick.state.surface_degc for tick in ticks])[5:]
        rise = truth - np.array([tick.truth["inlet-temperature"] for tick in ticks])[5:]
        for case, scales in cases.items():
            changed = text
            for key, scale in scales.items():
                number, unit = (KEYS | ACCURACY)[key]
                changed = streams.changed(
                    changed, (f'{key} = "{number} {unit}"', f'{key} = "{number * scale:g} {unit}"')
                )
            value, std = _estimate(changed, scans)
            half = 1.96 * std
            # a model that takes its parameters for exact and knows only its thermometer's class
            plain = np.full_like(value, 1.96 * 0.3)
            yield Row(
                scene, case,
                cover=float(np.mean(np.abs(value - truth) <= half)),
                half=float(np.median(half / np.maximum(rise, 1e-3))),
                rms=float(np.sqrt(np.mean((value - truth) ** 2))),
                score=_score(value - half, value + half, truth),
                constant=_score(value - plain, value + plain, truth),
            )  # fmt: skip


def _estimate(text: str, scans: list) -> tuple[Numbers, Numbers]:
    rig, engine = parse(text), Engine()
    engine.feed(replace(start_of(rig), rig_toml=text))
    outcomes = [engine.feed(block).derived for block in scans]
    names = ("rotor_temperature_degc", "rotor_temperature_std_k")
    value, std = (np.concatenate([outcome["aux", name].values for outcome in outcomes])[5:] for name in names)
    return value, std


if __name__ == "__main__":
    for row in rows():
        print(row, flush=True)
