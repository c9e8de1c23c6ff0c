"""How hot the rotor is: an energy balance of its heated skin and the iron behind, carried on once a second.

    C_s dT_s/dt = P - G (T_s - T_w) - K (T_s - T_c)        C_c dT_c/dt = K (T_s - T_c)

P is the power that the brake takes, G the contact with the water. Both steps are implicit, so no step is too long.
What is not known makes the band: the power's uncertainty and the heat capacity's go through the same balance; those
of the contact stand as a part of the difference between skin and water, and what the skin moves in a second stands
for the time that what drives it comes late. With the flow gone, the water in the housing is carried on too, from what
the rotor gives it; the contact is that of standing water and far less certain, so the band grows.

Contact: still part plus a part that grows with flow to the power 13/16 (turbulent convection, 0.8, as Dittus and
Boelter give it; 13/16 needs square roots only), times the wetted part of the rotor. Only + - * / and square roots are
used.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from math import sqrt
from typing import Final, NamedTuple

import numpy as np

from brakewater.stream import Floats

BOILING_DEGC: Final = 100.0
_STILL_STD: Final = 0.5
"""Relative standard uncertainty of the contact with standing water; an assumption."""
_HOTTEST_DEGC: Final = 1000.0
CORE_STD_K: Final = 10.0
"""Of the iron behind the skin when the watch begins: it may have worked just before; an assumption."""
_SEVERAL: Final = 1.4
"""Contact, flow to the core and capacity are off together: so much more than one of them alone; an assumption."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RotorModel:
    """Parameters of one brake's rotor; SI."""

    surface_j_k: float
    core_j_k: float
    through_w_k: float
    still_w_k: float
    flowing_w_k: float
    """What the rated flow adds to the contact."""
    rated_m3_s: float
    wet_m: float
    """Level that wets the rotor all over."""
    std: float
    """Relative standard uncertainty of each parameter."""


Row = tuple[float, float, float, float, float, float, bool, float]
"""A ``Second`` without its names."""


class Second(NamedTuple):
    """What one step needs."""

    dt_s: float
    power_w: float
    power_std_w: float
    contact_w_k: float
    water_degc: float
    water_std_k: float
    flowing: bool
    water_j_k: float
    """Heat capacity of the water in the housing, for when it stands."""


@dataclass(slots=True, kw_only=True)
class RotorState:
    """What goes on from second to second."""

    surface_degc: float
    core_degc: float
    water_degc: float
    water_std_k: float = 0.0
    core_std_k: float = CORE_STD_K
    skin_std_k: float = 0.0
    """Of the skin by power and heat capacity."""


def contact_w_k(model: RotorModel, level_m: Floats, flow_m3_s: Floats) -> Floats:
    """Conductance from the rotor's skin to the water in W/K; [m]."""
    wet = np.minimum(np.maximum(level_m / model.wet_m, 0.0), 1.0)
    root = np.sqrt(np.maximum(flow_m3_s / model.rated_m3_s, 0.0))
    fourth = np.sqrt(root)
    sixteenth = np.sqrt(np.sqrt(fourth))
    return wet * (model.still_w_k + model.flowing_w_k * (root * fourth * sixteenth))


def carried_on(model: RotorModel, state: RotorState, seconds: Iterable[Second | Row]) -> list[tuple[float, float]]:
    """Skin temperature in degC and its standard uncertainty in K after each second; ``state`` moves on.

    Args:
        model: the rotor.
        state: before the first second.
        seconds: in order; plain tuples will do, and are quicker to make.
    """
    by_surface, by_core, through = 1.0 / model.surface_j_k, 1.0 / model.core_j_k, model.through_w_k
    std = model.std
    skin, core, water = state.surface_degc, state.core_degc, state.water_degc
    skin_std, core_std, water_std = state.skin_std_k, state.core_std_k, state.water_std_k
    of_contact = _SEVERAL * std
    found = []
    for dt, power, power_std, contact, seen, seen_std, flowing, capacity in seconds:
        if flowing:
            water, water_std = seen, seen_std
        elif capacity > 0.0:
            given = dt * contact * (skin - water) / capacity
            water = min(BOILING_DEGC, max(water, water + given))
            water_std += _STILL_STD * abs(given)
        k = dt * by_surface
        a = 1.0 / (1.0 + k * (contact + through))
        before = skin
        skin = a * (skin + k * (power + contact * water + through * core))
        skin = min(skin, _HOTTEST_DEGC)
        b = dt * by_core * through
        core = (core + b * skin) / (1.0 + b)
        skin_std = a * (skin_std + k * (power_std + through * core_std) + std * abs(skin - before))
        core_std /= 1.0 + b
        part = (of_contact if flowing else _STILL_STD) * (skin - water)
        moved = skin - before
        found.append((skin, sqrt(skin_std * skin_std + part * part + water_std * water_std + moved * moved)))
    state.surface_degc, state.core_degc, state.water_degc = skin, core, water
    state.skin_std_k, state.core_std_k, state.water_std_k = skin_std, core_std, water_std
    return found
