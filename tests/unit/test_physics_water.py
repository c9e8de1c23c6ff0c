import numpy as np

from brakewater.physics import water


def test_in_range_tells_the_caller() -> None:
    t = np.array([-1e-9, 0.0, 50.0, 100.0, 100.0001, np.nan])
    np.testing.assert_array_equal(water.in_range(t), [False, True, True, True, False, False])


def test_enthalpy_rises_and_density_falls_above_4_degc() -> None:
    t = np.linspace(0.0, 100.0, 2001)
    assert (np.diff(water.enthalpy_j_kg(t)) > 0.0).all()
    assert (np.diff(water.density_kg_m3(t[t > 4.1])) < 0.0).all()


def test_cp_is_the_slope_of_enthalpy() -> None:
    t = np.linspace(1.0, 99.0, 99)
    slope = (water.enthalpy_j_kg(t + 1e-3) - water.enthalpy_j_kg(t - 1e-3)) / 2e-3
    np.testing.assert_allclose(water.cp_j_kg_k(t), slope, rtol=1e-6)


def test_any_shape() -> None:
    t = np.linspace(0.0, 100.0, 12).reshape(3, 4)
    np.testing.assert_array_equal(water.density_kg_m3(t).ravel(), water.density_kg_m3(t.ravel()))
