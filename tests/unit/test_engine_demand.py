"""What the water is asked to carry leads the outlet, and does not cry wolf."""

from pathlib import Path

import numpy as np
import pytest

from brakewater.engine import Engine
from brakewater.engine.demand import Demand
from brakewater.engine.held import graded
from brakewater.engine.hoisting import Duty
from brakewater.engine.lag_free import Recovered
from brakewater.engine.seconds import BAD, GOOD, Groups
from brakewater.quality import Reason
from brakewater.rig import load
from brakewater_sim.offline import blocks, start_of
from brakewater_sim.scenarios import SCENARIOS

FLOW, LEVEL, AREA = 4.73e-3, 0.3, 0.55
RIG = Path(__file__).parents[2] / "config" / "rig-4-full.toml"


def feed(demand: Demand, duty_w: np.ndarray, heat_w: np.ndarray, grade: int = GOOD) -> dict[str, np.ndarray]:
    m = len(duty_w)
    means = {"flow": np.full(m, FLOW), "level": np.full(m, LEVEL)}
    good = np.full(m, GOOD, np.uint8)
    groups = Groups(t_ns=np.arange(m) * 10**9, means=means, grades=dict.fromkeys(means, good))
    water = Recovered(heat_w=graded(heat_w, good), to_water_w=heat_w, grades=good)
    duty = Duty(power_w=duty_w, std_w=0.05 * duty_w, grades=np.full(m, grade, np.uint8), lowering=np.ones(m, np.bool_))
    return {name: held.values for name, held in demand.feed(groups, water, duty).items()}


def test_a_steady_duty_comes_out_of_a_stirred_volume() -> None:
    # Source: closed form of a stirred volume, 1 - exp(-t/tau); a step of a second is good to 2 % of it.
    found = feed(Demand(AREA, 1.0), np.full(120, 6e5), np.zeros(120))
    tau = AREA * LEVEL / FLOW
    t = np.arange(1.0, 121.0)
    np.testing.assert_allclose(found["demand_w"], 6e5 * (1.0 - np.exp(-t / tau)), atol=0.02 * 6e5)
    assert found["demand_std_w"][-1] == pytest.approx(0.05 * found["demand_w"][-1])


def test_a_stand_does_not_cry_wolf() -> None:
    stand = np.r_[np.full(25, 9e5), np.zeros(100)]  # 22 MJ a stand, 180 kW over all of it
    found = feed(Demand(AREA, 1.0), np.tile(stand, 12), np.full(1500, 1.8e5))
    limit = 7e5  # of this flow from 35 to 71 degC
    assert (stand > 0.9 * limit).any()
    assert found["demand_w"].max() < 0.75 * limit


def test_the_outlet_leads_where_it_shows_more_or_the_duty_is_not_known() -> None:
    heat = np.full(30, 3e5)
    for found in (
        feed(Demand(AREA, 1.0), np.full(30, 1e5), heat),
        feed(Demand(AREA, 1.0), np.full(30, 9e5), heat, BAD),
        feed(Demand(None, 1.0), np.full(30, 9e5), heat),
    ):
        np.testing.assert_array_equal(found["demand_w"], heat)
        np.testing.assert_array_equal(found["demand_std_w"], np.zeros(30))


def test_cut_and_restored_anywhere() -> None:
    duty, heat = np.tile(np.r_[np.full(25, 9e5), np.zeros(75)], 3), np.full(300, 2e5)
    whole = feed(Demand(AREA, 1.0), duty, heat)
    parts, demand, at = [], Demand(AREA, 1.0), 0
    for size in (1, 24, 2, 200, 73):
        parts.append(feed(demand, duty[at : at + size], heat[at : at + size]))
        at += size
        other = Demand(AREA, 1.0)
        other.restore(demand.state())
        demand = other
    for name in whole:
        np.testing.assert_array_equal(whole[name], np.concatenate([part[name] for part in parts]))


def test_the_margin_falls_before_the_outlet_shows_it() -> None:
    rig, engine = load(RIG), Engine()
    engine.feed(start_of(rig))
    names = ("cooling_margin", "cooling_margin_std", "heat_w", "heat_limit_w")
    rows: dict[str, list[np.ndarray]] = {name: [] for name in names}
    for block in blocks(SCENARIOS["demo"], rig, seconds=25.0):
        derived = engine.feed(block).derived
        for name in names:
            column = derived["aux", name]
            rows[name].append(np.where(column.codes == Reason.GOOD, column.values, np.nan))
    margin, std, heat, limit = (np.concatenate(rows[name]) for name in names)
    by_outlet = 1.0 - heat / limit
    assert np.nanmax(margin - by_outlet) <= 1e-9
    assert np.nanmax(by_outlet - margin) > 0.02
    assert np.nanmin(margin) > 0.2  # all is well in these seconds
    assert np.isfinite(std).any()
