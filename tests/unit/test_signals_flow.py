import numpy as np
import pytest

from brakewater.quality import Reason
from brakewater.signals.convert import CurrentLoop, Frequency, Pt100, Pulse, Register, Root, convert
from brakewater.signals.flow import of_frequency, of_pressure
from brakewater.signals.leads import Leads, copper_ohms
from brakewater.signals.trim import Trim, trimmed
from brakewater.signals.words import RegisterKind
from brakewater.stream import Codes, Floats

UINT16 = Register(kind=RegisterKind.UINT16)
FLOAT32 = Register(kind=RegisterKind.FLOAT32)


def _codes(*codes: int) -> Codes:
    return np.array(codes, np.uint8)


def _float32(*numbers: float) -> np.ndarray[tuple[int, ...], np.dtype[np.uint16]]:
    return np.array(numbers, dtype=">f4").view(">u2").astype(np.uint16).reshape(-1, 2)


def _flow(signal: Frequency | Root, *raw: float) -> tuple[Floats, Codes]:
    numbers = np.array(raw, np.float64)
    return of_frequency(numbers, signal) if isinstance(signal, Frequency) else of_pressure(numbers, signal)


def test_frequency_cuts_off_low_and_refuses_below_zero() -> None:
    signal = Frequency(pulses_per_m3=1000.0, hz_per_count=0.1, least_hz=2.0)
    flow, codes = _flow(signal, 0, 19, 20, 1000, -1)
    np.testing.assert_array_equal(flow, [0.0, 0.0, 0.002, 0.1, 0.0])
    np.testing.assert_array_equal(codes, [0, 0, 0, 0, Reason.OUT_OF_SENSOR_RANGE])


def test_root_in_closed_form() -> None:
    signal = Root(raw_low=0, raw_high=27648, full_scale=0.01)
    shares = np.array([0.01, 0.04, 0.25, 0.5, 1.0])
    flow, codes = of_pressure(27648 * shares, signal)
    np.testing.assert_allclose(flow, 0.01 * np.array([0.1, 0.2, 0.5, np.sqrt(0.5), 1.0]), rtol=1e-14)
    np.testing.assert_array_equal(codes, 0)


def test_root_below_its_cut_is_zero() -> None:
    flow, _ = _flow(Root(raw_low=4000, raw_high=20000, full_scale=1.0), 4159, 4160, 4000, 3000)
    np.testing.assert_array_equal(flow, [0.0, 0.1, 0.0, 0.0])
    flow, _ = _flow(Root(raw_low=4000, raw_high=20000, full_scale=1.0, cut=0.0), 4159, 3999)
    assert flow[0] == pytest.approx(np.sqrt(159 / 16000), rel=1e-15)
    assert flow[1] == 0.0


def test_root_over_a_loop_keeps_its_bands() -> None:
    words = np.array([[3600], [3700], [3800], [12000], [20600], [21000]], np.uint16)
    signal = Root(raw_low=4000, raw_high=20000, full_scale=2.0, loop=True)
    flow, codes = convert(UINT16, signal, words, _codes(*[0] * 6))
    np.testing.assert_array_equal(
        codes, [Reason.LOOP_LOW, Reason.UNDER_RANGE, 0, 0, Reason.OVER_RANGE, Reason.LOOP_HIGH]
    )
    np.testing.assert_array_equal(flow[[0, 1, 2, 5]], 0.0)
    assert flow[4] == pytest.approx(2.0 * np.sqrt(1.0375), rel=1e-15)  # uncertain keeps the number
    _, codes = convert(UINT16, CurrentLoop(raw_low=4000, raw_high=20000, low=0, high=1), words, _codes(*[0] * 6))
    np.testing.assert_array_equal(codes, convert(UINT16, signal, words, _codes(*[0] * 6))[1])


@pytest.mark.parametrize(
    "signal",
    [
        Frequency(pulses_per_m3=1e-3),
        Root(raw_low=0, raw_high=1, full_scale=1.0),
        Root(raw_low=0, raw_high=1, full_scale=1.0, loop=True),
        Pulse(pulses_per_m3=1.0, rolls_at=65536, most_per_s=10.0),
    ],
)
def test_no_number_is_bad_in_every_flow_signal(signal: Frequency | Root | Pulse) -> None:
    values, codes = convert(FLOAT32, signal, _float32(np.nan, np.inf, -np.inf), _codes(0, 0, 0))
    np.testing.assert_array_equal(values, 0.0)
    np.testing.assert_array_equal(codes, Reason.NOT_A_NUMBER)


