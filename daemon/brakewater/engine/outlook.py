"""How long until the tank is at the inlet limit, and the peaks at the outlet limit; early bounds too.

People are shown the early bound, "not before". Once a minute from a first-order law (``physics.tank``) whose loss is
learnt from ten-minute balances. The pace is the mean heat of
the last quarter of an hour. The outlet's peak over the inlet stays as it was in the last ten minutes, so that it
comes to its limit when the tank is warm enough. Nothing is said on doubtful data, and a day is as far as anybody
looks.
"""

from collections import deque
from dataclasses import dataclass
from math import sqrt
from typing import Any, Final

import numpy as np

from brakewater.engine.held import Held, within
from brakewater.engine.seconds import GOOD, Groups, Seconds
from brakewater.physics.tank import Loss, Warming
from brakewater.quality import Reason
from brakewater.rig import Brake
from brakewater.stream import Column

_MINUTE_NS: Final = 60_000_000_000
_FIT: Final = 10
_PACE: Final = 15
_CAPACITY_STD: Final = 0.05
"""Relative, of what the tank holds; an assumption."""
_LIMITS: Final = ("time_to_inlet_limit", "time_to_outlet_limit")
_NONE: Final = (0.0, int(Reason.NO_BASIS))


@dataclass(frozen=True, slots=True, kw_only=True)
class TankSense:
    """What is known of a tank beforehand."""

    capacity_j_k: float
    inlet_std_k: float
    outlet_std_k: float
    from_tank: bool
    """The tank has a thermometer; else the inlet stands for it."""


@dataclass(frozen=True, slots=True)
class _Minute:
    tank_degc: float
    ambient_degc: float
    heat_w: float
    peak_k: float
    sound: bool


