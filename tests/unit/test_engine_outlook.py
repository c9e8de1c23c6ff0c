"""When the tank is at its limit, of a tank whose truth is known by a closed form."""

from pathlib import Path

import numpy as np
import pytest

from brakewater.engine.outlook import TankOutlook, TankSense
from brakewater.engine.seconds import BAD, GOOD, Groups
from brakewater.quality import Reason
from brakewater.rig import load

BRAKE = load(Path(__file__).parents[2] / "config" / "rig-4-full.toml").brakes[0]
FULL_J_K, FULL_M, HEAT_W, AIR = 1.3e8, 2.4, 2e5, 20.0
LIKELY, EARLY = "time_to_inlet_limit_s", "time_to_inlet_limit_early_s"
SECONDS = 2400


def outlook(full_m: float | None = FULL_M) -> TankOutlook:
    sense = TankSense(capacity_j_k=FULL_J_K, inlet_std_k=0.1, outlet_std_k=0.1, from_tank=True, full_m=full_m)
    return TankOutlook(BRAKE, sense, 1.0)


def groups(first: int, last: int, part: float, loss_w_k: float = 0.0, bad: str = "") -> Groups:
    """Seconds of a tank so full that warms up from 30 degC."""
    t = np.arange(float(first), float(last))
    capacity = part * FULL_J_K
    if loss_w_k:
        end = AIR + HEAT_W / loss_w_k
        tank = end + (30.0 - end) * np.exp(-t * loss_w_k / capacity)
    else:
        tank = 30.0 + HEAT_W / capacity * t
    means = {
        "inlet": tank, "outlet": tank + 10.0, "heat": np.full_like(t, HEAT_W), "tank": tank,
        "ambient": np.full_like(t, AIR), "content": np.full_like(t, part * FULL_M),
    }  # fmt: skip
    grades = {name: np.full(len(t), BAD if name == bad else GOOD, np.uint8) for name in means}
    return Groups(t_ns=((t + 1.0) * 1e9).astype(np.int64), means=means, grades=grades)


def left_s(part: float, loss_w_k: float = 0.0) -> np.ndarray:
    t, capacity = np.arange(float(SECONDS)), part * FULL_J_K
    if not loss_w_k:
        return (BRAKE.inlet_limit - 30.0) * capacity / HEAT_W - t
    end = AIR + HEAT_W / loss_w_k
    return capacity / loss_w_k * np.log((end - 30.0) / (end - BRAKE.inlet_limit)) - t


@pytest.mark.parametrize(("part", "loss_w_k", "full_m"), [
    (1.0, 0.0, FULL_M), (0.5, 0.0, FULL_M), (0.5, 0.0, None), (1.0, 8e3, FULL_M), (0.6, 8e3, FULL_M),
])  # fmt: skip
def test_the_limit_comes_when_it_is_told(part: float, loss_w_k: float, full_m: float | None) -> None:
    found = outlook(full_m).feed(groups(0, SECONDS, part, loss_w_k))
    left = left_s(part, loss_w_k)
    stands = (found[LIKELY].codes == Reason.GOOD) & (left > 0.0)
    assert stands.sum() > 500
    likely, early = found[LIKELY].values[stands], found[EARLY].values[stands]
    minute_s = 60.0  # what is told stands for a minute
    assert (early <= left[stands]).all()
    assert (early <= likely).all()
    late = left[stands] < 1500.0
    np.testing.assert_allclose(likely[late], left[stands][late], rtol=0.15, atol=1.5 * minute_s)


def test_the_air_warms_up() -> None:
    """A forecast comes sooner as soon as the air is warmer than it was over the last ten minutes."""
    calm, warm = groups(0, 720, 1.0), groups(0, 720, 1.0)
    warm.means["ambient"][600:] += 15.0
    steady, sooner = (outlook().feed(one)[EARLY].values[-1] for one in (calm, warm))
    assert sooner < 0.9 * steady


def test_the_outlet_is_not_before_even_where_coming_stands_are_heavier() -> None:
    """Shortly before the limit, and then the peak of the next stand stands a tenth higher."""
    end_s, part = 4800, 0.25
    found = outlook().feed(groups(0, end_s, part))
    left = [(BRAKE.outlet_limit - rise - 30.0) * part * FULL_J_K / HEAT_W - end_s for rise in (10.0, 11.0)]
    assert found["time_to_outlet_limit_s"].values[-1] == pytest.approx(left[0], abs=60.0)
    assert 0.0 <= found["time_to_outlet_limit_early_s"].values[-1] <= left[1] < 0.5 * left[0]


def test_nothing_is_said_of_a_tank_whose_level_is_bad() -> None:
    found = outlook().feed(groups(0, SECONDS, 0.5, bad="content"))
    assert set(found[LIKELY].codes.tolist()) == {int(Reason.NO_BASIS)}


def test_cut_and_restored_anywhere() -> None:
    whole = outlook().feed(groups(0, SECONDS, 0.5, 8e3))
    parts, kept, at = [], outlook(), 0
    for size in (1, 59, 60, 61, 700, 19, 1300, 200):
        parts.append(kept.feed(groups(at, at + size, 0.5, 8e3)))
        at += size
        other = outlook()
        other.restore(kept.state())
        kept = other
    for name in whole:
        np.testing.assert_array_equal(whole[name].values, np.concatenate([part[name].values for part in parts]))
