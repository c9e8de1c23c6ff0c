"""Two coupled numbers by groups of steps: held against the plain loop, and cut anywhere."""

from collections.abc import Iterator

import numpy as np
import pytest

from brakewater.physics.coupled import GROUP, Coupling, Place, stretch
from brakewater.physics.rotor import Driven, RotorModel, RotorState, carried_on

COUPLING = Coupling(0.07, 0.02)
CUTS = ([1], [GROUP], [GROUP - 1, 1], [3, 40, 1, 1, GROUP + 5], [500])
MODEL = RotorModel(
    surface_j_k=6e4, core_j_k=3e5, through_w_k=4e3, still_w_k=6e3, flowing_w_k=1.8e4, rated_m3_s=4.73e-3, wet_m=0.25,
    std=0.2,
)  # fmt: skip


def parts_and_put(n: int = 203) -> tuple[np.ndarray, np.ndarray]:
    random = np.random.default_rng(7)
    return random.uniform(0.5, 0.95, n), random.uniform(-2.0, 9.0, n)


def cut(n: int, sizes: list[int]) -> Iterator[slice]:
    at = turn = 0
    while at < n:
        yield slice(at, at + sizes[turn % len(sizes)])
        at, turn = at + sizes[turn % len(sizes)], turn + 1


def by_groups(sizes: list[int], most: float) -> tuple[np.ndarray, np.ndarray]:
    parts, put = parts_and_put()
    place, sums, found = Place(), (20.0, 40.0, 0.0, 0.0), []
    for part in cut(len(parts), sizes):
        steps = stretch(COUPLING, place, parts[part])
        (one,) = steps.carried([sums], [put[part]], most)
        place, sums = steps.after, one.sums
        found.append(one)
    return np.concatenate([one.x for one in found]), np.concatenate([one.y for one in found])


@pytest.mark.parametrize("sizes", CUTS)
def test_it_is_the_plain_loop(sizes: list[int]) -> None:
    x, y, wanted = 20.0, 40.0, []
    for a, u in zip(*parts_and_put(), strict=True):
        x = a * (x + COUPLING.f * y + u)
        y = (y + COUPLING.b * x) / (1.0 + COUPLING.b)
        wanted.append((x, y))
    found = np.array(by_groups(sizes, np.inf)).T
    assert found == pytest.approx(np.array(wanted), rel=1e-12)


@pytest.mark.parametrize("most", [np.inf, 25.0])
@pytest.mark.parametrize("sizes", CUTS)
def test_cuts_make_no_difference(sizes: list[int], most: float) -> None:
    whole, found = by_groups([203], most), by_groups(sizes, most)
    assert np.array_equal(whole, found)
    assert np.max(whole) <= most


@pytest.mark.parametrize("sizes", CUTS)
def test_a_rotor_is_the_same_however_its_steps_are_cut(sizes: list[int]) -> None:
    n, random = 400, np.random.default_rng(11)
    at = np.arange(n)
    power = np.where(at % 50 < 20, 6e5, 0.0) * random.uniform(0.5, 1.5, n)
    power[220:240] = 1e8  # garbage: the skin is held
    rows = {
        "power_w": power, "power_std_w": 0.1 * power, "contact_w_k": random.uniform(0.0, 2.4e4, n),
        "water_degc": random.uniform(20.0, 60.0, n), "water_std_k": random.uniform(0.1, 0.2, n),
        "flowing": (at % 130 < 90) & (at != 50), "water_j_k": np.where(at < 200, 4e5, 0.0),
    }  # fmt: skip
    states, found = [], []
    for one in ([n], sizes):
        state = RotorState(surface_degc=30.0, core_degc=30.0, water_degc=30.0)
        given = [
            carried_on(MODEL, state, 1.0, Driven(**{name: row[part] for name, row in rows.items()}))
            for part in cut(n, one)
        ]
        found.append([np.concatenate(columns) for columns in zip(*given, strict=True)])
        states.append(state)
    assert np.array_equal(*found)
    assert states[0] == states[1]
    assert found[0][0].max() == 1000.0
