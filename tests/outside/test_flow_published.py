import numpy as np
import pytest
from scipy.signal import lfilter

from brakewater.signals.convert import Pt100, Register, convert
from brakewater.signals.damping import Damper, Damping
from brakewater.signals.flow import Frequency, Root, of_frequency, of_pressure
from brakewater.signals.leads import Leads, copper_ohms
from brakewater.signals.pulse import Pulse, steps
from brakewater.signals.rtd import degc_of_ohms, ohms_of_degc
from brakewater.signals.words import RegisterKind

GALLON_M3 = 231 * 0.0254**3  # exact by definition

# Source: sensorsone.com, 4-20 mA linear against square root extracted, two decimals.
ROOT_MA = [4.00, 8.00, 9.66, 10.93, 12.00, 12.94, 13.80, 14.58, 15.31, 16.00, 16.65, 17.27, 17.86, 18.42, 18.97, 19.49]


def test_square_root_table() -> None:
    linear = np.arange(4.0, 21.0)
    flow, _ = of_pressure(1000.0 * linear, Root(raw_low=4000, raw_high=20000, full_scale=1.0))
    np.testing.assert_allclose(4.0 + 16.0 * flow, [*ROOT_MA, 20.00], atol=0.00501)


# Source: industrialmonitordirect.com, share of differential pressure against share of flow.
@pytest.mark.parametrize(("dp", "flow"), [(0.0, 0.0), (25.0, 50.0), (50.0, 70.7), (75.0, 86.6), (100.0, 100.0)])
def test_shares_of_flow(dp: float, flow: float) -> None:
    got, _ = of_pressure(np.array([dp]), Root(raw_low=0, raw_high=100, full_scale=100.0))
    assert round(float(got[0]), 1) == flow


# Source: "what is flow meter K-factor", drurylandetheatre.com: K = 1000 /L at 500 Hz is 30 L/min; K = 25 /gal at 100 Hz
# is 240 gal/min.
@pytest.mark.parametrize(
    ("k", "hz", "m3_s"), [(1000.0 * 1000.0, 500.0, 0.030 / 60), (25.0 / GALLON_M3, 100.0, 240.0 * GALLON_M3 / 60)]
)
def test_k_factor(k: float, hz: float, m3_s: float) -> None:
    got, _ = of_frequency(np.array([hz]), Frequency(pulses_per_m3=k))
    assert got[0] == pytest.approx(m3_s, rel=1e-14)


# Source: "Overflow in unsigned arithmetic in C", cartesianproduct.wordpress.com, 2020-10-03: 0x03 - 0xFFFD is 6.
def test_unsigned_roll_over() -> None:
    pulse = Pulse(pulses_per_m3=1.0, rolls_at=1 << 16, most_per_s=10.0)
    assert steps(pulse, np.array([0xFFFD, 0x03]), np.array([0, 10**9])).pulses.tolist() == [6]


