import numpy as np
import pytest

from brakewater.quality import Reason
from brakewater.signals.rtd import codes, degc_of_ohms, ohms_of_degc


@pytest.mark.parametrize("r0", [100.0, 500.0, 1000.0])
def test_there_and_back(r0: float) -> None:
    t = np.linspace(-200.0, 850.0, 10_501)
    assert np.abs(degc_of_ohms(ohms_of_degc(t, r0), r0) - t).max() < 1e-9


def test_zero_is_exact() -> None:
    assert degc_of_ohms(np.array([100.0]))[0] == 0.0


def test_inverse_rises_with_resistance() -> None:
    assert (np.diff(degc_of_ohms(np.linspace(18.52, 390.48, 20_001))) > 0).all()


@pytest.mark.parametrize(
    ("ohms", "reason"),
    [
        (18.52, Reason.GOOD),
        (18.51, Reason.SENSOR_SHORT),
        (0.0, Reason.SENSOR_SHORT),
        (-5.0, Reason.SENSOR_SHORT),
        (390.48, Reason.GOOD),
        (390.49, Reason.SENSOR_OPEN),
        (1e9, Reason.SENSOR_OPEN),
        (np.nan, Reason.NOT_A_NUMBER),
        (np.inf, Reason.NOT_A_NUMBER),
    ],
)
def test_codes_scale_with_r0(ohms: float, reason: Reason) -> None:
    assert codes(np.array([ohms]))[0] == reason
    assert codes(np.array([10 * ohms]), 1000.0)[0] == reason


def test_garbage_makes_no_warning() -> None:
    garbage = np.array([-1e308, -1.0, 0.0, 1e308, np.inf, -np.inf])
    assert np.isfinite(degc_of_ohms(garbage)).all()
    assert np.isnan(degc_of_ohms(np.array([np.nan]))[0])