def test_a_pulse_converts_to_its_count() -> None:
    signal = Pulse(pulses_per_m3=1.0, rolls_at=65536, most_per_s=10.0)
    values, codes = convert(UINT16, signal, np.array([[65535], [7]], np.uint16), _codes(0, 1))
    np.testing.assert_array_equal(values, [65535.0, 0.0])
    np.testing.assert_array_equal(codes, [0, Reason.NO_ANSWER])


def test_leads_come_off_the_ohms() -> None:
    for leads, ohms in ((Leads(wires=2, ohms=1.0), 101.0), (Leads(wires=3, ohms=-0.5), 99.5), (Leads(wires=4), 100.0)):
        values, codes = convert(FLOAT32, Pt100(ohms_offset=leads.ohms_offset), _float32(ohms), _codes(0))
        assert (values[0], codes[0]) == (0.0, 0)


def test_copper_in_closed_form() -> None:
    assert copper_ohms(10.0, 0.02, 20.0) == 10.0 * 0.02
    assert copper_ohms(10.0, 0.02, 120.0) == pytest.approx(0.2 * 1.393, rel=1e-15)
    assert copper_ohms(10.0, 0.02, -30.0) == pytest.approx(0.2 * (1.0 - 0.1965), rel=1e-15)


def test_trim() -> None:
    values, codes = np.array([1.0, 2.0, 0.0]), _codes(0, Reason.UNDER_RANGE, Reason.LOOP_LOW)
    right, told = trimmed(Trim(gain=1.1, offset=-0.5), values, codes)
    np.testing.assert_array_equal(right, [1.1 * 1.0 - 0.5, 1.1 * 2.0 - 0.5, 0.0])
    np.testing.assert_array_equal(told, codes)
    assert trimmed(Trim(), values, codes)[0].tobytes() == values.tobytes()


def test_a_trim_that_overflows_is_no_number() -> None:
    right, told = trimmed(Trim(gain=1.25), np.array([1.7e308]), _codes(0))
    assert (right[0], told[0]) == (0.0, Reason.NOT_A_NUMBER)


REFUSED = [
    (lambda: Frequency(pulses_per_m3=0.0), "pulses_per_m3"),
    (lambda: Frequency(pulses_per_m3=1.0, hz_per_count=-1.0), "hz_per_count"),
    (lambda: Frequency(pulses_per_m3=1.0, least_hz=float("nan")), "least_hz"),
    (lambda: Root(raw_low=1, raw_high=1, full_scale=1.0), "raw_high"),
    (lambda: Root(raw_low=float("inf"), raw_high=1, full_scale=1.0), "raw_low"),
    (lambda: Root(raw_low=0, raw_high=1, full_scale=0.0), "full_scale"),
    (lambda: Root(raw_low=0, raw_high=1, full_scale=1.0, cut=0.5), "cut"),
    (lambda: Leads(wires=5), "wires"),
    (lambda: Leads(wires=2, ohms=-0.1), "ohms"),
    (lambda: Leads(wires=3, ohms=9.0), "ohms"),
    (lambda: Leads(wires=4, ohms=0.1), "ohms"),
    (lambda: Leads(wires=2, ohms=float("nan")), "ohms"),
    (lambda: copper_ohms(0.0, 0.02, 20.0), "length_m"),
    (lambda: copper_ohms(1.0, float("inf"), 20.0), "ohms_per_m_at_20"),
    (lambda: copper_ohms(1.0, 0.02, 200.0), "t_degc"),
    (lambda: Trim(gain=0.79), "gain"),
    (lambda: Trim(gain=1.26), "gain"),
    (lambda: Trim(offset=float("inf")), "offset"),
]


@pytest.mark.parametrize(("build", "key"), REFUSED)
def test_nonsense_is_refused(build, key: str) -> None:  # noqa: ANN001 - a table of lambdas
    with pytest.raises(ValueError, match=f"^{key}: found .*; allowed: .*; "):
        build()
