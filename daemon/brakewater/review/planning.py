"""From a rig file and what the driller means to do to a plan: figures, limits, and the pace that keeps them."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import sqrt
from typing import Final

import numpy as np

from brakewater.errors import BrakewaterError
from brakewater.physics import fluid
from brakewater.physics.duty import GRAVITY_M_S2, buoyancy
from brakewater.physics.planned import Outcome, planned
from brakewater.physics.trip_plan import LONGEST_S, Doubt, Plan
from brakewater.physics.uncertainty import COVERAGE
from brakewater.rig import Brake, Rig
from brakewater.rig.rotor_model import rotor_model

_RECTANGULAR: Final = 1.0 / sqrt(3.0)
_LOSS_S: Final = 21_600.0
"""Time constant of a full tank nobody has measured; as the watch takes it at first."""
_HANDLING_S: Final = 20.0
"""Nobody makes up the next stand faster; an assumption."""
_SLOWEST: Final = 4.0
"""Stands an hour; slower is no trip."""
_ROUNDS: Final = 8
"""Halvings of a search: to about a percent, and to the safe side."""
_MOST_FLOW: Final = 4.0
"""Times the least flow; no pump of this class gives more."""


class PlanError(BrakewaterError):
    """What was asked for cannot be planned; the message says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Meant:
    """What the driller means to do, SI; None: as the rig file says."""

    hook_first_n: float
    """Block and all."""
    hook_last_n: float
    stands: int
    stand_m: float
    lowering_m_s: float
    per_hour: float
    tank_degc: float
    ambient_degc: float | None = None
    flow_m3_s: float | None = None
    tank_m3: float | None = None
    loss_w_k: float | None = None
    other_w: float | None = None
    """What others put into the tank; None: as the rig file says."""
    share: float = 1.0
    class_m3_s: float | None = None
    """Plan for a brake of this class: least flow, rotor and housing in the same proportion."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One limit and how the plan stands to it."""

    name: str
    at: float
    value: float
    std: float
    lowest: bool = False
    """The value must not be below; else not above."""

    @property
    def verdict(self) -> str:
        """``kept`` with its whole uncertainty, ``passed`` by the value itself, else ``unsure``."""
        room = self.value - self.at if self.lowest else self.at - self.value
        return "passed" if room < -1e-9 else "kept" if room >= COVERAGE * self.std - 1e-9 else "unsure"


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """What came out."""

    brake: Brake
    plan: Plan
    outcome: Outcome
    least_m3_s: float
    """The maker's."""
    needed_m3_s: float | None
    """Least flow that keeps the outlet's limit at this pace; None: none that a pump of this class gives."""
    limits: tuple[Limit, ...]
    per_hour_kept: float | None
    """Quickest pace that keeps every limit; None: none at this lowering speed."""
    lowering_m_s_kept: float | None
    """Where no pace does: quickest lowering that keeps every limit at the pace asked for; None: none, or not needed."""
    notes: tuple[str, ...]

    @property
    def is_kept(self) -> bool:
        """Every limit is."""
        return all(limit.verdict == "kept" for limit in self.limits)


def hook_load_n(rig: Rig, depth_m: float, pipe_kg_m: float, more_kg: float, mud_kg_m3: float) -> float:
    """What the hook carries with the bit at a depth: the buoyed string, and the block of the rig file.

    Args:
        rig: its ``[hoist]`` knows the block.
        depth_m: of the bit.
        pipe_kg_m: drill pipe with its tool joints, in air.
        more_kg: what the collars weigh more than drill pipe of their length, in air.
        mud_kg_m3: density of the mud.
    """
    block = rig.hoist.block_mass if rig.hoist is not None else 0.0
    return ((pipe_kg_m * depth_m + more_kg) * buoyancy(mud_kg_m3) + block) * GRAVITY_M_S2


