"""Duty from hook load and block, and stand by stand what part of it the water carries, and what the torque is worth.

Once a second. A stand counts from where lowering begins to where it begins again; over so long the rotor is back where
it was, and what the housing's water stores is counted by its temperature.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from brakewater.engine.held import Held, graded, whole, within
from brakewater.engine.seconds import BAD, GOOD, Grades, Groups
from brakewater.engine.tail import Tail
from brakewater.physics.duty import GRAVITY_M_S2, TorqueLaw, duty_w, torque_n_m
from brakewater.physics.uncertainty import Spread
from brakewater.quality import Reason
from brakewater.rig.tables import Hoist
from brakewater.stream import Floats, Ints

_LOADED: Final = 1.25
"""A string hangs where the hook carries so many times the empty block; an assumption."""
_LOWERING_M_S: Final = 0.1
"""A block that goes down more slowly is being set, not lowered; an assumption."""
_REST_S: Final = 15
"""Shorter pauses belong to the same stand; an assumption."""
_LEAST_STAND_J: Final = 1e6
"""Less is no stand: 27 m under 38 kN, which is less than any block with a string on it; an assumption."""
_MOST_W: Final = 1e8
"""Garbage of a register beyond 100 MW is held there."""
_NOISE_M_S: Final = 0.01
"""Standard uncertainty of a speed by the step of the block's position in a second; an assumption."""
_LAW_STD: Final = 0.02
"""Relative standard uncertainty of drum speed and current in the torque law, over a stand; an assumption."""
_LEFT_STD: Final = 0.5
"""Relative, of what a stand leaves in the water and the rotor: they are not as warm as the outlet; an assumption."""
_LATE_STEPS: Final = 3.0
"""A second that comes so many steps after the one before tells no speed."""
_SUMS: Final = 8
"""Duty, heat and its three parts, torque law, mJ; seconds in which the water's heat is not known, and all of them."""
BLIND: Final = 0.05
"""A stand in so large a part of which the heat is not known tells nothing; an assumption."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensed:
    """Spreads of the two signals, and what the torque law needs."""

    hoist: Hoist
    load: Spread
    block: Spread
    correlation: float
    law: TorqueLaw | None
    wetting_m3_s: float
    water_j_k: float
    """Heat capacity of the housing's water and the rotor, for what a stand leaves behind."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Duty:
    """[m] each."""

    power_w: Floats
    std_w: Floats
    grades: Grades
    lowering: NDArray[np.bool_]


