"""What a thermowell hides: the temperature outside it, recovered from readings a second apart.

A sensor in a well follows as ``tau dy/dt = x - y``, so ``x = y + tau dy/dt``. Differences of neighbouring readings
would raise the noise to nonsense; here a parabola is fitted to nine readings (Savitzky and Golay 1964) and value,
slope and curvature are taken at its middle, four readings ago. White noise of the readings comes out 0.5 times as
large in the value, 0.13 a step in the slope. It is stable, since nothing feeds back. Energy summed over readings
needs none of it: a lag delays heat but loses none.

Source: weights of the nine-point parabola as in any table of Savitzky-Golay filters; a test holds them against scipy.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from brakewater.stream import Floats

POINTS: Final = 9
DELAY: Final = 4
"""Readings from the middle of the window to its end."""
_VALUE: Final = tuple(w / 231.0 for w in (-21.0, 14.0, 39.0, 54.0, 59.0, 54.0, 39.0, 14.0, -21.0))
_SLOPE: Final = tuple(j / 60.0 for j in (-4.0, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 4.0))
_CURVE: Final = tuple(w / 462.0 for w in (28.0, 7.0, -8.0, -17.0, -20.0, -17.0, -8.0, 7.0, 28.0))


@dataclass(frozen=True, slots=True)
class Recovery:
    """Weights of one well at one cadence."""

    value: tuple[float, ...]
    rate: tuple[float, ...]


def recovery(tau_s: float, step_s: float) -> Recovery:
    """Value plus ``tau_s`` times slope, and slope plus ``tau_s`` times curvature, as one sum each.

    Args:
        tau_s: time constant of the well, 0 or more.
        step_s: time from reading to reading.
    """
    by_step = 1.0 / step_s
    return Recovery(
        tuple(v + tau_s * by_step * s for v, s in zip(_VALUE, _SLOPE, strict=True)),
        tuple(by_step * s + tau_s * by_step * by_step * c for s, c in zip(_SLOPE, _CURVE, strict=True)),
    )


def recovered(y: Floats, by: Recovery) -> tuple[Floats, Floats]:
    """Temperature outside the well and its rate, at the middle of each window.

    Args:
        y: [m + 8] readings, the first eight of them from before.
        by: ``recovery``.

    Returns:
        [m] degC and [m] K/s.
    """
    return _weighed(by.value, y), _weighed(by.rate, y)


def _weighed(weights: tuple[float, ...], y: Floats) -> Floats:
    count = len(y) - POINTS + 1
    if count == 1:  # the same sum on Python's own numbers, only quicker
        lone = 0.0
        for weight, reading in zip(weights, y.tolist(), strict=True):
            lone = lone + weight * reading
        return np.array((lone,))
    total = np.zeros(count)
    for at, weight in enumerate(weights):
        total = total + weight * y[at : at + count]
    return total
