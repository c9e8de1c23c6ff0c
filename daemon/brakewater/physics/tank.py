"""How the tank warms up: a first-order law, its loss fitted as the trip goes, and when it comes to a limit.

    C dT/dt = Q - UA (T - Ta)        T = Tss + (T0 - Tss) exp(-t UA/C),  Tss = Ta + Q/UA

The loss UA is learnt from minutes-long balances ``UA = (Q - C dT/dt) / (T - Ta)`` by a scalar Kalman filter. Once a
minute, in plain scalar steps; the logarithm is worked out with square roots and a short series, so that every machine
gives the same bits.
"""

from dataclasses import dataclass
from math import sqrt
from typing import Final

FAR_S: Final = 86_400.0
"""As far as anybody looks ahead; what would come later, or never, stands at this."""
_SERIES: Final = (1.0, 1.0 / 3.0, 1.0 / 5.0, 1.0 / 7.0, 1.0 / 9.0, 1.0 / 11.0)


def log(x: float) -> float:
    """Natural logarithm of a number above 0, to 1e-11 of what it should be from 1e-6 to 1e6."""
    for _ in range(6):
        x = sqrt(x)
    y = (x - 1.0) / (x + 1.0)
    square, power, total = y * y, y, 0.0
    for weight in _SERIES:
        total += weight * power
        power *= square
    return 128.0 * total


@dataclass(frozen=True, slots=True)
class Warming:
    """A tank on its way."""

    capacity_j_k: float
    now_degc: float
    ambient_degc: float
    heat_w: float
    loss_w_k: float

    def reaches_s(self, limit_degc: float) -> float:
        """Seconds until the tank is as warm as ``limit_degc``, 0 where it is already; at most a day."""
        if self.now_degc >= limit_degc:
            return 0.0
        rate = self.heat_w - self.loss_w_k * (self.now_degc - self.ambient_degc)
        if rate <= 0.0:
            return FAR_S
        linear = self.capacity_j_k * (limit_degc - self.now_degc) / rate
        if self.loss_w_k * (limit_degc - self.now_degc) < 1e-6 * rate:
            return min(FAR_S, linear)
        left = rate - self.loss_w_k * (limit_degc - self.now_degc)
        if left <= 1e-6 * rate:  # it levels off below the limit
            return FAR_S
        return min(FAR_S, self.capacity_j_k / self.loss_w_k * log(rate / left))


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