class Hoisting:
    """Of one brake."""

    def __init__(self, sensed: Sensed, step_s: float) -> None:
        self._sensed, self._step_s = sensed, step_s
        self._tail = Tail(1, 0.0, 0.0, 0.0, float(BAD))
        self._last_ns = 0
        self._rest = _REST_S
        self._sums = [0] * _SUMS
        self._begun: list[int] | None = None
        self._begun_degc = 0.0
        self.share = (0.0, 0.0, int(Reason.NO_BASIS))
        self.torque = (0.0, 0.0, int(Reason.NO_BASIS))

    def duty(self, groups: Groups) -> Duty:
        """Power into the brakes; 0 unless a string goes down."""
        hoist, sensed = self._sensed.hoist, self._sensed
        worst = groups.worst("hook", "block").astype(np.float64)
        load, block, service, grades = self._tail.extended(
            groups.means["hook"], groups.means["block"], _in_service(groups), worst
        )
        t = np.concatenate(([self._last_ns], groups.t_ns))
        self._last_ns = int(groups.t_ns[-1])
        dt = (t[1:] - t[:-1]) / 1e9
        down = (block[:-1] - block[1:]) / np.maximum(dt, 1e-3)
        mean_load = 0.5 * (load[:-1] + load[1:])
        bad = (dt > _LATE_STEPS * self._step_s) | (np.maximum(grades[:-1], grades[1:]) == BAD)
        loaded = mean_load > _LOADED * hoist.block_mass * GRAVITY_M_S2
        power = within(
            np.where(loaded & (service[1:] >= 0.5), duty_w(mean_load, down, hoist.line_efficiency), 0.0), 0.0, _MOST_W
        )
        by_load = sensed.load.std(mean_load) / np.maximum(np.abs(mean_load), 1.0)
        by_speed = _NOISE_M_S / np.maximum(np.abs(down), _NOISE_M_S)
        scale = sum(share * share for _, share in sensed.block.limits) / 3.0
        of_hoist = hoist.efficiency_accuracy / sqrt(3.0)
        relative = np.sqrt(by_load * by_load + by_speed * by_speed + (scale + of_hoist * of_hoist))
        found = np.where(bad, BAD, np.maximum(grades[:-1], grades[1:])).astype(np.uint8)
        return Duty(
            power_w=power,
            std_w=power * relative,
            grades=found,
            lowering=~bad & (power > 0.0) & (down > _LOWERING_M_S),
        )

    def stands(self, groups: Groups, duty: Duty, heat_mj: Ints, starts: Sequence[int]) -> dict[str, Held]:
        """Share and torque index of the last stand that is over.

        Args:
            groups: [m].
            duty: [m].
            heat_mj: [4, m] heat carried off in each group and its parts, ``Energy.feed``.
            starts: groups at which a stand begins, ``starts``.
        """
        step_ms = round(self._step_s * 1e3)
        blind = (groups.worst("flow", "inlet", "outlet") == BAD) | (groups.means["flow"] < self._sensed.wetting_m3_s)
        law_mj = whole(self._law_w(groups) * step_ms)
        rows = np.array([whole(duty.power_w * step_ms), *heat_mj, law_mj, blind, np.ones_like(blind)], np.int64)
        sums = np.cumsum(rows, axis=1) + np.array(self._sums).reshape(-1, 1)
        self._sums = sums[:, -1].tolist()
        m = len(groups.t_ns)
        share = np.empty((3, m)), np.empty((3, m))
        at = 0
        for start in [*starts, m]:
            share[0][:, at:start] = np.array(self.share).reshape(-1, 1)
            share[1][:, at:start] = np.array(self.torque).reshape(-1, 1)
            at = start
            if start < m:
                before = sums[:, start] - rows[:, start]
                self._close(before.tolist(), float(groups.means["outlet"][start]))
        return {
            "heat_share": _held(share[0][0], share[0][2]),
            "heat_share_std": _held(share[0][1], share[0][2]),
            "torque_index": _held(share[1][0], share[1][2]),
            "torque_index_std": _held(share[1][1], share[1][2]),
        }

    def _law_w(self, groups: Groups) -> Floats:
        if self._sensed.law is None or "drum" not in groups.means or "coil" not in groups.means:
            return np.zeros(len(groups.t_ns))
        turn = np.abs(groups.means["drum"])
        return torque_n_m(self._sensed.law, turn, groups.means["coil"]) * turn

    def starts(self, lowering: NDArray[np.bool_]) -> list[int]:
        """Groups at which lowering begins after a rest; asked once of each block."""
        before = np.concatenate(([False], lowering[:-1]))
        rested, starts = self._rest, []
        last = -rested  # the group after which the rest counts
        at = np.arange(len(lowering))
        for edge in at[lowering & ~before].tolist():
            earlier = at[:edge][lowering[:edge]]
            rest = edge - int(earlier[-1]) - 1 if len(earlier) else edge - last
            if rest >= _REST_S:
                starts.append(edge)
        seen = at[lowering]
        self._rest = len(lowering) - 1 - int(seen[-1]) if len(seen) else rested + len(lowering)
        return starts

    def _close(self, sums: list[int], outlet_degc: float) -> None:
        """A stand is over: its energies give share and index."""
        begun, self._begun = self._begun, sums
        left = self._sensed.water_j_k * (outlet_degc - self._begun_degc)
        self._begun_degc = outlet_degc
        if begun is None:
            return
        *energies, blind, seconds = [new - old for new, old in zip(sums, begun, strict=True)]
        if blind > BLIND * seconds:
            self.share = self.torque = (0.0, 0.0, int(Reason.NO_BASIS))
            return
        duty, heat, *parts, law = [mj / 1e3 for mj in energies]
        flow, inlet, outlet = parts
        pair = 2.0 * self._sensed.correlation * inlet * outlet
        heat_var = max(0.0, flow * flow + inlet * inlet + outlet * outlet + pair) + (_LEFT_STD * left) * (
            _LEFT_STD * left
        )
        for name, by, relative in (("share", duty, self._duty_std()), ("torque", law, _LAW_STD)):
            if by < _LEAST_STAND_J:
                continue
            value = (heat + left) / by
            std = sqrt(heat_var / (by * by) + value * value * relative * relative)
            setattr(self, name, (value, std, int(Reason.GOOD)))

    def _duty_std(self) -> float:
        """Relative, of a stand's duty: what does not average out over it."""
        hoist = self._sensed.hoist
        parts = [share for _, share in (*self._sensed.load.limits, *self._sensed.block.limits)]
        return sqrt(sum(part * part for part in [*parts, hoist.efficiency_accuracy]) / 3.0)

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "tail": self._tail.state(),
            "last": str(self._last_ns),
            "rest": self._rest,
            "sums": [str(n) for n in self._sums],
            "begun": None if self._begun is None else [str(n) for n in self._begun],
            "degc": self._begun_degc,
            "share": list(self.share),
            "torque": list(self.torque),
        }

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot."""
        self._tail.restore(kept["tail"])
        self._last_ns, self._rest = int(kept["last"]), kept["rest"]
        self._sums = _sums(kept["sums"])
        self._begun = None if kept["begun"] is None else _sums(kept["begun"])
        self._begun_degc = kept["degc"]
        self.share, self.torque = tuple(kept["share"]), tuple(kept["torque"])


def _sums(kept: list[str]) -> list[int]:
    """Of a snapshot; one of before blind seconds were counted has none."""
    return ([int(n) for n in kept] + [0] * _SUMS)[:_SUMS]


def _in_service(groups: Groups) -> Floats:
    """[m] 1.0 where the brake is in service; where that is not known, it counts as in service."""
    if "service" not in groups.means:
        return np.ones(len(groups.t_ns))
    return np.where(groups.grades["service"] == GOOD, groups.means["service"], 1.0)


def duty_held(duty: Duty) -> dict[str, Held]:
    """The duty as it is shown."""
    return {"duty_w": graded(duty.power_w, duty.grades), "duty_std_w": graded(duty.std_w, duty.grades)}


def _held(values: Floats, codes: Floats) -> Held:
    return Held(values=values, codes=codes.astype(np.uint8))
