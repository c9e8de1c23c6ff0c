"""What a plan comes to: figures and courses, with the uncertainty that each cause brings.

Uncertainty by the GUM's own numbers (JCGM 100:2008, clause 5.1.3, note 2): each cause is moved by its standard
uncertainty, all is worked out anew, and what that changes is put together as for independent causes. The course itself
is ``plan_course``.
"""

from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np

from brakewater.physics.plan_course import Course, course
from brakewater.physics.rotor import RotorModel
from brakewater.physics.trip_plan import Doubt, Plan
from brakewater.stream import Floats

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
        replace(plan, other_w=plan.other_w * (1.0 + doubt.other)),
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
