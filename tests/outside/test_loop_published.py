import numpy as np
import pytest

from brakewater.quality import Reason
from brakewater.signals.loop import codes, milliamps

# Source: NAMUR NE 43 as quoted by electricalandcontrol.com and zeroinstrument.com; the bands
# between measurement and failure are named by neither.
NE_43 = [
    (0.0, Reason.LOOP_LOW),
    (3.5, Reason.LOOP_LOW),
    (3.6, Reason.LOOP_LOW),
    (3.61, Reason.UNDER_RANGE),
    (3.79, Reason.UNDER_RANGE),
    (3.8, Reason.GOOD),
    (4.0, Reason.GOOD),
    (12.0, Reason.GOOD),
    (20.0, Reason.GOOD),
    (20.5, Reason.GOOD),
    (20.51, Reason.OVER_RANGE),
    (20.99, Reason.OVER_RANGE),
    (21.0, Reason.LOOP_HIGH),
    (22.8, Reason.LOOP_HIGH),
]

# Common scalings of input cards, raw at 4 and at 20 mA (common practice, no published source); counts are linear.
SCALINGS = [
    (0.0, 27648.0),
    (0.0, 32767.0),
    (6553.4, 32767.0),
    (6400.0, 32000.0),
    (4e3, 2e4),
    (819.0, 4095.0),
    (0.0, 1e4),
]


@pytest.mark.parametrize(("ma", "reason"), NE_43)
def test_bands(ma: float, reason: Reason) -> None:
    assert codes(np.array([ma]))[0] == reason


@pytest.mark.parametrize("scaling", SCALINGS)
@pytest.mark.parametrize(("ma", "reason"), NE_43)
def test_bands_hold_in_counts_of_every_scaling(scaling: tuple[float, float], ma: float, reason: Reason) -> None:
    raw_at_4, raw_at_20 = scaling
    raw = np.array([raw_at_4 + (ma - 4.0) / 16.0 * (raw_at_20 - raw_at_4)])
    assert codes(milliamps(raw, raw_at_4, raw_at_20))[0] == reason


@pytest.mark.parametrize(("ma", "reason"), NE_43)
def test_bands_hold_for_a_float32_of_milliamps(ma: float, reason: Reason) -> None:
    assert codes(np.array([ma], dtype=np.float32).astype(np.float64))[0] == reason


# Counts of the same scalings as worked by hand, linear.
@pytest.mark.parametrize(
    ("raw", "raw_at_4", "raw_at_20", "ma"),
    [
        (-691.2, 0, 27648, 3.6),
        (13824, 0, 27648, 12.0),
        (29376, 0, 27648, 21.0),
        (-4864, 0, 27648, 1.1852),
        (32511, 0, 27648, 22.814),
        (5760, 6400, 32000, 3.6),
        (6080, 6400, 32000, 3.8),
        (20500, 4000, 20000, 20.5),
        (2457, 819, 4095, 12.0),
        (10625, 0, 10000, 21.0),
    ],
)
def test_milliamps(raw: float, raw_at_4: float, raw_at_20: float, ma: float) -> None:
    assert milliamps(np.array([raw], dtype=np.float64), raw_at_4, raw_at_20)[0] == pytest.approx(ma, rel=2e-5)
