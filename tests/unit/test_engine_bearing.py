"""A level that rises faster and faster: the early bound must hold, and so it must however the seconds are cut."""

from pathlib import Path

import numpy as np
import pytest

from brakewater.engine.bearing import Bearing
from brakewater.engine.level import GROUPS
from brakewater.engine.seconds import BAD, GOOD, Groups
from brakewater.quality import Reason
from brakewater.rig import Brake, load

RIG = load(Path(__file__).parents[2] / "config" / "rig-4-full.toml")
BRAKE: Brake = RIG.brakes[0]
FLOW = 5e-3
NAMES = ("time_to_bearing_s", "time_to_bearing_early_s")


def groups(level: np.ndarray, rate: np.ndarray, grade: int = GOOD, flow_grade: int = GOOD) -> Groups:
    m = len(level)
    means = {"level": level, "rate": rate, "flow": np.full(m, FLOW)}
    grades = {name: np.full(m, grade, np.uint8) for name in means} | {"flow": np.full(m, flow_grade, np.uint8)}
    return Groups(t_ns=np.arange(m) * 10**9, means=means, grades=grades)


def closing(growth: float, seconds: int = 80) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Level, its rate as a window of eight seconds shows it, and what is left in s."""
    t = np.arange(float(seconds))
    level = 0.3 + 0.5 * growth * t * t
    rate = growth * np.maximum(t - 0.5 * (GROUPS - 1), 0.0)
    passes = np.sqrt(2.0 * (BRAKE.bearing_level - 0.3) / growth)
    return level, rate, passes - t


@pytest.mark.parametrize("growth", [1e-4, 1.5e-4])
def test_the_early_bound_holds_while_the_rate_grows(growth: float) -> None:
    level, rate, left = closing(growth)
    found = Bearing(BRAKE, 0.003, 1.0).feed(groups(level, rate))
    seen = np.arange(len(rate)) >= 1.5 * GROUPS  # a growth that has just begun is seen in part only
    stands = (rate > 8e-4) & (left > 0.0) & seen
    likely, early = (found[name].values[stands] for name in NAMES)
    assert stands.sum() > 15
    assert (early <= left[stands]).all()
    assert (early >= 0.25 * left[stands] - 5.0).all()  # and is worth something
    assert (early <= likely).all()
    constant = ((BRAKE.bearing_level - level - 0.006) / (rate + 8e-4))[stands]
    assert (constant > left[stands]).any()  # the rate of now alone promises too much


def test_no_faster_than_what_flows_in() -> None:
    level, rate = np.full(30, 0.4), np.where(np.arange(30) < 25, 0.0, 8e-3)  # a hose collapses
    capped, free = (
        Bearing(BRAKE, 0.003, 1.0).feed(groups(level, rate, flow_grade=grade))[NAMES[1]].values[-1]
        for grade in (GOOD, BAD)
    )
    assert BRAKE.housing_area is not None
    assert capped == pytest.approx((0.2 - 0.006) / max(1.1 * FLOW / BRAKE.housing_area, 8e-3 + 3.5e-3 + 8e-4), rel=1e-3)
    assert free < capped


def test_after_a_doubtful_rate_it_counts_as_grown_from_none() -> None:
    bearing = Bearing(BRAKE, 0.003, 1.0)
    steady = groups(np.full(GROUPS, 0.4), np.full(GROUPS, 2e-3))
    first, last = (bearing.feed(steady)[NAMES[1]].values[-1] for _ in range(2))
    assert first < last
    assert (
        bearing.feed(groups(np.full(2, 0.4), np.full(2, 2e-3), BAD))[NAMES[1]].codes.tolist() == [Reason.NO_BASIS] * 2
    )


def test_cut_and_restored_anywhere() -> None:
    level, rate, _ = closing(2e-4)
    whole = Bearing(BRAKE, 0.003, 1.0).feed(groups(level, rate))
    at, parts, bearing = 0, [], Bearing(BRAKE, 0.003, 1.0)
    for size in (1, 3, 20, 8, 1, 47):
        parts.append(bearing.feed(groups(level[at : at + size], rate[at : at + size])))
        at += size
        other = Bearing(BRAKE, 0.003, 1.0)
        other.restore(bearing.state())
        bearing = other
    for name in NAMES:
        np.testing.assert_array_equal(whole[name].values, np.concatenate([part[name].values for part in parts]))


def test_already_there() -> None:
    found = Bearing(BRAKE, 0.003, 1.0).feed(groups(np.full(10, BRAKE.bearing_level + 0.01), np.zeros(10)))
    assert [found[name].values[-1] for name in NAMES] == [0.0, 0.0]
