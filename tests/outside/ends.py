"""What the tank holds at the end of drawn trips, and the peaks on the way, as planned before and as it came.

Trip N of ``SEED`` is drawn by ``Random(f"{SEED}:trip:{N}")``: class of the brake, depth, stands, water, air, what is in
the tank, the crew. None had been looked at when the plan was built. The plan is told what a driller would know: string,
stands, usual pace and lowering speed; the tank's thermometer and the flow meter by their drawn errors, the weight by
2 %, the tank's content by 5 %; of the loss nothing. ``in``: the plant came to within the plan's k = 2.
"""

import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random

import numpy as np

from brakewater.physics.uncertainty import COVERAGE
from brakewater.review.planning import Meant, hook_load_n, plan_trip
from brakewater.rig import load
from brakewater_sim.scenarios import Scenario
from brakewater_sim.simulate import simulate
from brakewater_sim.story import parse

CONFIG = Path(__file__).parents[2] / "config"
SEED = 20261126
TRIPS = 15
STORY = """
schema = 1
[scenario]
name = "trip"
length = "60 s"
warmup = "0 s"
brake = "{brake}"
water = "{water} degC"
ambient = "{air} degC"
tank = "{tank} m3"
[[leg]]
from = "{start} m"
to = "{end} m"
crew = {crew}
"""
RIGS = {"75 gal/min": "rig-4-full.toml", "150 gal/min": "rig-9-full.toml"}
FIGURES = ("tank_end_degc", "outlet_peak_degc", "rotor_peak_degc")
SETTLES_S = 300.0


@dataclass(frozen=True)
class Row:
    trip: int
    stands: int
    figure: str
    began: float
    """degC of the tank when the plan was made."""
    plant: float
    planned: float
    expanded: float

    @property
    def inside(self) -> bool:
        return abs(self.planned - self.plant) <= self.expanded

    def __str__(self) -> str:
        return (
            f"trip {self.trip:2} {self.stands:2} stands {self.figure:16} from {self.began:4.1f}"
            f"  plant {self.plant:5.1f}  plan {self.planned:5.1f} +/- {self.expanded:4.1f}"
            f"  off {self.planned - self.plant:+5.1f} K  {'in' if self.inside else 'OUT'}"
        )


def rows(trips: int = TRIPS, seed: int = SEED) -> Iterator[Row]:
    for number in range(1, trips + 1):
        draw = Random(f"{seed}:trip:{number}")
        brake, stands, start = draw.choice(list(RIGS)), draw.randrange(6, 19), draw.randrange(600, 3000)
        water, air, tank = draw.uniform(18.0, 34.0), draw.uniform(5.0, 38.0), draw.uniform(13.0, 31.0)
        rig = load(CONFIG / RIGS[brake])
        text = STORY.format(brake=brake, water=f"{water:.2f}", air=f"{air:.2f}", tank=f"{tank:.2f}", start=start,
                            end=start + 28.65 * stands + 0.5, crew=draw.randrange(10**6))  # fmt: skip
        scenario = parse(text)
        hoist = scenario.sizes.hoist
        truth = _truth(replace(scenario, length_s=hoist.whole_s + SETTLES_S))
        string = (hoist.pipe_kg_m, hoist.collars_kg, hoist.mud_kg_m3)
        weight = draw.uniform(0.98, 1.02)
        first, last = (weight * hook_load_n(rig, start + hoist.stand_m * at, *string) for at in (1, stands))
        meant = Meant(
            hook_first_n=first, hook_last_n=last, stands=stands, stand_m=hoist.stand_m,
            lowering_m_s=hoist.stand_m / (hoist.stand_m / hoist.lowering_m_s + hoist.ramp_s),
            per_hour=3600.0 / hoist.cycle_s, tank_degc=water + draw.uniform(-0.4, 0.4), ambient_degc=air,
            flow_m3_s=truth["flow"] * draw.uniform(0.98, 1.02), tank_m3=tank * draw.uniform(0.95, 1.05), share=0.95,
        )  # fmt: skip
        outcome = plan_trip(rig, None, meant).outcome
        for figure in FIGURES:
            yield Row(number, stands, figure, meant.tank_degc, truth[figure], outcome.values[figure],
                      COVERAGE * outcome.stds[figure])  # fmt: skip


def _truth(scenario: Scenario) -> dict[str, float]:
    tank, outlet, skin, flow = [], [], [], []
    for tick in simulate(scenario, every_s=1.0, seconds=scenario.length_s):
        tank.append(tick.truth["tank-temperature"])
        outlet.append(tick.truth["outlet-temperature"])
        skin.append(tick.state.surface_degc)
        flow.append(tick.truth["inlet-flow"])
    return {
        "tank_end_degc": tank[-1],
        "outlet_peak_degc": max(outlet),
        "rotor_peak_degc": max(skin),
        "flow": float(np.mean(flow)),
    }


def table(trips: int = TRIPS, seed: int = SEED) -> Iterator[str]:
    """Every trip's end, and of each figure how many came to within its band."""
    found: list[Row] = []
    for row in rows(trips, seed):
        found.append(row)
        if row.figure == "tank_end_degc":
            yield str(row)
    for figure in FIGURES:
        of = [row for row in found if row.figure == figure]
        off = np.array([row.planned - row.plant for row in of])
        band = np.median([row.expanded for row in of])
        risen = np.median([row.plant - row.began for row in of])
        size, above = np.median(np.abs(off)), sum(row.plant > row.planned + row.expanded for row in of)
        yield (
            f"{figure:16} within k = 2 in {sum(row.inside for row in of)} of {len(of)};"
            f" median off {np.median(off):+.2f} K, median of size {size:.2f} K of a rise of {risen:.1f} K,"
            f" median band +/- {band:.1f} K; above the band in {above}"
        )


if __name__ == "__main__":
    for line in table(*map(int, sys.argv[1:])):
        print(line, flush=True)