class TankOutlook:
    """Minute by minute."""

    def __init__(self, brake: Brake, tank: TankSense, step_s: float) -> None:
        self._brake, self._tank = brake, tank
        self._names = ["inlet", "outlet", "heat", *(["tank"] if tank.from_tank else []), "ambient"]
        self._minutes = Seconds(round(step_s * 1e9), self._names, _MINUTE_NS)
        self._peak_k = 0.0
        self._past: deque[_Minute] = deque(maxlen=_PACE)
        self._since_fit = 0
        first = tank.capacity_j_k / 21_600.0  # a time constant of six hours, and far from sure of it
        self._loss = Loss(value=first, variance=first * first)
        self._standing = {f"{name}{kind}_s": _NONE for name in _LIMITS for kind in ("", "_early")}

    def feed(self, groups: Groups) -> dict[str, Held]:
        """Times to the limits after each of [m] groups."""
        m, every = len(groups.t_ns), self._minutes.every
        first = every - self._minutes.waiting - 1
        columns = [Column(values=groups.means[name], codes=groups.grades[name] * np.uint8(35)) for name in self._names]
        minutes = self._minutes.feed(groups.t_ns, columns)
        known = groups.worst("inlet", "outlet") == GOOD
        rise = within(np.where(known, groups.means["outlet"] - groups.means["inlet"], 0.0), 0.0, 200.0)
        values = {key: np.empty(m) for key in self._standing}
        codes = {key: np.empty(m, np.uint8) for key in self._standing}
        at = 0
        for number, end in enumerate([*range(first, m, every), m]):
            self._fill(values, codes, at, min(end, m))
            if end >= m:
                self._peak_k = max(self._peak_k, float(rise[at:].max(initial=0.0)))
                break
            self._peak_k = max(self._peak_k, float(rise[at : end + 1].max(initial=0.0)))
            assert minutes is not None
            self._minute(minutes, number)
            self._fill(values, codes, end, end + 1)
            at = end + 1
        return {key: Held(values=values[key], codes=codes[key]) for key in self._standing}

    def _fill(self, values: dict[str, Any], codes: dict[str, Any], first: int, last: int) -> None:
        for key, (value, code) in self._standing.items():
            values[key][first:last] = value
            codes[key][first:last] = code

    def _minute(self, minutes: Groups, at: int) -> None:
        sound = all(minutes.grades[name][at] == GOOD for name in self._names)
        tank = "tank" if self._tank.from_tank else "inlet"
        means = {name: float(minutes.means[name][at]) for name in self._names}
        self._past.append(_Minute(means[tank], means["ambient"], means["heat"], self._peak_k, sound))
        self._peak_k = 0.0
        self._since_fit += 1
        self._fit()
        self._standing = self._times()

    def _fit(self) -> None:
        """A balance over ten whole minutes teaches the loss."""
        if self._since_fit < _FIT or len(self._past) < _FIT + 1:
            return
        window = list(self._past)[-_FIT - 1 :]
        if not all(minute.sound for minute in window):
            return
        self._since_fit = 0
        seconds = 60.0 * _FIT
        heat = sum(minute.heat_w for minute in window[1:]) / _FIT
        warmed = self._tank.capacity_j_k * (window[-1].tank_degc - window[0].tank_degc) / seconds
        over = sum(minute.tank_degc - minute.ambient_degc for minute in window) / (_FIT + 1)
        noise = self._tank.capacity_j_k * 0.01 / seconds
        std = sqrt(noise * noise + (0.05 * heat) * (0.05 * heat) + 1e6)
        self._loss.forget(0.02 * self._loss.value)
        self._loss.learn(heat - warmed, over, std)

    def _times(self) -> dict[str, tuple[float, int]]:
        if len(self._past) < _FIT or not all(minute.sound for minute in list(self._past)[-_FIT:]):
            return dict.fromkeys(self._standing, _NONE)
        sound = [minute for minute in self._past if minute.sound]
        pace = sum(minute.heat_w for minute in sound) / len(sound)
        scatter = sqrt(sum((minute.heat_w - pace) * (minute.heat_w - pace) for minute in sound)) / len(sound)
        now = sound[-1]
        peak = max(minute.peak_k for minute in list(self._past)[-_FIT:])
        tank, brake, good = self._tank, self._brake, int(Reason.GOOD)
        likely = Warming(tank.capacity_j_k, now.tank_degc, now.ambient_degc, pace, self._loss.value)
        early = Warming(
            tank.capacity_j_k * (1.0 - 2.0 * _CAPACITY_STD),
            now.tank_degc + 2.0 * tank.inlet_std_k,
            now.ambient_degc,
            pace + 2.0 * scatter + 0.05 * pace,
            max(0.0, self._loss.value - 2.0 * sqrt(self._loss.variance)),
        )
        outlet_at = brake.outlet_limit - peak
        return {
            "time_to_inlet_limit_s": (likely.reaches_s(brake.inlet_limit), good),
            "time_to_inlet_limit_early_s": (early.reaches_s(brake.inlet_limit), good),
            "time_to_outlet_limit_s": (likely.reaches_s(outlet_at), good),
            "time_to_outlet_limit_early_s": (early.reaches_s(outlet_at - 2.0 * tank.outlet_std_k), good),
        }

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "minutes": self._minutes.state(),
            "peak": self._peak_k,
            "past": [[m.tank_degc, m.ambient_degc, m.heat_w, m.peak_k, m.sound] for m in self._past],
            "since-fit": self._since_fit,
            "loss": [self._loss.value, self._loss.variance],
            "standing": {key: list(pair) for key, pair in self._standing.items()},
        }

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot."""
        self._minutes.restore(kept["minutes"])
        self._peak_k, self._since_fit = kept["peak"], kept["since-fit"]
        self._past = deque((_Minute(*row) for row in kept["past"]), maxlen=_PACE)
        self._loss = Loss(value=kept["loss"][0], variance=kept["loss"][1])
        self._standing = {key: (pair[0], pair[1]) for key, pair in kept["standing"].items()}
