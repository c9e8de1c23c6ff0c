"""How hot the rotor is: an energy balance of its heated skin and the iron behind, carried on once a second.

    C_s dT_s/dt = P - G (T_s - T_w) - K (T_s - T_c)        C_c dT_c/dt = K (T_s - T_c)

P is the power that the brake takes, G the contact with the water. Both steps are implicit, so no step is too long.
What is not known makes the band: the power's uncertainty and the heat capacity's go through the same balance; those
of the contact stand as a part of the difference between skin and water, which the iron behind follows as it does the
skin, so that a contact that is off is not forgotten in a pause; and what the skin moves in a second stands for the
time that what drives it comes late. With the flow gone, the water in the housing is carried on too, from what
the rotor gives it; the contact is that of standing water and far less certain, so the band grows.

Contact: still part plus a part that grows with flow to the power 13/16 (turbulent convection, 0.8, as Dittus and
Boelter give it; 13/16 needs square roots only), times the wetted part of the rotor. Only + - * / and square roots are
used.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from brakewater.stream import Floats

BOILING_DEGC: Final = 100.0
_STILL_STD: Final = 0.5
"""Relative standard uncertainty of the contact with standing water; an assumption."""
_HOTTEST_DEGC: Final = 1000.0
"""Cast steel glows and the estimate means nothing any more; what is driven by garbage is held there. An assumption."""
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Driven:
    """What [m] steps need; [m] each."""

    power_w: Floats
    power_std_w: Floats
    contact_w_k: Floats
    water_degc: Floats
    water_std_k: Floats
    flowing: NDArray[np.bool_]
    water_j_k: Floats
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


def carried_on(model: RotorModel, state: RotorState, step_s: float, driven: Driven) -> tuple[Floats, Floats]:
    """[m] skin temperature in degC and [m] its standard uncertainty in K after each step; ``state`` moves on.

    Only what hangs on the step before is done step by step, the rest element by element over all of them.

    Args:
        model: the rotor.
        state: before the first step.
        step_s: length of each step.
        driven: in order.
    """
    steps = _Steps(model, step_s)
    parts = 1.0 / (1.0 + steps.k * (driven.contact_w_k + model.through_w_k))
    before, water, water_std = state.surface_degc, driven.water_degc.copy(), driven.water_std_k.copy()
    skin = np.array(steps.skins(state, parts, driven, water, water_std))
    moved = skin - np.concatenate(([before], skin[:-1]))
    part = np.where(driven.flowing, _SEVERAL * model.std, _STILL_STD) * (skin - water)
    followed = steps.b * (np.abs(part) / _SEVERAL)
    skin_std = np.array(steps.skin_stds(state, parts, driven.power_std_w, moved, followed))
    state.water_degc, state.water_std_k = water.item(-1), water_std.item(-1)
    return skin, np.sqrt(skin_std * skin_std + part * part + water_std * water_std + moved * moved)


class _Steps:
    """Step by step."""

    def __init__(self, model: RotorModel, step_s: float) -> None:
        self._step_s, self._through, self._std = step_s, model.through_w_k, model.std
        self.k, self.b = step_s * (1.0 / model.surface_j_k), step_s * (1.0 / model.core_j_k) * model.through_w_k

    def skins(self, state: RotorState, parts: Floats, driven: Driven, water: Floats, water_std: Floats) -> list[float]:
        """Skin after each step. Standing water is carried on and written into [m] ``water`` and ``water_std``."""
        found: list[float] = []
        flowing = driven.flowing
        ends = [*((flowing[1:] != flowing[:-1]).nonzero()[0] + 1).tolist(), len(parts)]
        for first, end in zip([0, *ends], ends, strict=False):
            run, flows = slice(first, end), driven.flowing.item(first)
            if flows:
                found += self._in_flow(state, parts[run], driven.power_w[run] + driven.contact_w_k[run] * water[run])
                state.water_degc, state.water_std_k = water.item(end - 1), water_std.item(end - 1)
            else:
                columns = parts, driven.power_w, driven.contact_w_k, driven.water_j_k
                rows = self._in_standing(state, [column[run].tolist() for column in columns])
                skins, water[run], water_std[run] = zip(*rows, strict=True)
                found += skins
        return found

    def _in_flow(self, state: RotorState, parts: Floats, driven_w: Floats) -> list[float]:
        """``driven_w``: what the brake and the water give, had the skin no temperature of its own."""
        skin, core, k, b, through = state.surface_degc, state.core_degc, self.k, self.b, self._through
        all_b = 1.0 + b
        found: list[float] = []
        for a, power in zip(parts.tolist(), driven_w.tolist(), strict=True):
            skin = a * (skin + k * (power + through * core))
            if skin > _HOTTEST_DEGC:  # noqa: PLR1730 - min() would take a tenth of the loop
                skin = _HOTTEST_DEGC
            core = (core + b * skin) / all_b
            found.append(skin)
        state.surface_degc, state.core_degc = skin, core
        return found

    def _in_standing(self, state: RotorState, columns: list[list[float]]) -> list[tuple[float, float, float]]:
        """Skin, water and the water's standard uncertainty after each step."""
        skin, core, k, b, through = state.surface_degc, state.core_degc, self.k, self.b, self._through
        water, water_std = state.water_degc, state.water_std_k
        found = []
        for a, power, contact, capacity in zip(*columns, strict=True):
            if capacity > 0.0:
                given = self._step_s * contact * (skin - water) / capacity
                water = min(BOILING_DEGC, max(water, water + given))
                water_std += _STILL_STD * abs(given)
            skin = a * (skin + k * (power + contact * water + through * core))
            if skin > _HOTTEST_DEGC:  # noqa: PLR1730 - as above, also of what is no number
                skin = _HOTTEST_DEGC
            core = (core + b * skin) / (1.0 + b)
            found.append((skin, water, water_std))
        state.surface_degc, state.core_degc = skin, core
        return found

    def skin_stds(
        self, state: RotorState, parts: Floats, power_std_w: Floats, moved: Floats, followed: Floats
    ) -> list[float]:
        """Standard uncertainty of the skin by power, capacity and the iron behind it after each step.

        ``followed``: what the iron takes over of the skin's by the contact.
        """
        driven = self.k * power_std_w + self._std * np.abs(moved)
        through, all_b = self.k * self._through, 1.0 + self.b
        std, core, found = state.skin_std_k, state.core_std_k, []
        for a, own, contact in zip(parts.tolist(), driven.tolist(), followed.tolist(), strict=True):
            std = a * (std + own + through * core)
            core = (core + contact) / all_b
            found.append(std)
        state.skin_std_k, state.core_std_k = std, core
        return found