def plan_trip(rig: Rig, name: str | None, meant: Meant) -> Planned:
    """Works out what a trip would do to the water.

    Args:
        rig: whose brake and tank.
        name: of the brake; None: the first.
        meant: what is to be done.

    Raises:
        PlanError: the rig file or what is meant does not allow a plan.
    """
    brake = next((one for one in rig.brakes if name in (None, one.name)), None)
    if brake is None:
        raise PlanError(f"--brake: found {name!r}; allowed: {', '.join(one.name for one in rig.brakes)}")
    notes: list[str] = []
    times = 1.0 if meant.class_m3_s is None else meant.class_m3_s / brake.least_flow
    least = brake.least_flow * times
    plan = _checked(rig, brake, meant, times, notes)
    doubt = _doubt(rig, brake, meant)
    outcome = planned(plan, doubt)
    if outcome.values["outlet_peak_degc"] > brake.fluid.highest_degc:
        notes.append("the water would boil: beyond that the figures mean nothing but too hot")
    if plan.tank_degc >= brake.inlet_limit:
        notes.append("the tank is above the inlet's limit before it begins: cool it first, no pace helps")
    needed = _flow_needed(plan, doubt, brake, least)
    limits = (*_limits(brake, outcome), Limit(name="flow", at=least, value=plan.flow_m3_s, std=0.0, lowest=True))
    pace = _pace_kept(plan, doubt, brake)
    return Planned(
        brake=brake, plan=plan, outcome=outcome, least_m3_s=least, needed_m3_s=needed, limits=limits,
        per_hour_kept=pace, lowering_m_s_kept=_speed_kept(plan, doubt, brake) if pace is None else None,
        notes=tuple(notes),
    )  # fmt: skip


def _checked(rig: Rig, brake: Brake, meant: Meant, times: float, notes: list[str]) -> Plan:
    if meant.tank_m3 is None and not rig.tanks:
        raise PlanError("the rig file has no [[tank]]; give --tank with its volume")
    if rig.hoist is None:
        notes.append("the rig file has no [hoist]: no friction of the lines is taken off")
    if brake.rotor is None:
        notes.append("the rig file has no rotor for this brake: its temperature is not told, and outlet peaks are high")
    if brake.housing_area is None:
        notes.append("the rig file has no housing-area: a housing of 140 L is assumed for 75 gal/min")
    if meant.ambient_degc is None:
        notes.append("air taken to be as warm as the tank: no heat is lost at first (--ambient says otherwise)")
    tank = meant.tank_m3 if meant.tank_m3 is not None else rig.tanks[0].volume
    if meant.loss_w_k is None:
        notes.append(
            "loss of the tank not known: six hours' time constant when full is assumed (--loss says otherwise)"
        )
    try:
        return Plan(
            load_first_n=meant.hook_first_n, load_last_n=meant.hook_last_n, stands=meant.stands,
            stand_m=meant.stand_m, lowering_m_s=meant.lowering_m_s, cycle_s=3600.0 / meant.per_hour,
            efficiency=rig.hoist.line_efficiency if rig.hoist is not None else 1.0, share=meant.share,
            flow_m3_s=meant.flow_m3_s if meant.flow_m3_s is not None else brake.least_flow * times,
            tank_degc=meant.tank_degc,
            ambient_degc=meant.tank_degc if meant.ambient_degc is None else meant.ambient_degc,
            tank_m3=tank, loss_w_k=_loss_w_k(rig, brake, tank) if meant.loss_w_k is None else meant.loss_w_k,
            other_w=_other_w(rig, meant), housing_m3=_housing_m3(brake) * times, kind=brake.fluid,
            rotor=rotor_model(brake, times),
        )  # fmt: skip
    except ValueError as error:
        raise PlanError(str(error)) from error


def _other_w(rig: Rig, meant: Meant) -> float:
    if meant.other_w is not None:
        return meant.other_w
    return rig.tanks[0].other_heat if rig.tanks else 0.0


