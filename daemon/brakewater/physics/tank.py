"""How the tank warms up: a first-order law, its loss fitted as the trip goes, and when it comes to a limit.

    C dT/dt = Q - UA (T - Ta)        T = Tss + (T0 - Tss) exp(-t UA/C),  Tss = Ta + Q/UA

The loss UA is learnt from minutes-long balances ``UA = (Q - C dT/dt) / (T - Ta)`` by a scalar Kalman filter, in plain
scalar steps; the logarithm is worked out with square roots and a short series, so that every machine gives the same
bits.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from brakewater.stream import Floats

FAR_S: Final = 86_400.0
"""As far as anybody looks ahead; what would come later, or never, stands at this."""
_NONE: Final = 1e-6
"""Part of the heat that counts as none."""
_SERIES: Final = (1.0, 1.0 / 3.0, 1.0 / 5.0, 1.0 / 7.0, 1.0 / 9.0, 1.0 / 11.0)


def log(x: Floats) -> Floats:
    """Natural logarithm of numbers above 0, to 1e-11 of what it should be from 1e-6 to 1e6; [m]."""
    for _ in range(6):
        x = np.sqrt(x)
    y = (x - 1.0) / (x + 1.0)
    square, power, total = y * y, y, np.zeros_like(y)
    for weight in _SERIES:
        total = total + weight * power
        power = power * square
    return 128.0 * total


@dataclass(frozen=True, slots=True, eq=False)
class Warming:
    """A tank on its way; [m] each, or one number for all, or [k, m] of several."""

    capacity_j_k: Floats | float
    now_degc: Floats
    ambient_degc: Floats
    heat_w: Floats
    loss_w_k: Floats

    def reaches_s(self, limit_degc: Floats | float) -> Floats:
        """[m] seconds until the tank is as warm as ``limit_degc``, 0 where it is already; at most a day."""
        loss, to_go = self.loss_w_k, limit_degc - self.now_degc
        rate = self.heat_w - loss * (self.now_degc - self.ambient_degc)
        warms, lost = rate > 0.0, loss * to_go
        fair = np.where(warms, rate, 1.0)
        straight = lost < _NONE * fair
        left = fair - lost
        ever = left > _NONE * fair  # else it levels off below the limit
        bent = ~straight & ever
        time = (
            self.capacity_j_k / np.where(bent, loss, 1.0) * log(np.where(bent, fair / np.where(bent, left, 1.0), 1.0))
        )
        found = np.where(straight, self.capacity_j_k * to_go / fair, np.where(bent, time, FAR_S))
        return np.where(to_go <= 0.0, 0.0, np.where(warms, np.minimum(found, FAR_S), FAR_S))


@dataclass(slots=True, kw_only=True)
class Loss:
    """What is known of UA in W/K."""

    value: float
    variance: float

    def learn(self, measured_w: float, difference_k: float, std_w: float) -> None:
        """Takes one balance: ``measured_w`` went missing at ``difference_k`` over the air, good to ``std_w``."""
        gain = self.variance * difference_k / (difference_k * difference_k * self.variance + std_w * std_w)
        self.value = max(0.0, self.value + gain * (measured_w - difference_k * self.value))
        self.variance *= 1.0 - gain * difference_k

    def forget(self, std: float) -> None:
        """Wind and sun change: the variance grows by a step."""
        self.variance += std * std
