"""What makes the rotor's band, held against the rotor carried on again with what is uncertain changed."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from brakewater.physics.rotor import Driven, RotorModel, RotorState, carried_on

MODEL = RotorModel(
    surface_j_k=6e4, core_j_k=3e5, through_w_k=4e3, still_w_k=6e3, flowing_w_k=1.8e4, rated_m3_s=4.73e-3, wet_m=0.25,
    std=0.01,
)  # fmt: skip
SECONDS = np.arange(240)
WORK = np.where(SECONDS % 120 < 40, 6e5, 0.0)
FLOWS = np.ones(240, bool)
LOST = SECONDS < 150
STILL = 0.5
"""Relative standard uncertainty of the contact with standing water."""


def driven(flowing: Any = FLOWS, power: float = 1.0, contact: Any = 1.0) -> Driven:
    """Two stands; where it does not flow, 100 L stand in the housing."""
    return Driven(
        power_w=power * WORK, power_std_w=0.02 * WORK, contact_w_k=contact * np.where(flowing, 2.4e4, 6e3),
        water_degc=30.0 + 0.02 * SECONDS, water_std_k=np.full(240, 0.2), flowing=flowing,
        water_j_k=np.full(240, 4.1e5),
    )  # fmt: skip


def skin(by: Driven) -> Any:
    return carried_on(MODEL, cool(), 1.0, by)[0]


def cool() -> RotorState:
    return RotorState(surface_degc=30.0, core_degc=30.0, water_degc=30.0, begun_std_k=0.0)


@pytest.mark.parametrize("flowing", [FLOWS, LOST], ids=["flows", "lost"])
@pytest.mark.parametrize("seconds", [30, 45, 100, 149, 152, 175, 239])
def test_what_power_and_contact_move_the_skin_by(flowing: Any, seconds: int) -> None:
    state, by, at = cool(), driven(flowing), seconds - 1
    until = {name: getattr(by, name)[:seconds] for name in Driven.__slots__}
    carried_on(MODEL, state, 1.0, Driven(**until))
    more = skin(driven(flowing, power=1.02)) - skin(by)
    assert state.by_power_k[0] == pytest.approx(more[at], rel=0.03, abs=1e-3)
    small = 1e-4
    less = skin(driven(flowing, contact=1.0 - small * np.where(flowing, MODEL.std, STILL))) - skin(by)
    assert state.by_contact_k[0] == pytest.approx(less[at] / small, rel=0.06, abs=0.03)


def test_the_band_grows_without_flow_and_heat_is_not_counted_twice() -> None:
    sure = replace(MODEL, std=0.0)
    flowing, std = (carried_on(sure, cool(), 1.0, driven(one))[1] for one in (FLOWS, LOST))
    assert std[175] > 5.0 * flowing[175]
    # what a contact that is off kept in the rotor is in the water in the end: the band closes again
    columns = {name: getattr(driven(LOST), name) for name in Driven.__slots__}
    long = Driven(**{name: np.concatenate((one, np.repeat(one[-1:], 3000))) for name, one in columns.items()})
    state = cool()
    carried_on(sure, state, 1.0, long)
    assert abs(state.by_contact_k[0]) < 0.05 * std[175]


def test_the_iron_at_the_start_is_forgotten() -> None:
    begun = replace(cool(), begun_std_k=10.0)
    std, known = (carried_on(MODEL, state, 1.0, driven())[1] for state in (begun, cool()))
    # 10 K of the iron fade in 87.5 s (75 s by 24 of 28 kW/K), a seventh of them shows in the skin (4 of 28 kW/K)
    assert np.sqrt(std[9] ** 2 - known[9] ** 2) == pytest.approx(10.0 * np.exp(-10.0 / 87.5) / 7.0, rel=0.01)
    for _ in range(8):
        carried_on(MODEL, begun, 1.0, driven())
    assert begun.begun_std_k == 0.0


def test_standing_water_gets_no_hotter_than_it_boils() -> None:
    """120 kW through 6 kW/K: 20 K over water that boils at 100 degC, however long."""
    m = 3000
    steady = Driven(
        power_w=np.full(m, 1.2e5), power_std_w=np.zeros(m), contact_w_k=np.full(m, 6e3), water_degc=np.full(m, 30.0),
        water_std_k=np.zeros(m), flowing=np.zeros(m, bool), water_j_k=np.full(m, 4.1e5),
    )  # fmt: skip
    assert carried_on(MODEL, cool(), 1.0, steady)[0][-1] == pytest.approx(120.0, abs=0.5)


def alone(seconds: int, power_w: float, model: RotorModel, state: RotorState, water_std_k: float = 0.0) -> Any:
    """Skin and band in steadily flowing water, with power and thermometer otherwise exact."""
    steady = Driven(
        power_w=np.full(seconds, power_w), power_std_w=np.zeros(seconds), contact_w_k=np.full(seconds, 2.4e4),
        water_degc=np.full(seconds, 30.0), water_std_k=np.full(seconds, water_std_k),
        flowing=np.ones(seconds, bool), water_j_k=np.full(seconds, 4.1e5),
    )  # fmt: skip
    return carried_on(model, state, 1.0, steady)


SURE = replace(MODEL, std=0.0)


def test_a_watch_that_begins_does_not_know_the_iron_behind_the_skin() -> None:
    """To 10 K, of which through / (contact + through) shows in the skin."""
    cold = RotorState(surface_degc=30.0, core_degc=30.0, water_degc=30.0)
    assert alone(1, 0.0, SURE, cold)[1][0] == pytest.approx(10.0 * 4e3 / 2.8e4, rel=0.02)


def test_the_thermometers_own_uncertainty_is_in_the_band() -> None:
    assert alone(5, 0.0, SURE, cool(), water_std_k=0.4)[1][-1] == pytest.approx(0.4)


def test_what_the_skin_moves_in_a_second_is_in_the_band() -> None:
    """What drives it is a second's mean and may have come at its end."""
    skin_degc, std = alone(10, 6e5, replace(SURE, through_w_k=1e-3), cool())
    moved = np.diff(skin_degc, prepend=30.0)
    assert moved[0] > 5.0
    np.testing.assert_allclose(std, moved, rtol=1e-6)


def test_what_passes_into_the_iron_is_known_to_eight_per_cent_at_best() -> None:
    """Two masses stand for iron all through."""
    state = cool()
    skin_degc, std = alone(60, 6e5, SURE, state)
    iron = 4e3 / 2.8e4 * (skin_degc[-1] - state.core_degc)
    assert iron > 1.0
    assert std[-1] == pytest.approx(np.hypot(0.08 * iron, skin_degc[-1] - skin_degc[-2]), rel=1e-6)
