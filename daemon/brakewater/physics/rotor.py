"""How hot the rotor is: an energy balance of its heated skin and the iron behind, carried on once a second.

    C_s dT_s/dt = P - G (T_s - T_w) - K (T_s - T_c)        C_c dT_c/dt = K (T_s - T_c)

P is the power that the brake takes, G the contact with the water. Both steps are implicit, so no step is too long.
What is not known makes the band. Contact and power are off by the same all the time, so that what they move the skin,
the iron behind it and standing water by goes through the same balance from step to step (the tangent of the steps):
what a contact that is off puts into the iron is not forgotten in a pause, and heat that standing water did not get is
still in the rotor. While the brake works the flow into the iron is counted off together with the contact. The rest
stands beside it: what heat passes between skin and iron, the iron at the watch's start, the thermometer, and what the
skin moves in a second for the time that what drives it comes late. With the flow gone, the water in the housing is
carried on too, from what the rotor gives it; the contact is that of standing water and far less certain, so the band
grows.

From power and the water's heat alone nobody can tell a rotor from one with all of its parameters a fifth larger, half
as warm over the water: however long it is watched, that much of the band stays.

Contact: still part plus a part that grows with flow to the power 13/16 (turbulent convection, 0.8, as Dittus and
Boelter give it; 13/16 needs square roots only), times the wetted part of the rotor. Only + - * / and square roots are
used.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from brakewater.physics.coupled import AT_BEGIN, Coupling, Place, Stretch, Sums, Way, stretch
from brakewater.stream import Floats

BOILING_DEGC: Final = 100.0
_STILL_STD: Final = 0.5
"""Relative standard uncertainty of the contact with standing water; an assumption."""
_HOTTEST_DEGC: Final = 1000.0
"""Cast steel glows and the estimate means nothing any more; what is driven by garbage is held there. An assumption."""
CORE_STD_K: Final = 10.0
"""Of the iron behind the skin when the watch begins: it may have worked just before; an assumption."""
_IRON_STD: Final = 0.08
"""Relative, of what passes between skin and iron, for two masses that stand for iron all through; an assumption."""
_FORGOTTEN_K: Final = 0.01
"""What is left of the iron's at the watch's start below it counts no more."""


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
    """Of the thermometer."""
    begun_std_k: float = CORE_STD_K
    """What is left of the iron's at the watch's start."""
    by_contact_k: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """What skin, core and standing water are off by, were the contact less by its standard uncertainty."""
    by_power_k: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """The same of more power."""
    place: int = 0
    """In a group of steps in flowing water, as ``physics.coupled`` has them; what follows is of that group."""
    way: Way = AT_BEGIN
    of_skin: Sums = (0.0, 0.0, 0.0, 0.0)
    of_contact: Sums = (0.0, 0.0, 0.0, 0.0)
    of_power: Sums = (0.0, 0.0, 0.0, 0.0)


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
    touching = driven.contact_w_k + model.through_w_k
    parts, to_iron = 1.0 / (1.0 + steps.k * touching), model.through_w_k / touching
    before = state.surface_degc, state.water_degc
    runs = _runs(driven.flowing)
    water, water_std = driven.water_degc.copy(), driven.water_std_k.copy()
    skin, core = steps.skins(state, parts, driven, (water, water_std), runs)
    over, earlier = skin - water, np.concatenate((before[:1], skin[:-1]))
    by_contact, by_power = steps.off(state, parts, driven, (over, earlier, before[1], water), runs)
    working = driven.flowing & (driven.power_w > 0.0)
    by_contact += model.std * (working * to_iron * over)
    iron, moved = to_iron * (skin - core), skin - earlier
    of_iron = 2.0 * model.std * model.std + _IRON_STD * _IRON_STD
    variance = (
        by_contact * by_contact + by_power * by_power + of_iron * (iron * iron) + water_std * water_std + moved * moved
    )
    if state.begun_std_k > 0.0:
        begun = to_iron * steps.begun(state, to_iron)
        variance += begun * begun
    return skin, np.sqrt(variance)


_Runs = list[tuple[slice, bool]]


def _runs(flowing: NDArray[np.bool_]) -> _Runs:
    """Steps one after another in which the water flows, or stands."""
    if len(flowing) == 1:
        return [(slice(0, 1), flowing.item())]
    ends = [*((flowing[1:] != flowing[:-1]).nonzero()[0] + 1).tolist(), len(flowing)]
    return [(slice(first, end), flowing.item(first)) for first, end in zip([0, *ends], ends, strict=False)]


class _Steps:
    """Step by step where water stands, by groups of steps where it flows."""

    def __init__(self, model: RotorModel, step_s: float) -> None:
        self._step_s, self._through, self._std = step_s, model.through_w_k, model.std
        self.k, self.b = step_s * (1.0 / model.surface_j_k), step_s * (1.0 / model.core_j_k) * model.through_w_k
        self._coupling = Coupling(self.k * model.through_w_k, self.b)
        self._stretches = dict[int, tuple[bool, Stretch]]()
        """Of each run in flowing water, by its first step: whether it begins a group, and its steps."""

    def skins(
        self, state: RotorState, parts: Floats, driven: Driven, waters: tuple[Floats, Floats], runs: _Runs
    ) -> tuple[Floats, Floats]:
        """Skin and core after each step; [m] water and its thermometer's standard uncertainty are carried on in place.

        Where water stands, the latter is the one of when the flow was lost.
        """
        water, water_std = waters
        skin, core = np.empty(len(parts)), np.empty(len(parts))
        for run, flows in runs:
            if flows:
                driven_w = driven.power_w[run] + driven.contact_w_k[run] * water[run]
                skin[run], core[run] = self._in_flow(state, run.start, parts[run], driven_w)
                state.water_degc, state.water_std_k = water.item(run.stop - 1), water_std.item(run.stop - 1)
            else:
                columns = parts, driven.power_w, driven.contact_w_k, driven.water_j_k
                found = self._in_standing(state, [column[run].tolist() for column in columns])
                skin[run], core[run], water[run] = found
                water_std[run] = state.water_std_k
                state.water_degc, state.place, state.way = found[2][-1], 0, AT_BEGIN
        return skin, core

    def _in_flow(self, state: RotorState, first: int, parts: Floats, driven_w: Floats) -> tuple[Floats, Floats]:
        """``driven_w``: what the brake and the water give, had the skin no temperature of its own."""
        begins = state.place == 0
        steps = stretch(self._coupling, Place(state.place, state.way), parts)
        self._stretches[first] = begins, steps
        sums = (state.surface_degc, state.core_degc, 0.0, 0.0) if begins else state.of_skin
        (found,) = steps.carried([sums], [self.k * driven_w], _HOTTEST_DEGC)
        state.surface_degc, state.core_degc, state.of_skin = found.x.item(-1), found.y.item(-1), found.sums
        state.place, state.way = steps.after.at, steps.after.way
        return found.x, found.y

    def _in_standing(self, state: RotorState, columns: list[list[float]]) -> list[list[float]]:
        """Skin, core and water after each step."""
        skin, core, k, b, through = state.surface_degc, state.core_degc, self.k, self.b, self._through
        water = state.water_degc
        skins, cores, waters = list[float](), list[float](), list[float]()
        for a, power, contact, capacity in zip(*columns, strict=True):
            if capacity > 0.0:
                given = self._step_s * contact * (skin - water) / capacity
                water = min(BOILING_DEGC, max(water, water + given))
            skin = a * (skin + k * (power + contact * water + through * core))
            if skin > _HOTTEST_DEGC:  # noqa: PLR1730 - as above, also of what is no number
                skin = _HOTTEST_DEGC
            core = (core + b * skin) / (1.0 + b)
            skins.append(skin)
            cores.append(core)
            waters.append(water)
        state.surface_degc, state.core_degc = skin, core
        return [skins, cores, waters]

    def off(
        self, state: RotorState, parts: Floats, driven: Driven, seen: tuple[Floats, Floats, float, Floats], runs: _Runs
    ) -> tuple[Floats, Floats]:
        """[m] what the skin is off by after each step, were the contact less, or the power more, by as much as it may.

        ``seen``: skin over water, skin a step earlier, water before the first step, water.
        """
        over, earlier, first, water = seen
        contact, power = self.k * driven.contact_w_k, self.k * driven.power_std_w
        by_contact, by_power = np.empty(len(parts)), np.empty(len(parts))
        for run, flows in runs:
            if flows:
                kept = self._std * (contact[run] * over[run])
                found: Any = self._off_in_flow(state, run.start, kept, power[run])
            else:
                held = driven.water_j_k[run]
                by_kelvin = np.where(held > 0.0, self._step_s * driven.contact_w_k[run] / np.maximum(held, 1e-9), 0.0)
                was = np.concatenate(((first if run.start == 0 else water[run.start - 1],), water[run][:-1]))
                missed = _STILL_STD * (by_kelvin * (earlier[run] - was))
                kept = _STILL_STD * (contact[run] * over[run])
                rows = [one.tolist() for one in (parts[run], kept, power[run], missed, contact[run], by_kelvin)]
                found = self._off_in_standing(state, rows)
            by_contact[run], by_power[run] = found
        return by_contact, by_power

    def _off_in_flow(self, state: RotorState, first: int, kept: Floats, power: Floats) -> tuple[Floats, Floats]:
        begins, steps = self._stretches[first]
        if begins:
            state.of_contact = (*state.by_contact_k[:2], 0.0, 0.0)
            state.of_power = (*state.by_power_k[:2], 0.0, 0.0)
        less, more = steps.carried([state.of_contact, state.of_power], [kept, power])
        state.by_contact_k, state.of_contact = (less.x.item(-1), less.y.item(-1), 0.0), less.sums
        state.by_power_k, state.of_power = (more.x.item(-1), more.y.item(-1), 0.0), more.sums
        return less.x, more.x

    def _off_in_standing(self, state: RotorState, columns: list[list[float]]) -> tuple[list[float], list[float]]:
        (skin, core, water), (more, iron, warmed) = state.by_contact_k, state.by_power_k
        through, b, all_b = self.k * self._through, self.b, 1.0 + self.b
        by_contact, by_power = list[float](), list[float]()
        for a, own, put_in, missed, contact, by_kelvin in zip(*columns, strict=True):
            water = (water - missed + by_kelvin * skin) / (1.0 + by_kelvin)
            skin = a * (skin + own + contact * water + through * core)
            core = (core + b * skin) / all_b
            warmed = (warmed + by_kelvin * more) / (1.0 + by_kelvin)
            more = a * (more + put_in + contact * warmed + through * iron)
            iron = (iron + b * more) / all_b
            by_contact.append(skin)
            by_power.append(more)
        state.by_contact_k, state.by_power_k = (skin, core, water), (more, iron, warmed)
        return by_contact, by_power

    def begun(self, state: RotorState, to_iron: Floats) -> Floats:
        """[m] what is left of the iron's standard uncertainty at the watch's start after each step."""
        parts = (1.0 + self.b * to_iron) / (1.0 + self.b)  # below 1 each
        left = np.multiply.accumulate(np.concatenate(((state.begun_std_k,), parts)))
        found: Floats = np.where(left[:-1] > _FORGOTTEN_K, left[1:], 0.0)
        state.begun_std_k = found.item(-1)
        return found
