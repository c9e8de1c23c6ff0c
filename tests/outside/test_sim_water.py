"""The simulator's water against IAPWS-IF97 as the iapws library computes it."""

import numpy as np
import pytest
from iapws import IAPWS97

from brakewater_sim.water import density_kg_m3, enthalpy_j_kg, temperature_degc

ATMOSPHERE_MPA = 0.101325


@pytest.mark.parametrize("t", [0.5, 10.0, 20.0, 37.7778, 54.4444, 71.1111, 90.0, 99.5])
def test_water_is_that_of_if97_within_the_stated_error(t: float) -> None:
    water = IAPWS97(T=t + 273.15, P=ATMOSPHERE_MPA)
    assert density_kg_m3(t) == pytest.approx(water.rho, abs=0.06)
    assert temperature_degc(water.h * 1e3) == pytest.approx(t, abs=0.006)


def test_heat_capacity_is_that_of_if97_within_two_per_mille_from_10_to_90_degc() -> None:
    for t in np.arange(10.0, 91.0, 5.0):
        slope = (enthalpy_j_kg(t + 0.5) - enthalpy_j_kg(t - 0.5)) / 1e3
        assert slope == pytest.approx(IAPWS97(T=t + 273.15, P=ATMOSPHERE_MPA).cp, rel=0.002)


@pytest.mark.parametrize("t", [0.0, 15.0, 38.0, 71.0, 100.0])
def test_enthalpy_inverts_temperature(t: float) -> None:
    assert temperature_degc(enthalpy_j_kg(t)) == pytest.approx(t, abs=1e-9)


def test_rated_flow_from_100_to_160_degf_takes_655_kw() -> None:
    # TRADE sheet 1.4: 75 US gal/min metered at the inlet, 654.98 kW by IAPWS-IF97 (iapws 1.5.5).
    inlet, outlet = (100.0 - 32.0) / 1.8, (160.0 - 32.0) / 1.8
    heat = density_kg_m3(inlet) * 75 * 6.30901964e-5 * (enthalpy_j_kg(outlet) - enthalpy_j_kg(inlet))
    assert heat == pytest.approx(654_980.0, rel=1e-3)
