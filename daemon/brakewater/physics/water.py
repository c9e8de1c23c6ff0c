"""Liquid water at 101 325 Pa from 0 to 100 degC: density and specific enthalpy.

Polynomials fitted to the region 1 equation of IAPWS R7-97(2012) (IAPWS-IF97) by ``tests/outside/fit_water.py``; above
99.97 degC that is metastable liquid, never steam. Largest distance from the equation, held by a test:

    density   0.0005 kg/m3 (0.5 ppm)      enthalpy   0.11 J/kg      its slope cp   0.18 J/(kg K) (0.005 %)

The equation itself lies within 0.002 % (density) and 0.06 % (cp) of IAPWS-95. At 5 bar water is 0.02 % denser.
Plain Horner sums, so a number does not depend on how many are computed together. Glycol mixtures need other numbers.
"""

import numpy as np
from numpy.typing import NDArray

from brakewater.stream import Floats

LOWEST_DEGC = 0.0
HIGHEST_DEGC = 100.0

# Coefficients in x = (t - 50)/50, which keeps every term of the sum near its true size; constant first.
DENSITY = (
    988.0477760671662,
    -22.597605333038334,
    -8.236882044096934,
    1.5710038084888285,
    -0.5388981448100058,
    0.19661170291837554,
    -0.17239731657115803,
    0.08488069235191477,
)
ENTHALPY = (
    209412.92412323397,
    208977.02501954074,
    266.7994794779531,
    466.3021709842516,
    -38.842241096697244,
    5.16657096494631,
    -20.282410356022144,
    70.45953387118827,
    -40.53166017783291,
)
_CP = tuple(power * c / 50.0 for power, c in enumerate(ENTHALPY))[1:]


def in_range(t_degc: Floats) -> NDArray[np.bool_]:
    """True where the polynomials hold, 0 to 100 degC; False for NaN. Element-wise, any shape."""
    return (t_degc >= LOWEST_DEGC) & (t_degc <= HIGHEST_DEGC)


def density_kg_m3(t_degc: Floats) -> Floats:
    """Density in kg/m3; meaningless where ``in_range`` is False. Element-wise, any shape."""
    return _horner(DENSITY, t_degc)


def enthalpy_j_kg(t_degc: Floats) -> Floats:
    """Specific enthalpy in J/kg, zero as in IF97; meaningless where ``in_range`` is False. Element-wise, any shape."""
    return _horner(ENTHALPY, t_degc)


def cp_j_kg_k(t_degc: Floats) -> Floats:
    """Specific heat in J/(kg K), the slope of ``enthalpy_j_kg``; the same limits. Element-wise, any shape."""
    return _horner(_CP, t_degc)


def _horner(coefficients: tuple[float, ...], t_degc: Floats) -> Floats:
    x = (t_degc - 50.0) / 50.0
    total = np.full_like(x, coefficients[-1])
    for coefficient in reversed(coefficients[:-1]):
        total = total * x + coefficient
    return total
