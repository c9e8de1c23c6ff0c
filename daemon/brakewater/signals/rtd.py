"""Platinum resistance thermometers after IEC 60751, in both directions.

R = R0 (1 + A t + B t^2), and below 0 degC R0 (1 + A t + B t^2 + C (t - 100) t^3), t in degC on ITS-90. Only + - * / and
square roots are used, so a number does not depend on how many are computed together.

Source: coefficients and class tolerances of IEC 60751 as quoted by public references; the paid standard was not read.
"""

from enum import StrEnum

import numpy as np

from brakewater.quality import Codes, Reason
from brakewater.stream import Floats

A = 3.9083e-3
B = -5.775e-7
C = -4.183e-12

OPEN_RATIO = 3.9048
"""R/R0 above this is an open sensor: 390.48 ohm for a Pt100, the table's value at 850 degC."""
SHORT_RATIO = 0.1852
"""R/R0 below this is a shorted sensor: 18.52 ohm for a Pt100, the table's value at -200 degC."""

_LIMIT_WIDTH = 1e-6  # as in loop.py: keeps a ratio meant to stand on a limit on it, through float32 and 0.01 ohm counts

# Far beyond the sensor's range the inverse is held at an edge, so that garbage cannot overflow on its way to its code.
_LOWEST_RATIO, _HIGHEST_RATIO = 0.15, 4.0
_NEWTON_STEPS = 4  # from the quadratic's answer, off by 2.5 K at -200 degC; three already settle to rounding


class Tolerance(StrEnum):
    """Tolerance class of a sensor."""

    AA = "AA"
    A = "A"
    B = "B"
    C = "C"


_TOLERANCES = {
    Tolerance.AA: (0.1, 0.0017),
    Tolerance.A: (0.15, 0.002),
    Tolerance.B: (0.3, 0.005),
    Tolerance.C: (0.6, 0.01),
}


def ohms_of_degc(t_degc: Floats, r0: float = 100.0) -> Floats:
    """Resistance in ohm at a temperature, -200 to 850 degC; element-wise, any shape.

    Args:
        t_degc: temperature.
        r0: resistance at 0 degC, for example 100 or 1000.
    """
    return r0 * _ratio(t_degc)


def degc_of_ohms(ohms: Floats, r0: float = 100.0) -> Floats:
    """Temperature in degC of a resistance; inverse of ``ohms_of_degc`` to 1e-9 K. Element-wise, any shape.

    Outside the sensor's range the answer means nothing: ask ``codes``. NaN stays NaN.

    Args:
        ohms: resistance, leads already taken off.
        r0: resistance at 0 degC.
    """
    ratio = np.minimum(np.maximum(ohms / r0, _LOWEST_RATIO), _HIGHEST_RATIO)
    above = degc_from_zero_up(ratio)
    cold = ratio < 1.0
    if not np.count_nonzero(cold):  # the common case
        return above
    below = np.minimum(above, 0.0)
    for _ in range(_NEWTON_STEPS):
        below = below - (_ratio(below) - ratio) / _ratio_slope(below)
    return np.where(cold, below, above)


def measures(ratio: float) -> bool:
    """Whether one R/R0 is plainly a measurement; False for NaN."""
    return SHORT_RATIO - _LIMIT_WIDTH <= ratio <= OPEN_RATIO + _LIMIT_WIDTH


def codes(ohms: Floats, r0: float = 100.0) -> Codes:
    """Reason code of each resistance: open, short, not a number or good. Element-wise, any shape."""
    ratio = ohms / r0
    fine = (ratio >= SHORT_RATIO - _LIMIT_WIDTH) & (ratio <= OPEN_RATIO + _LIMIT_WIDTH)
    if np.count_nonzero(fine) == fine.size:  # the common case
        return np.zeros(fine.shape, np.uint8)
    conditions = [~np.isfinite(ratio), ratio > OPEN_RATIO + _LIMIT_WIDTH, ratio < SHORT_RATIO - _LIMIT_WIDTH]
    reasons = [Reason.NOT_A_NUMBER, Reason.SENSOR_OPEN, Reason.SENSOR_SHORT]
    return np.select(conditions, [np.uint8(reason) for reason in reasons], default=np.uint8(Reason.GOOD))


def tolerance_k(t_degc: Floats, tolerance: Tolerance) -> Floats:
    """Largest permitted deviation in K, plus or minus, at a temperature in degC; element-wise, any shape."""
    fixed, share = _TOLERANCES[tolerance]
    return fixed + share * np.abs(t_degc)


def _ratio(t: Floats) -> Floats:
    """R/R0 over the whole range."""
    cold = np.minimum(t, 0.0)
    ratio: Floats = 1.0 + t * (A + t * B) + C * (cold - 100.0) * (cold * cold * cold)
    return ratio


def _ratio_slope(t: Floats) -> Floats:
    """d(R/R0)/dt, below 0 degC."""
    return A + 2.0 * B * t + C * (t * t) * (4.0 * t - 300.0)


def degc_from_zero_up(ratio: Floats) -> Floats:
    """Temperature in degC of R/R0, exact from 0 degC up, a close start below; near 0 degC it loses no digits."""
    return 2.0 * (ratio - 1.0) / (A + np.sqrt(A * A + 4.0 * B * (ratio - 1.0)))
