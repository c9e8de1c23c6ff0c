"""Liquid water at one atmosphere: density and temperature as polynomials, written for the simulator alone.

The daemon has its own water; the two share no line, so that an error in one cannot cancel in the other. Fitted here
(Chebyshev nodes, least squares) to IAPWS-IF97 region 1 at 101 325 Pa over 0 to 99.9 degC: density within 0.06 kg/m3,
temperature from enthalpy within 0.006 K. Freezing is not modelled.
"""

ENTHALPY_UNIT = 4.19e5
"""J/kg; makes the polynomial's argument run from 0 to 1 between ice and steam."""
BOILING_DEGC = 99.97
"""Saturation at 101 325 Pa on ITS-90 (IAPWS-IF97)."""
EVAPORATION_J_KG = 2.2565e6
"""Heat of evaporation at 101 325 Pa (IAPWS-IF97)."""


def density_kg_m3(t: float) -> float:
    """Density in kg/m3 of water at ``t`` degC."""
    return 999.9007092 + t * (
        0.04779556303637772 + t * (-0.007382018846301288 + t * (3.9875465259963314e-05 - t * 1.241467864786353e-07))
    )


def temperature_degc(h: float) -> float:
    """Temperature in degC of water with specific enthalpy ``h`` J/kg, counted from the triple point."""
    s = h / ENTHALPY_UNIT
    return -0.020186660428 + s * (
        99.52003057395373 + s * (2.0197165448114385 + s * (-2.034983775871777 + s * 0.49430916638824957))
    )


def enthalpy_j_kg(t: float) -> float:
    """Specific enthalpy in J/kg at ``t`` degC: the inverse of ``temperature_degc``, iterated to the last bits."""
    h = 4186.0 * t
    for _ in range(8):
        h -= 4186.0 * (temperature_degc(h) - t)
    return h
