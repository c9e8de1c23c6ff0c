"""Fits the polynomials of brakewater.physics.water and prints them: ``python tests/outside/fit_water.py``.

Source fitted: region 1 equation of IAPWS R7-97(2012) (IAPWS-IF97) as implemented by the ``iapws`` package, at
101 325 Pa, 0 to 100 degC. Above 99.97 degC the equation describes metastable liquid, which is what is
wanted: hot water in a line.
"""

import numpy as np
from iapws.iapws97 import _Region1
from numpy.polynomial import Chebyshev, Polynomial
from numpy.typing import NDArray

PRESSURE_MPA = 0.101325
DENSITY_DEGREE = 7
ENTHALPY_DEGREE = 8
_NODES = 400


def region_1(t_degc: NDArray[np.float64], quantity: str, pressure_mpa: float = PRESSURE_MPA) -> NDArray[np.float64]:
    """``density`` in kg/m3, ``enthalpy`` in J/kg or ``cp`` in J/(kg K), by the IF97 region 1 equation itself."""
    states = [_Region1(float(t) + 273.15, pressure_mpa) for t in t_degc]
    if quantity == "density":
        return np.array([1.0 / float(state["v"]) for state in states])
    return np.array([1e3 * float(state[{"enthalpy": "h", "cp": "cp"}[quantity]]) for state in states])


def fit(quantity: str, degree: int) -> list[float]:
    """Coefficients in x = (t - 50)/50, constant first; Chebyshev nodes make the fit near-minimax."""
    x = np.cos(np.pi * (np.arange(_NODES) + 0.5) / _NODES)
    series = Chebyshev.fit(x, region_1(50.0 + 50.0 * x, quantity), degree, domain=[-1.0, 1.0])
    return [float(c) for c in series.convert(kind=Polynomial).coef]


if __name__ == "__main__":
    grid = np.linspace(0.0, 100.0, 2001)
    for name, degree in (("density", DENSITY_DEGREE), ("enthalpy", ENTHALPY_DEGREE)):
        coefficients = fit(name, degree)
        error = Polynomial(coefficients)((grid - 50.0) / 50.0) - region_1(grid, name)
        print(name, "largest error", np.abs(error).max())
        for coefficient in coefficients:
            print(f"    {coefficient!r},")
        if name == "enthalpy":
            slope = Polynomial(coefficients).deriv()((grid - 50.0) / 50.0) / 50.0
            print("cp largest error", np.abs(slope - region_1(grid, "cp")).max())
