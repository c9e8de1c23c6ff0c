"""A trip before it is made: stands, one like the other, through rotor, housing and tank.

    C_s dT_s/dt = P - G (T_s - T_w) - K (T_s - T_c)        C_c dT_c/dt = K (T_s - T_c)
    C_w dT_w/dt = G (T_s - T_w) - m c (T_w - T_t)          C_t dT_t/dt = m c (T_w - T_t) - UA (T_t - T_a) + Q_o

The same lumped balances as in ``physics.rotor`` and ``physics.tank``, half a second at a time, each step implicit. Of
each stand the lowering comes first, at one speed; then the block goes up and the next stand is made up. What is put in
is load times way times line efficiency times the brake's share. The hook load goes from that of the first stand to
that of the last in even steps. Water is at the outlet what it is in the housing: well mixed. Q_o is what others put
into the tank.
"""

from dataclasses import dataclass
from math import ceil
from typing import Final

import numpy as np

from brakewater.physics import fluid
from brakewater.physics.rotor import contact_w_k
from brakewater.physics.trip_plan import Plan
from brakewater.stream import Floats

STEP_S: Final = 0.5
SETTLES_S: Final = 300.0
"""After the last stand what the rotor still holds comes out."""
_MOST: Final = 2000
"""Stretches that a course is thinned to, about."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course:
    """[n] each, ``every_s`` apart, from the first stand on."""

    every_s: float
    put_in_w: Floats
    """Mean over each stretch."""
    rotor_degc: Floats
    outlet_degc: Floats
    tank_degc: Floats

    @property
    def seconds(self) -> Floats:
        """[n] ends of the stretches."""
        ends: Floats = self.every_s * np.arange(1.0, len(self.put_in_w) + 1.0)
        return ends


def course(plan: Plan) -> Course:
    """Runs the plan through the balances; thinned to about 2,000 stretches, peaks kept."""
    powers = _powers(plan)
    at = np.array([plan.tank_degc])
    per_m3 = float((fluid.density_kg_m3(plan.kind, at) * fluid.cp_j_kg_k(plan.kind, at))[0])
    skins, waters, tanks = _carried(plan, powers.tolist(), per_m3)
    stretch = max(1, ceil(len(powers) / _MOST))
    whole = len(powers) // stretch * stretch

    def thinned(values: Floats, *, mean: bool = False) -> Floats:
        rows = values[:whole].reshape(-1, stretch)
        most: Floats = rows.max(axis=1)
        return rows.sum(axis=1) / stretch if mean else most

    return Course(
        every_s=stretch * STEP_S,
        put_in_w=thinned(powers, mean=True),
        rotor_degc=thinned(np.array(skins)),
        outlet_degc=thinned(np.array(waters)),
        tank_degc=thinned(np.array(tanks)),
    )


def _powers(plan: Plan) -> Floats:
    """Power into the rotor in each step."""
    count = ceil((plan.stands * plan.cycle_s + SETTLES_S) / STEP_S)
    t = STEP_S * (np.arange(count) + 0.5)
    number = np.floor(t / plan.cycle_s)
    part = number / max(1, plan.stands - 1)
    load = plan.load_first_n + (plan.load_last_n - plan.load_first_n) * part
    lowering_s = plan.stand_m / plan.lowering_m_s
    # The step in which lowering ends counts as far as it reaches.
    lowered = np.clip((lowering_s - (t - number * plan.cycle_s)) / STEP_S + 0.5, 0.0, 1.0)
    going = np.where(number < plan.stands, lowered, 0.0)
    powers: Floats = load * (plan.lowering_m_s * plan.efficiency * plan.share) * going
    return powers


def _carried(plan: Plan, powers: list[float], per_m3: float) -> tuple[list[float], list[float], list[float]]:
    carries = per_m3 * plan.flow_m3_s
    by_water, by_tank = STEP_S / (per_m3 * plan.housing_m3), STEP_S / (per_m3 * plan.tank_m3)
    skin = core = water = tank = plan.tank_degc
    rotor, loss, air, other = plan.rotor, plan.loss_w_k, plan.ambient_degc, plan.other_w
    skins, waters, tanks = [], [], []
    touch = through = by_skin = by_core = 0.0
    if rotor is not None:
        at = np.array([rotor.wet_m]), np.array([plan.flow_m3_s])
        touch, through = float(contact_w_k(rotor, *at)[0]), rotor.through_w_k
        by_skin, by_core = STEP_S / rotor.surface_j_k, STEP_S / rotor.core_j_k
    for power in powers:
        if rotor is None:
            water = (water + by_water * (power + carries * tank)) / (1.0 + by_water * carries)
            skin = water
        else:
            # Skin and water lean on each other: both at once, so that no step is too long.
            a, b = 1.0 + by_skin * (touch + through), 1.0 + by_water * (touch + carries)
            of_skin, of_water = skin + by_skin * (power + through * core), water + by_water * carries * tank
            skin = (of_skin * b + by_skin * touch * of_water) / (a * b - by_skin * by_water * touch * touch)
            water = (of_water + by_water * touch * skin) / b
            core = (core + by_core * through * skin) / (1.0 + by_core * through)
        tank = (tank + by_tank * (carries * water + loss * air + other)) / (1.0 + by_tank * (carries + loss))
        skins.append(skin)
        waters.append(water)
        tanks.append(tank)
    return skins, waters, tanks
