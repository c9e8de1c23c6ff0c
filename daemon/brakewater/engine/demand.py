"""What the water is asked to carry: more than the outlet shows yet, where a stand has just begun.

Once a second the larger of two: the heat at the outlet with its thermometer's lag taken off, and the duty as it will
come out of the housing, whose water is one stirred volume: a first-order follow-up over the time in which the flow
changes it, some half a minute. The duty of a moment would cry wolf: over a stand's first seconds it is twice what this
water could carry for long, while the outlet never comes near its limit (12 drawn incidents: plain duty stands above
90 % of what flow and inlet could carry in 5 to 18 % of the seconds of a warm tank, the followed duty and the outlet in
none). What the friction brake takes of the duty counts as if the water had to carry it.
"""

from typing import Any, Final

import numpy as np

from brakewater.engine.held import Held, within
from brakewater.engine.hoisting import Duty
from brakewater.engine.lag_free import Recovered
from brakewater.engine.seconds import BAD, Groups
from brakewater.quality import Reason
from brakewater.stream import Floats

DEMAND: Final = ("demand_w", "demand_std_w")
_SHORTEST_S: Final = 5.0
_LONGEST_S: Final = 120.0
"""Bounds of the time in which the flow changes the housing's water: outside them level or flow is garbage or lost."""
_MOST_W: Final = 1e8
"""Garbage of a register beyond 100 MW is held there."""


class Demand:
    """Of one brake; without the housing's area, or where the duty is not known, of the outlet alone."""

    def __init__(self, area_m2: float | None, step_s: float) -> None:
        self._area, self._step_s = area_m2 or 0.0, step_s
        self._duty, self._duty_std = 0.0, 0.0

    def feed(self, groups: Groups, water: Recovered, duty: Duty | None) -> dict[str, Held]:
        """``demand_w`` and its standard uncertainty, 0 where the outlet leads (its own has ``heat_std_w``); [m]."""
        told = water.heat_w.codes != Reason.NO_BASIS
        heat = np.where(told, np.maximum(water.heat_w.values, 0.0), 0.0)
        if duty is None or self._area == 0.0:
            return _held(heat, np.zeros_like(heat), told)
        known = duty.grades != BAD
        power = np.where(known, within(duty.power_w, 0.0, _MOST_W), heat)
        std = np.where(known, within(duty.std_w, 0.0, _MOST_W), 0.0)
        followed, followed_std = self._followed(self._share_of_a_step(groups), power, std)
        leads = known & (followed > heat)
        return _held(np.where(leads, followed, heat), np.where(leads, followed_std, 0.0), told | known)

    def _share_of_a_step(self, groups: Groups) -> Floats:
        """[m] part of the housing's water that a second's flow changes."""
        flow, level = within(groups.means["flow"], 0.0, 1.0), within(groups.means["level"], 0.0, 10.0)
        fair = (groups.worst("flow", "level") != BAD) & (flow > 0.0)
        stays_s = np.where(fair, self._area * level / np.where(fair, flow, 1.0), _LONGEST_S)
        return self._step_s / within(stays_s, _SHORTEST_S, _LONGEST_S)

    def _followed(self, parts: Floats, power: Floats, std: Floats) -> tuple[Floats, Floats]:
        """Both after each second: an error of the duty lasts, so its uncertainty goes the same way."""
        duty, duty_std = self._duty, self._duty_std
        found, stds = [], []
        rows = zip((1.0 / (1.0 + parts)).tolist(), (parts * power).tolist(), (parts * std).tolist(), strict=True)
        for stays, comes, comes_std in rows:
            duty = stays * (duty + comes)
            duty_std = stays * (duty_std + comes_std)
            found.append(duty)
            stds.append(duty_std)
        self._duty, self._duty_std = duty, duty_std
        return np.array(found), np.array(stds)

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {"duty": self._duty, "std": self._duty_std}

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot."""
        self._duty, self._duty_std = kept["duty"], kept["std"]


def _held(demand: Floats, std: Floats, known: Any) -> dict[str, Held]:
    codes = np.where(known, np.uint8(Reason.GOOD), np.uint8(Reason.NO_BASIS))
    return {
        "demand_w": Held(values=np.where(known, demand, 0.0), codes=codes),
        "demand_std_w": Held(values=np.where(known, std, 0.0), codes=codes),
    }
