"""A trip before it is made: stands, one like the other, through rotor, housing and tank.

    C_s dT_s/dt = P - G (T_s - T_w) - K (T_s - T_c)        C_c dT_c/dt = K (T_s - T_c)
    C_w dT_w/dt = G (T_s - T_w) - m c (T_w - T_t)          C_t dT_t/dt = m c (T_w - T_t) - UA (T_t - T_a)

The same lumped balances as in ``physics.rotor`` and ``physics.tank``, half a second at a time, each step implicit. Of
each stand the lowering comes first, at one speed; then the block goes up and the next stand is made up. What is put in
is load times way times line efficiency times the brake's share. The hook load goes from that of the first stand to
that of the last in even steps. Water is at the outlet what it is in the housing: well mixed.

Uncertainty by the GUM's own numbers (JCGM 100:2008, clause 5.1.3, note 2): each cause is moved by its standard
uncertainty, all is worked out anew, and what that changes is put together as for independent causes.
"""

from dataclasses import dataclass, fields, replace
from math import ceil, isfinite
from typing import Final

import numpy as np

from brakewater.physics import fluid
from brakewater.physics.fluid import Fluid
from brakewater.physics.rotor import RotorModel, contact_w_k
from brakewater.stream import Floats

STEP_S: Final = 0.5
LONGEST_S: Final = 86_400.0
"""Nobody plans further than a day."""
SETTLES_S: Final = 300.0
"""After the last stand what the rotor still holds comes out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is meant to be done, and with which water; SI."""

    load_first_n: float
    """What hangs on the hook with the first stand, block and all."""
    load_last_n: float
    stands: int
    stand_m: float
    lowering_m_s: float
    """Mean over the stand."""
    cycle_s: float
    """From stand to stand."""
    efficiency: float
    """Of the lines: friction that helps when lowering."""
    share: float
    """Part of what is left that the brake takes; the friction brake has the rest."""
    flow_m3_s: float
    tank_degc: float
    ambient_degc: float
    tank_m3: float
    loss_w_k: float
    housing_m3: float
    kind: Fluid
    rotor: RotorModel | None
    """None: what is put in is in the water at once."""

    def __post_init__(self) -> None:
        positive = ("load_first_n", "load_last_n", "stands", "stand_m", "lowering_m_s", "flow_m3_s", "tank_m3")
        for name in (*positive, "efficiency", "share", "housing_m3"):
            value = getattr(self, name)
            if not (isfinite(value) and value > 0.0):
                raise ValueError(f"{name}: found {value}; allowed: above 0")
        if self.stand_m / self.lowering_m_s > self.cycle_s:
            raise ValueError(
                f"pace: found {3600 / self.cycle_s:.3g} stands an hour; allowed: at most "
                f"{3600 * self.lowering_m_s / self.stand_m:.3g} at this lowering speed, with no time for the next stand"
            )
        if self.stands * self.cycle_s > LONGEST_S:
            raise ValueError(f"length: found {self.stands * self.cycle_s / 3600:.1f} h; allowed: up to a day")


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """Standard uncertainties, relative unless their name ends in a unit."""

    load: float
    efficiency: float
    share: float
    flow: float
    water_k: float
    ambient_k: float
    content: float
    """Of what the tank holds."""
    loss: float
    model: float
    """Of the rotor: its masses together, and its contact with the water."""


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


