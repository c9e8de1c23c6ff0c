"""The rotor's temperature as the engine carries it: what drives it each second, and how far that is known."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from brakewater.engine.held import Held, within
from brakewater.engine.hoisting import Duty
from brakewater.engine.lag_free import Recovered
from brakewater.engine.seconds import BAD, GOOD, Groups
from brakewater.engine.tail import Tail
from brakewater.physics.rotor import Driven, RotorModel, RotorState, carried_on, contact_w_k
from brakewater.physics.uncertainty import Spread
from brakewater.quality import Reason
from brakewater.stream import Codes, Floats

_WATER_J_M3_K: Final = 4.1e6
"""Heat a cubic metre of water takes a kelvin near 80 degC (IAPWS-IF97: 971.8 kg/m3 and 4.196 kJ/(kg K), 4.08e6); for
standing water only, whose heat is known to some 10 % at best."""
_BACK: Final = 4
"""Seconds over which the outlet's slope is taken."""
_UNKNOWN: Final = 0.3
"""Relative standard uncertainty of a power that is told from the water alone; an assumption."""
_SHARE_STD: Final = 0.05
"""By what a stand's share may differ from the one before; an assumption."""
_MOST_SHARE: Final = 1.2
"""A share above it is an error of the sensors and counts as this; an assumption."""
_NOTHING: Final = 1e9
"""Square of the standard uncertainty of a share that no stand has told."""
_MOST_W: Final = 1e8
"""Garbage of a register beyond 100 MW, some fifty times the largest brake, is held there."""
_TURNS_RAD_S: Final = 0.1
"""One turn a minute: below it an eddy-current brake takes nothing that counts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RotorSense:
    """What the estimate needs of a brake."""

    model: RotorModel
    wetting_m3_s: float
    lag_s: float
    """Of the outlet's thermowell."""
    area_m2: float
    """Of the water in the housing, 0 where unknown."""
    outlet: Spread


class RotorWatch:
    """Of one brake."""

    def __init__(self, sensed: RotorSense, step_s: float) -> None:
        self._model, self._wetting, self._lag_s = sensed.model, sensed.wetting_m3_s, sensed.lag_s
        self._area, self._outlet, self._step_s = sensed.area_m2, sensed.outlet, step_s
        self._tail = Tail(_BACK, 0.0, float(BAD))
        self._power = 0.0
        self._state: RotorState | None = None
        self.to_water_w: Floats = np.zeros(0)
        """[m] heat that it would have given the water in the newest groups."""

    def feed(
        self, groups: Groups, water: Recovered, duty: Duty | None, share: tuple[Held, Held] | None
    ) -> dict[str, Held]:
        """``rotor_temperature_degc`` and its standard uncertainty after each of [m] groups."""
        power, std, codes = self._driven(groups, water, duty, share)
        seen, sound = self._water_now(groups)
        flow, level = within(groups.means["flow"], 0.0, 1.0), within(groups.means["level"], 0.0, 10.0)
        flowing = sound & (flow >= self._wetting)
        contact = contact_w_k(self._model, level, np.where(flowing, flow, 0.0))
        capacity = _WATER_J_M3_K * self._area * level
        if self._state is None:
            first = float(seen[0])
            self._state = RotorState(surface_degc=first, core_degc=first, water_degc=first)
        driven = Driven(
            power_w=power, power_std_w=std, contact_w_k=contact, water_degc=seen,
            water_std_k=self._outlet.std(seen), flowing=flowing, water_j_k=capacity,
        )  # fmt: skip
        skin, skin_std = carried_on(self._model, self._state, self._step_s, driven)
        self.to_water_w = contact * (skin - seen)
        codes = np.where(flowing, codes, np.uint8(Reason.DOUBTFUL_BASIS))
        return {
            "rotor_temperature_degc": Held(values=skin, codes=codes),
            "rotor_temperature_std_k": Held(values=skin_std, codes=codes),
        }

    def _driven(
        self, groups: Groups, water: Recovered, duty: Duty | None, share: tuple[Held, Held] | None
    ) -> tuple[Floats, Floats, Codes]:
        """Power, its standard uncertainty and its worth: by the hoist, else by the water, else as it last was."""
        m = len(groups.t_ns)
        known = water.grades != BAD
        idle = _idle(groups)
        at = np.maximum.accumulate(np.where(known, np.arange(m), -1))
        by_water = np.where(at >= 0, water.to_water_w[np.maximum(at, 0)], self._power)
        by_water = np.maximum(by_water, 0.0)
        self._power = float(by_water[-1])
        by_water = np.where(idle, 0.0, by_water)
        std = np.where(known, _UNKNOWN, 1.0) * by_water
        codes = np.where(known | idle, np.uint8(Reason.GOOD), np.uint8(Reason.DOUBTFUL_BASIS))
        if duty is None or share is None:
            return by_water, std, codes
        part, part_std = _part(*share)
        hoisted = duty.grades != BAD
        by_hoist = duty.power_w * part
        return (
            np.where(hoisted, by_hoist, by_water),
            np.where(hoisted, within(duty.power_w * part_std, 0.0, _MOST_W), std),
            np.where(hoisted, np.uint8(Reason.GOOD), codes),
        )

    def _water_now(self, groups: Groups) -> tuple[Floats, Any]:
        """The water in the housing now, with the well's lag taken off by a slope over four seconds."""
        m = len(groups.t_ns)
        outlet, grades = self._tail.extended(groups.means["outlet"], groups.grades["outlet"].astype(np.float64))
        slope = (outlet[_BACK:] - outlet[:m]) / (_BACK * self._step_s)
        steady = (grades[:m] != BAD) & (grades[_BACK:] != BAD)
        ahead = np.where(steady, slope * (self._lag_s + 0.5 * self._step_s), 0.0)
        return within(outlet[_BACK:] + ahead, -50.0, 150.0), grades[_BACK:] != BAD

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        kept = self._state
        parts = None if kept is None else [getattr(kept, name) for name in RotorState.__slots__]
        return {"tail": self._tail.state(), "power": self._power, "carried": parts}

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot."""
        self._tail.restore(kept["tail"])
        self._power = kept["power"]
        parts = kept["carried"]  # an older version's have no group of steps: one begins
        self._state = (
            None if parts is None else RotorState(**dict(zip(RotorState.__slots__, map(_whole, parts), strict=False)))
        )


def _whole(part: Any) -> Any:
    """A part of the state as it was before a snapshot's JSON made lists of tuples."""
    return tuple(part) if isinstance(part, list) else part


def _part(share: Held, std: Held) -> tuple[Floats, Floats]:
    """[m] part of the duty that the brake takes and its standard uncertainty: all of it, and what a stand told."""
    told_2 = np.where(share.codes == Reason.GOOD, std.values * std.values + _SHARE_STD * _SHARE_STD, _NOTHING)
    own_2 = _UNKNOWN * _UNKNOWN
    both_2 = told_2 + own_2
    value = np.minimum(np.maximum(share.values, 0.0), _MOST_SHARE)
    return (value * own_2 + told_2) / both_2, np.sqrt(told_2 * own_2 / both_2)


def _idle(groups: Groups) -> Any:
    """[m] whether the brake surely takes nothing: out of service, or its drum at rest."""
    idle = np.zeros(len(groups.t_ns), np.bool_)
    if "service" in groups.means:
        idle |= (groups.grades["service"] == GOOD) & (groups.means["service"] == 0.0)
    if "drum" in groups.means:
        idle |= (groups.grades["drum"] == GOOD) & (np.abs(groups.means["drum"]) < _TURNS_RAD_S)
    return idle