def _loss_w_k(rig: Rig, brake: Brake, tank_m3: float) -> float:
    """A tank loses heat by its walls and its surface, so that one that is not full loses as much as a full one."""
    full_m3 = max(rig.tanks[0].volume, tank_m3) if rig.tanks else tank_m3
    return _capacity(brake, full_m3) / _LOSS_S


def _capacity(brake: Brake, tank_m3: float) -> float:
    at = np.array([brake.inlet_limit])
    return tank_m3 * float((fluid.density_kg_m3(brake.fluid, at) * fluid.cp_j_kg_k(brake.fluid, at))[0])


def _housing_m3(brake: Brake) -> float:
    """Water in the housing, with the rotor just wetted."""
    deep = brake.rotor.wet_level if brake.rotor is not None else 0.25
    return (brake.housing_area if brake.housing_area is not None else 0.55 * brake.least_flow / 4.7317647e-3) * deep


def _doubt(rig: Rig, brake: Brake, meant: Meant) -> Doubt:
    """Assumptions where the rig file says nothing; limits taken as rectangular."""
    limits = {
        "load": 0.03,
        "efficiency": rig.hoist.efficiency_accuracy if rig.hoist is not None else 0.2,
        "share": 0.05,
        "flow": 0.03,
        "content": 0.1,
        "loss": 1.0 if meant.loss_w_k is None else 0.3,
        "other": 0.3,
        "model": brake.rotor.accuracy if brake.rotor is not None else 0.0,
    }
    kelvin = {"water_k": 0.5, "ambient_k": 3.0}
    return Doubt(**{name: limit * _RECTANGULAR for name, limit in {**limits, **kelvin}.items()})


def _limits(brake: Brake, outcome: Outcome) -> tuple[Limit, ...]:
    values, stds = outcome.values, outcome.stds
    return (
        Limit(name="inlet", at=brake.inlet_limit, value=values["tank_peak_degc"], std=stds["tank_peak_degc"]),
        Limit(name="outlet", at=brake.outlet_limit, value=values["outlet_peak_degc"], std=stds["outlet_peak_degc"]),
    )


def _keeps(plan: Plan, doubt: Doubt, brake: Brake) -> bool:
    return all(limit.verdict == "kept" for limit in _limits(brake, planned(plan, doubt)))


def _speed_kept(plan: Plan, doubt: Doubt, brake: Brake) -> float | None:
    def keeps(lowering_s: float) -> bool:
        return _keeps(replace(plan, lowering_m_s=plan.stand_m / lowering_s), doubt, brake)

    slowest = max(1.0, plan.cycle_s - _HANDLING_S)
    lowering_s = _least(keeps, min(slowest, plan.stand_m / plan.lowering_m_s), slowest)
    return None if lowering_s is None else plan.stand_m / lowering_s


def _pace_kept(plan: Plan, doubt: Doubt, brake: Brake) -> float | None:
    def keeps(cycle_s: float) -> bool:
        return _keeps(replace(plan, cycle_s=cycle_s), doubt, brake)

    quickest = plan.stand_m / plan.lowering_m_s + _HANDLING_S
    slowest = max(quickest, min(3600.0 / _SLOWEST, LONGEST_S / plan.stands))
    cycle_s = _least(keeps, quickest, slowest)
    return None if cycle_s is None else 3600.0 / cycle_s


def _flow_needed(plan: Plan, doubt: Doubt, brake: Brake, least: float) -> float | None:
    def keeps(flow: float) -> bool:
        outlet = _limits(brake, planned(replace(plan, flow_m3_s=flow), doubt))[1]
        return outlet.verdict == "kept"

    return _least(keeps, max(brake.wetting_flow, 0.05 * least), _MOST_FLOW * least)


def _least(keeps: Callable[[float], bool], low: float, high: float) -> float | None:
    """Least of what keeps, where more keeps better; None where even ``high`` does not."""
    if keeps(low):
        return low
    if not keeps(high):
        return None
    for _ in range(_ROUNDS):
        middle = sqrt(low * high)
        low, high = (low, middle) if keeps(middle) else (middle, high)
    return high