FIGURES: Final = (
    "heat_peak_w",
    "heat_mean_w",
    "outlet_peak_degc",
    "rotor_peak_degc",
    "tank_peak_degc",
    "tank_end_degc",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outcome:
    """Figures with their standard uncertainty, and the courses with theirs."""

    course: Course
    outlet_std_k: Floats
    tank_std_k: Floats
    rotor_std_k: Floats
    values: dict[str, float]
    """By ``FIGURES``."""
    stds: dict[str, float]


def course(plan: Plan) -> Course:
    """Runs the plan through the balances; thinned to about 2,000 stretches, peaks kept."""
    powers = _powers(plan)
    at = np.array([plan.tank_degc])
    per_m3 = float((fluid.density_kg_m3(plan.kind, at) * fluid.cp_j_kg_k(plan.kind, at))[0])
    skins, waters, tanks = _carried(plan, powers.tolist(), per_m3)
    stretch = max(1, ceil(len(powers) / 2000))
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
    rotor, loss, air = plan.rotor, plan.loss_w_k, plan.ambient_degc
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
        tank = (tank + by_tank * (carries * water + loss * air)) / (1.0 + by_tank * (carries + loss))
        skins.append(skin)
        waters.append(water)
        tanks.append(tank)
    return skins, waters, tanks


def figures(plan: Plan, run: Course) -> dict[str, float]:
    """By ``FIGURES``; the mean is over the stands' own time, the tank's end is with the rotor emptied into it."""
    stands_s = plan.stands * plan.cycle_s
    return {
        "heat_peak_w": max(plan.load_first_n, plan.load_last_n) * plan.lowering_m_s * plan.efficiency * plan.share,
        "heat_mean_w": float(run.put_in_w.sum()) * run.every_s / stands_s,
        "outlet_peak_degc": float(run.outlet_degc.max()),
        "rotor_peak_degc": float(run.rotor_degc.max()),
        "tank_peak_degc": float(run.tank_degc.max()),
        "tank_end_degc": float(run.tank_degc[-1]),
    }


def _moved(plan: Plan, doubt: Doubt) -> list[Plan]:
    """The plan with one cause after another moved by its standard uncertainty."""
    moved = [
        replace(
            plan,
            load_first_n=plan.load_first_n * (1.0 + doubt.load),
            load_last_n=plan.load_last_n * (1.0 + doubt.load),
        ),
        replace(plan, efficiency=plan.efficiency * (1.0 + doubt.efficiency)),
        replace(plan, share=plan.share * (1.0 + doubt.share)),
        replace(plan, flow_m3_s=plan.flow_m3_s * (1.0 - doubt.flow)),
        replace(plan, tank_degc=plan.tank_degc + doubt.water_k),
        replace(plan, ambient_degc=plan.ambient_degc + doubt.ambient_k),
        replace(plan, tank_m3=plan.tank_m3 * (1.0 - doubt.content)),
        replace(plan, loss_w_k=plan.loss_w_k * (1.0 - doubt.loss)),
    ]
    if plan.rotor is not None:
        part = 1.0 - doubt.model
        masses = _scaled(plan.rotor, part, "surface_j_k", "core_j_k")
        contact = _scaled(plan.rotor, part, "still_w_k", "flowing_w_k")
        moved += [replace(plan, rotor=masses), replace(plan, rotor=contact)]
    return moved


def _scaled(rotor: RotorModel, part: float, *names: str) -> RotorModel:
    values = {one.name: getattr(rotor, one.name) for one in fields(RotorModel)}
    return RotorModel(**{**values, **{name: part * values[name] for name in names}})


def planned(plan: Plan, doubt: Doubt) -> Outcome:
    """The plan's course and figures with their uncertainty.

    Args:
        plan: what is meant to be done.
        doubt: how far each cause is known.
    """
    run = course(plan)
    values = figures(plan, run)
    names = ("outlet_degc", "tank_degc", "rotor_degc")
    squares = {name: np.zeros_like(run.outlet_degc) for name in names}
    sums = dict.fromkeys(FIGURES, 0.0)
    for other in _moved(plan, doubt):
        changed = course(other)
        for name in names:
            apart = getattr(changed, name) - getattr(run, name)
            squares[name] += apart * apart
        for name, value in figures(other, changed).items():
            sums[name] += (value - values[name]) * (value - values[name])
    outlet, tank, rotor = (np.sqrt(squares[name]) for name in names)
    return Outcome(
        course=run, outlet_std_k=outlet, tank_std_k=tank, rotor_std_k=rotor, values=values,
        stds={name: float(np.sqrt(total)) for name, total in sums.items()},
    )  # fmt: skip
