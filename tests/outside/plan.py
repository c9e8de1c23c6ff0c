"""How far plans stand from the simulator's finer plant: ``python tests/outside/plan.py`` prints it.

The plant has a rotor of four nodes, pump, lines, return, drag in the hole, a brake that fades at a crawl, and every
ramp of the block. The plan is told what a driller knows: string, pace, lowering speed, flow, tank and air; of the
brake's share it is told 0.95. ``off`` is the plan less the plant, beside the plan's own k = 2.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from brakewater.physics.uncertainty import COVERAGE
from brakewater.review.planning import Meant, hook_load_n, plan_trip
from brakewater.rig import load
from brakewater_sim.scenarios import Scenario
from brakewater_sim.simulate import simulate
from brakewater_sim.story import parse

CONFIG = Path(__file__).parents[2] / "config"
STORY = """
schema = 1
[scenario]
name = "plan"
length = "{length} s"
warmup = "0 s"
brake = "{brake}"
water = "{water} degC"
ambient = "{air} degC"
[[leg]]
from = "{start} m"
to = "{end} m"
"""
RIGS = {"75 gal/min": "rig-4-full.toml", "150 gal/min": "rig-9-full.toml"}
CASES = {
    "short": ("75 gal/min", 2400, 6, 29.44, 24.0),
    "mild day": ("75 gal/min", 2400, 34, 26.0, 22.0),
    "hot day": ("75 gal/min", 3000, 30, 33.0, 38.0),
    "light": ("75 gal/min", 600, 30, 20.0, 15.0),
    "large": ("150 gal/min", 2800, 34, 26.0, 22.0),
}
FIGURES = {"heat_mean_w": 1e3, "outlet_peak_degc": 1.0, "rotor_peak_degc": 1.0, "tank_end_degc": 1.0}


@dataclass(frozen=True)
class Row:
    case: str
    figure: str
    plant: float
    planned: float
    expanded: float

    @property
    def off(self) -> float:
        return self.planned - self.plant

    def __str__(self) -> str:
        scale = FIGURES[self.figure]
        return (
            f"{self.case:9} {self.figure:17} plant {self.plant / scale:7.1f}  plan {self.planned / scale:7.1f}"
            f"  off {self.off / scale:+6.1f}  stated +/- {self.expanded / scale:5.1f}"
        )


def rows(names: tuple[str, ...] = tuple(CASES)) -> Iterator[Row]:
    for name in names:
        kind, start, stands, water, air = CASES[name]
        rig = load(CONFIG / RIGS[kind])
        text = STORY.format(length=60, brake=kind, water=water, air=air, start=start, end=start + 28.65 * stands + 0.5)
        hoist = parse(text).sizes.hoist
        scenario = replace(parse(text), length_s=stands * hoist.cycle_s + 300.0)
        truth = _truth(scenario, stands * hoist.cycle_s)
        string = (hoist.pipe_kg_m, hoist.collars_kg, hoist.mud_kg_m3)
        first, last = (hook_load_n(rig, start + hoist.stand_m * number, *string) for number in (1, stands))
        meant = Meant(
            hook_first_n=first, hook_last_n=last, stands=stands, stand_m=hoist.stand_m,
            lowering_m_s=hoist.stand_m / (hoist.stand_m / hoist.lowering_m_s + hoist.ramp_s),
            per_hour=3600.0 / hoist.cycle_s, tank_degc=water, ambient_degc=air, flow_m3_s=truth["flow"], share=0.95,
            loss_w_k=scenario.sizes.tank.ambient_w_k,
        )  # fmt: skip
        outcome = plan_trip(rig, None, meant).outcome
        for figure in FIGURES:
            yield Row(name, figure, truth[figure], outcome.values[figure], COVERAGE * outcome.stds[figure])


def _truth(scenario: Scenario, stands_s: float) -> dict[str, float]:
    ticks = list(simulate(scenario, every_s=0.5, seconds=scenario.length_s))
    skin = np.array([tick.state.surface_degc for tick in ticks])
    outlet = np.array([tick.truth["outlet-temperature"] for tick in ticks])
    worked = ticks[-1].state.worked_j - ticks[0].state.worked_j
    return {
        "heat_mean_w": worked / stands_s,
        "outlet_peak_degc": float(outlet.max()),
        "rotor_peak_degc": float(skin.max()),
        "tank_end_degc": ticks[-1].truth["tank-temperature"],
        "flow": float(np.mean([tick.truth["inlet-flow"] for tick in ticks])),
    }


if __name__ == "__main__":
    for row in rows():
        print(row, flush=True)
