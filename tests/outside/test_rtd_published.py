import numpy as np
import pytest
from scipy.optimize import brentq

from brakewater.signals.rtd import Tolerance, degc_of_ohms, ohms_of_degc, tolerance_k

# Source: Pt100 table after IEC 60751 printed by sensorsci.com, two decimals; 850 degC is from memory.
TABLE = [
    (-200, 18.52),
    (-100, 60.26),
    (-50, 80.31),
    (0, 100.00),
    (50, 119.40),
    (100, 138.51),
    (150, 157.33),
    (200, 175.86),
    (400, 247.09),
    (850, 390.48),
]

# Source: Callendar-Van Dusen with the IEC 60751 coefficients, computed apart from this program; inverses by brentq.
CLOSE = [
    (-200, 18.520080),
    (-100, 60.255840),
    (-50, 80.306282),
    (37.78, 114.683129),
    (71.11, 127.499901),
    (850, 390.481125),
]
INVERSE = [(110, 25.68405), (120, 51.56605), (138.5055, 100), (138.51, 100.01186), (150, 130.44726), (80.306282, -50)]


@pytest.mark.parametrize(("degc", "ohms"), TABLE)
def test_table(degc: float, ohms: float) -> None:
    assert round(float(ohms_of_degc(np.array([degc * 1.0]))[0]), 2) == ohms
    assert float(ohms_of_degc(np.array([degc * 1.0]), 1000.0)[0]) == pytest.approx(10 * ohms, abs=0.051)


@pytest.mark.parametrize(("degc", "ohms"), CLOSE)
def test_six_decimals(degc: float, ohms: float) -> None:
    assert ohms_of_degc(np.array([degc * 1.0]))[0] == pytest.approx(ohms, abs=6e-7)


@pytest.mark.parametrize(("ohms", "degc"), INVERSE)
def test_inverse(ohms: float, degc: float) -> None:
    assert degc_of_ohms(np.array([ohms * 1.0]))[0] == pytest.approx(degc, abs=6e-6)


# Source: scipy.optimize.brentq on the equation as IEC 60751 writes it.
@pytest.mark.parametrize("ohms", [18.6, 25.0, 47.11, 80.0, 99.9])
def test_inverse_below_zero_against_root_finding(ohms: float) -> None:
    def distance(t: float) -> float:
        return 100.0 * (1 + 3.9083e-3 * t - 5.775e-7 * t**2 - 4.183e-12 * (t - 100) * t**3) - ohms

    assert degc_of_ohms(np.array([ohms]))[0] == pytest.approx(brentq(distance, -201.0, 1.0, xtol=1e-12), abs=1e-9)


# Source: alpha as IEC 60751 quotes it, 3.851e-3 1/K.
def test_mean_slope() -> None:
    at_100, at_0 = ohms_of_degc(np.array([100.0, 0.0]))
    assert (at_100 - at_0) / (100.0 * at_0) == pytest.approx(3.851e-3, rel=2e-4)


# Source: class tolerances of IEC 60751 as quoted on instrumentationforum.com/t/6685; class C from memory.
@pytest.mark.parametrize(
    ("tolerance", "at_0", "at_50", "at_100"),
    [("AA", 0.100, 0.185, 0.270), ("A", 0.150, 0.250, 0.350), ("B", 0.300, 0.550, 0.800), ("C", 0.600, 1.100, 1.600)],
)
def test_class_tolerances(tolerance: str, at_0: float, at_50: float, at_100: float) -> None:
    got = tolerance_k(np.array([0.0, 50.0, 100.0, -50.0]), Tolerance(tolerance))
    np.testing.assert_allclose(got, [at_0, at_50, at_100, at_50], rtol=1e-12)