# Second implementation: numpy's own unsigned subtraction, modulo the type.
@pytest.mark.parametrize("kind", [np.uint16, np.uint32])
def test_roll_over_against_unsigned_subtraction(kind: type[np.unsignedinteger]) -> None:
    rolls_at = int(np.iinfo(kind).max) + 1
    ahead = np.random.default_rng(1).integers(0, rolls_at // 8, 5000)
    counts = np.cumsum(ahead).astype(kind)
    pulse = Pulse(pulses_per_m3=1.0, rolls_at=rolls_at, most_per_s=rolls_at / 4, renewed_ns=0)
    got = steps(pulse, counts.astype(np.int64), np.arange(5000) * 10**9)
    np.testing.assert_array_equal(got.pulses, counts[1:] - counts[:-1])


# Source: IEC 60751 computed apart from this program: 1 ohm of leads over the slope in ohm/K at 0, 50 and 100 degC.
@pytest.mark.parametrize(("degc", "ohms_per_k"), [(0.0, 0.39083), (50.0, 0.38506), (100.0, 0.37928)])
def test_an_ohm_of_leads(degc: float, ohms_per_k: float) -> None:
    true = ohms_of_degc(np.array([degc]))
    assert degc_of_ohms(true + 0.5)[0] - degc_of_ohms(true - 0.5)[0] == pytest.approx(1.0 / ohms_per_k, abs=1e-4)
    assert degc_of_ohms(true + 1.0 + Leads(wires=2, ohms=1.0).ohms_offset)[0] == pytest.approx(degc, abs=1e-9)


# Source: same, by the quadratic's inverse.
def test_an_ohm_of_leads_at_50_degc() -> None:
    assert degc_of_ohms(ohms_of_degc(np.array([50.0])) + 1.0)[0] == pytest.approx(52.5980, abs=6e-5)


# Same, for 30 m of 18 AWG (20.95 ohm/km at 20 degC, from memory) at 50 degC.
def test_thirty_metres_of_18_awg() -> None:
    lead = copper_ohms(30.0, 0.02095, 20.0)
    assert lead == pytest.approx(0.6285, rel=1e-12)
    true = ohms_of_degc(np.array([50.0]))
    assert degc_of_ohms(true + 2.0 * lead)[0] - 50.0 == pytest.approx(3.26, abs=0.01)
    assert degc_of_ohms(true + 0.01 * lead)[0] - 50.0 == pytest.approx(0.016, abs=5e-4)
    assert degc_of_ohms(true + 2.0 * lead + Leads(wires=2, ohms=2.0 * lead).ohms_offset)[0] == pytest.approx(50.0)


# Source: CRC Handbook, resistivity of copper 1.678 at 20, 1.543 at 0 and 2.22 at 100 degC (coursehero.com 6669542).
@pytest.mark.parametrize(("degc", "resistivity"), [(0.0, 1.543), (25.0, 1.712), (100.0, 2.22)])
def test_copper_against_resistivities(degc: float, resistivity: float) -> None:
    assert copper_ohms(1.0, 1.678, degc) == pytest.approx(resistivity, rel=0.01)


# Source: electricianmath.com: 18 AWG, 6.505 ohm per 1000 ft; 400 ft are 2.602 ohm.
def test_copper_by_length() -> None:
    assert copper_ohms(400 * 0.3048, 6.505 / 304.8, 20.0) == pytest.approx(2.602, rel=1e-12)


def test_pt1000_with_two_wires() -> None:
    words = np.array([1194.0 + 1.257], dtype=">f4").view(">u2").astype(np.uint16).reshape(1, 2)
    signal = Pt100(r0=1000.0, ohms_offset=Leads(wires=2, ohms=1.257).ohms_offset)
    values, _ = convert(Register(kind=RegisterKind.FLOAT32), signal, words, np.zeros(1, np.uint8))
    assert round(float(values[0]), 1) == 50.0  # the table's 119.40 ohm at 50 degC, tenfold


# Second implementation: scipy's first-order lag with the same time constant lets the same white noise through.
@pytest.mark.parametrize("tau_scans", [2, 5, 20])
def test_damping_lets_through_the_noise_of_a_first_order_lag(tau_scans: int) -> None:
    noise = np.random.default_rng(2).standard_normal(200_000)
    damper = Damper(Damping(damping_ns=tau_scans * 200, scan_ns=200))
    mean, _ = damper.feed(noise, np.zeros(len(noise), np.uint8), np.arange(len(noise)) * 200)
    pole = np.exp(-1.0 / tau_scans)
    lag = lfilter([1.0 - pole], [1.0, -pole], noise)
    settled = slice(20 * tau_scans, None)
    assert mean[settled].std() == pytest.approx(lag[settled].std(), rel=0.03)
    assert mean[settled].std() == pytest.approx(1.0 / np.sqrt(2 * tau_scans), rel=0.03)
