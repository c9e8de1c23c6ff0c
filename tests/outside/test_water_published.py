import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from iapws.iapws97 import _Region1

from brakewater.physics import water
from outside import fit_water

# Source: IAPWS R7-97(2012), Table 5: region 1 verification; v m3/kg, h kJ/kg, u kJ/kg, s and cp kJ/(kg K), w m/s.
TABLE_5 = [
    (300, 3, 0.100215168e-2, 0.115331273e3, 0.112324818e3, 0.392294792, 0.417301218e1, 0.150773921e4),
    (300, 80, 0.971180894e-3, 0.184142828e3, 0.106448356e3, 0.368563852, 0.401008987e1, 0.163469054e4),
    (500, 3, 0.120241800e-2, 0.975542239e3, 0.971934985e3, 0.258041912e1, 0.465580682e1, 0.124071337e4),
]

# Source: iapws 1.5.5 (IF97 region 1) at 100 000 Pa: degC, kg/m3, kJ/kg.
AT_1_BAR = [
    (0.0, 999.8436, 0.0597),
    (10.0, 999.7009, 42.1174),
    (20.0, 998.2055, 84.0118),
    (30.0, 995.6515, 125.8325),
    (40.0, 992.2237, 167.6231),
    (50.0, 988.0469, 209.4118),
    (60.0, 983.2100, 251.2216),
    (70.0, 977.7787, 293.0742),
    (80.0, 971.8023, 334.9905),
    (90.0, 965.3181, 376.9915),
    (99.6, 958.6411, 417.4115),
]

# Source: the same at 101 325 Pa: degC, kg/m3, kJ/(kg K), kJ/kg.
AT_1_ATM = [
    (37.7778, 993.0544, 4.17865, 158.3386),
    (54.4444, 985.9749, 4.18071, 227.9910),
    (71.1111, 977.1414, 4.18882, 297.7291),
]

GRID = np.linspace(0.0, 100.0, 401)


@pytest.mark.parametrize("row", TABLE_5)
def test_the_equation_fitted_is_the_published_one(row: tuple[float, ...]) -> None:
    t, p, v, h, u, s, cp, w = row
    state = _Region1(t, p)
    got = [float(state[name]) for name in ("v", "h", "s", "cp", "w")]
    np.testing.assert_allclose(got, [v, h, s, cp, w], rtol=5e-9)
    assert state["h"] - 1e3 * p * state["v"] == pytest.approx(u, rel=5e-9)


# The errors water.py states.
@pytest.mark.parametrize(
    ("quantity", "ours", "error"),
    [("density", water.density_kg_m3, 5e-4), ("enthalpy", water.enthalpy_j_kg, 0.11), ("cp", water.cp_j_kg_k, 0.18)],
)
def test_polynomials_stay_with_the_equation(quantity: str, ours: object, error: float) -> None:
    assert callable(ours)
    assert np.abs(ours(GRID) - fit_water.region_1(GRID, quantity)).max() < error


def test_coefficients_are_those_of_the_fit() -> None:
    x = np.linspace(-1.0, 1.0, 41)
    for quantity, degree, kept in (
        ("density", fit_water.DENSITY_DEGREE, water.DENSITY),
        ("enthalpy", fit_water.ENTHALPY_DEGREE, water.ENTHALPY),
    ):
        fitted = np.polynomial.Polynomial(fit_water.fit(quantity, degree))(x)
        np.testing.assert_allclose(np.polynomial.Polynomial(kept)(x), fitted, rtol=1e-10, atol=1e-6)


@pytest.mark.parametrize(("t", "density", "enthalpy"), AT_1_BAR)
def test_table_at_1_bar(t: float, density: float, enthalpy: float) -> None:
    at = np.array([t])
    assert water.density_kg_m3(at)[0] == pytest.approx(density, rel=2e-6)
    assert water.enthalpy_j_kg(at)[0] == pytest.approx(1e3 * enthalpy, abs=2.0)  # 1.3 J/kg is the pressure's part


@pytest.mark.parametrize(("t", "density", "cp", "enthalpy"), AT_1_ATM)
def test_table_at_1_atm(t: float, density: float, cp: float, enthalpy: float) -> None:
    at = np.array([t])
    assert water.density_kg_m3(at)[0] == pytest.approx(density, rel=1e-6)
    assert water.cp_j_kg_k(at)[0] == pytest.approx(1e3 * cp, rel=5e-5)
    assert water.enthalpy_j_kg(at)[0] == pytest.approx(1e3 * enthalpy, abs=0.4)


# Source: CoolProp, its own implementation of IF97 and of IAPWS-95. Its IAPWS-95 refuses the metastable ends,
# so the grid stops short of them.
@pytest.mark.parametrize(("fluid", "density_rel", "cp_rel"), [("IF97::Water", 2e-6, 1e-4), ("HEOS::Water", 3e-5, 7e-4)])
def test_against_coolprop(fluid: str, density_rel: float, cp_rel: float) -> None:
    t = np.linspace(0.5, 99.5, 100)
    density, cp, enthalpy = (PropsSI(name, "T", t + 273.15, "P", 101325.0, fluid) for name in ("D", "C", "H"))
    np.testing.assert_allclose(water.density_kg_m3(t), density, rtol=density_rel)
    np.testing.assert_allclose(water.cp_j_kg_k(t), cp, rtol=cp_rel)
    ours = water.enthalpy_j_kg(t)
    np.testing.assert_allclose(ours - ours[0], enthalpy - enthalpy[0], rtol=1e-3)


def test_hot_water_is_never_steam() -> None:
    assert water.density_kg_m3(np.array([100.0]))[0] == pytest.approx(958.354, rel=1e-5)
