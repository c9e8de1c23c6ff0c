"""What ten-minute balances tell of a tank: how much it loses, and what it may hold where nobody measures that.

Each looks back over minutes, of which a row carries ``PACE`` from before a block in front of its [c] new ones.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from brakewater.physics.tank import Loss
from brakewater.stream import Floats

FIT: Final = 9
"""Minutes from the first to the last of ten readings: of a balance that teaches the loss; of peaks that count."""
PACE: Final = 15
"""Minutes whose mean heat is the pace."""
_FIT_S: Final = 60.0 * FIT
_FIRST_S: Final = 21_600.0
"""A tank's time constant before anything is learnt: six hours, and far from sure of it; an assumption."""
_SHORTEST_S: Final = 10_800.0
"""A tank's time constant is no shorter: a balance that says so has another tank in it than the rig file; an
assumption."""
_LEAST_HELD: Final = 0.25
"""Of what the rig file says, what a tank holds at least; an assumption."""
_READ_K: Final = 0.01
"""How well a minute's mean of the tank tells a change; an assumption."""
HEAT_STD: Final = 0.05
"""Relative standard uncertainty of the heat over ten minutes and of the pace; an assumption."""
_WEATHER_W: Final = 1e3
"""Sun and wind, which are not in the balance; an assumption."""
_DRIFTS: Final = 0.02
"""By what part of itself the loss may change from balance to balance; an assumption."""
_LEAST_PART: Final = 0.05
_MOST_PART: Final = 1.2
"""Of a full tank: a level beyond them is the transmitter's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TankSense:
    """What is known of a tank beforehand."""

    capacity_j_k: float
    """Full."""
    inlet_std_k: float
    outlet_std_k: float
    from_tank: bool
    """The tank has a thermometer; else the inlet stands for it."""
    other_w: float = 0.0
    """What others put into it."""
    full_m: float | None = None
    """Level at which it is full; None where that or the level is not known: it counts as full."""


@dataclass(frozen=True, slots=True, eq=False)
class Learnt:
    """[c] each, after every minute."""

    capacity_j_k: Floats
    """Of what is in the tank."""
    loss_w_k: Floats
    loss_std_w_k: Floats
    warmed_w: Floats
    """Heat that the tank took in the last ten minutes."""
    read_w: Floats
    """How well that is known by the thermometer, 95 %."""
    fewer: Floats
    """How many times less than the rig file says it may hold, at the worst."""


class TankBalance:
    """Of one tank."""

    def __init__(self, tank: TankSense) -> None:
        self._tank = tank
        self._since_fit = 0
        self._first_w_k = tank.capacity_j_k / _FIRST_S
        self._loss = Loss(value=self._first_w_k, variance=self._first_w_k * self._first_w_k)

    def feed(self, past: Floats, means: Mapping[str, Floats], sound: Any) -> Learnt:
        """What [c] minutes tell.

        Args:
            past: [6, PACE + c] tank and air in degC, heat in W, highest rise, flow, and 1.0 where all of that is sound.
            means: [c] by name, "content" among them where it is measured, m.
            sound: [c] whether they are.
        """
        capacity = self._capacity_j_k(means, sound)
        tank = past[0]
        c = past.shape[1] - PACE
        warmed = capacity * (tank[-c:] - tank[PACE - FIT : -FIT]) / _FIT_S
        loss, loss_std = self._learnt(past, capacity, warmed)
        if self._tank.full_m is None:  # a balance with the wrong content teaches a loss that is sure and wrong
            loss_std = np.maximum(loss_std, self._first_w_k)
        read_w = 2.0 * capacity * (_READ_K / _FIT_S)
        fewer = np.maximum(self._unmeasured(past, warmed + read_w), self._held_less(past, loss, warmed))
        return Learnt(capacity, loss, loss_std, warmed, read_w, fewer)

    def _capacity_j_k(self, means: Mapping[str, Floats], sound: Any) -> Floats:
        """[c] of what is in the tank."""
        full_m = self._tank.full_m
        if full_m is None:
            return np.full(len(sound), self._tank.capacity_j_k)
        part = np.where(sound, means["content"], full_m) / full_m
        return self._tank.capacity_j_k * np.minimum(np.maximum(part, _LEAST_PART), _MOST_PART)

    def _learnt(self, past: Floats, capacity_j_k: Floats, warmed_w: Floats) -> tuple[Floats, Floats]:
        """[c] loss and its standard uncertainty; a balance over ten whole minutes teaches it."""
        tank, ambient, heat, _, _, sound = past
        fair = summed(sound, FIT + 1) == FIT + 1
        put_in = summed(heat, FIT) / FIT + self._tank.other_w
        over = summed(tank - ambient, FIT + 1) / (FIT + 1)
        read_w = capacity_j_k * (_READ_K / _FIT_S)
        std = np.sqrt(read_w * read_w + (HEAT_STD * put_in) * (HEAT_STD * put_in) + _WEATHER_W * _WEATHER_W)
        found, most = [], self._tank.capacity_j_k / _SHORTEST_S
        rows = zip(fair.tolist(), (put_in - warmed_w).tolist(), over.tolist(), std.tolist(), strict=True)
        for usable, missed, difference, off in rows:
            self._since_fit += 1
            if self._since_fit >= FIT and usable:
                self._since_fit = 0
                self._loss.forget(_DRIFTS * self._loss.value)
                self._loss.learn(missed, difference, off)
                self._loss.value = min(self._loss.value, most)
            found.append((self._loss.value, self._loss.variance))
        both = np.array(found)
        return both[:, 0], np.sqrt(both[:, 1])

    def _unmeasured(self, past: Floats, most_warmed: Floats) -> Floats:
        """[c] how many times more a watt may do than in a full tank, where nobody measures what is in it.

        What is in it took up what was put in, less what it lost: never more than ``_SHORTEST_S`` allows.
        """
        if self._tank.full_m is not None:
            return np.ones(len(most_warmed))
        tank, ambient, heat = past[:3]
        over = np.maximum(summed(tank - ambient, FIT + 1) / (FIT + 1), 0.0)
        least_in = (1.0 - 2.0 * HEAT_STD) * (summed(heat, FIT) / FIT + self._tank.other_w) - 2.0 * _WEATHER_W
        taken = np.maximum(most_warmed, 0.0) + self._tank.capacity_j_k / _SHORTEST_S * over
        return 1.0 / np.minimum(np.maximum(least_in / np.maximum(taken, _WEATHER_W), _LEAST_HELD), 1.0)

    def _held_less(self, past: Floats, loss: Floats, warmed: Floats) -> Floats:
        """[c] how many times less than the rig file says the tank holds: it warmed more than heat and air explain."""
        tank, ambient, heat = past[:3]
        air = summed(ambient - tank, FIT + 1) / (FIT + 1)
        explained = np.maximum(summed(heat, FIT) / FIT + self._tank.other_w + loss * np.maximum(air, 0.0), _WEATHER_W)
        return np.minimum(np.maximum(warmed / explained, 1.0), 1.0 / _LEAST_HELD)

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {"since-fit": self._since_fit, "loss": [self._loss.value, self._loss.variance]}

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot."""
        self._since_fit = kept["since-fit"]
        self._loss = Loss(value=kept["loss"][0], variance=kept["loss"][1])


def summed(row: Floats, count: int) -> Floats:
    """[c] sums over the last ``count`` minutes, the oldest first, of a row with a tail of ``PACE`` before it."""
    c = len(row) - PACE
    total = np.zeros(c)
    for at in range(PACE - count + 1, PACE + 1):
        total = total + row[at : at + c]
    return total
