import json

import numpy as np
import pytest

from brakewater.quality import Reason
from brakewater.signals.meter import Metered, PulseMeter
from brakewater.signals.pulse import NATURAL_ROLL, Pulse, Went, steps
from brakewater.signals.words import RegisterKind

S = 1_000_000_000
SCAN = S // 5
PULSE = Pulse(pulses_per_m3=1000.0, rolls_at=65536, most_per_s=100.0, renewed_ns=0)
"""20 pulses a second are 0.02 m3/s."""


def _meter(counts: list[float], codes: list[int] | None = None, *, pulse: Pulse = PULSE, scan: int = SCAN) -> Metered:
    told = np.array(codes or [0] * len(counts), np.uint8)
    return PulseMeter(pulse).meter(np.array(counts, np.float64), told, np.arange(len(counts)) * scan)


def _steady(n: int, start: int = 0, each: int = 4) -> list[float]:
    return [float((start + each * k) % 65536) for k in range(n)]


def test_steady_flow_fills_its_window() -> None:
    got = _meter(_steady(15))
    assert got.codes.tolist() == [Reason.UNKNOWN] + [Reason.SETTLING] * 9 + [0] * 5
    assert got.flow[0] == 0.0
    np.testing.assert_allclose(got.flow[1:], 0.02, rtol=1e-15)
    np.testing.assert_array_equal(got.volume_ml, 4000 * np.arange(15))


@pytest.mark.parametrize("start", [65536 - 4 * 12, 65530, 65535])
def test_roll_over_makes_no_difference(start: int) -> None:
    rolled, plain = _meter(_steady(30, start)), _meter(_steady(30))
    assert rolled.flow.tobytes() == plain.flow.tobytes()
    assert rolled.codes.tobytes() == plain.codes.tobytes()
    np.testing.assert_array_equal(rolled.volume_ml, plain.volume_ml)


def test_roll_over_at_a_decimal() -> None:
    pulse = Pulse(pulses_per_m3=1000.0, rolls_at=10000, most_per_s=100.0)
    got = _meter([float((9990 + 4 * k) % 10000) for k in range(15)], pulse=pulse)
    np.testing.assert_allclose(got.flow[1:], 0.02, rtol=1e-15)
    assert got.codes[10:].tolist() == [0] * 5


def test_roll_over_at_32_bits() -> None:
    pulse = Pulse(pulses_per_m3=1.0, rolls_at=1 << 32, most_per_s=1e6)
    got = _meter([4294967000.0, 4294967295.0, 100.0], pulse=pulse, scan=S)
    np.testing.assert_array_equal(got.flow, [0.0, 295.0, 198.0])


def test_quantisation_makes_at_most_one_step() -> None:
    pulse = Pulse(pulses_per_m3=1000.0, rolls_at=65536, most_per_s=100.0)
    got = _meter([float(int(7.3 * k * 0.2)) for k in range(200)], pulse=pulse)
    assert pulse.step_m3_s == 1 / (1000.0 * 2.0)
    assert np.abs(got.flow[10:] - 0.0073).max() <= pulse.step_m3_s
    assert np.ptp(got.flow[10:]) > 0.0


def test_restarted_counter() -> None:
    got = _meter([*_steady(15, 30000), *_steady(15)])
    assert got.codes[10:15].tolist() == [0] * 5
    assert got.codes[15:25].tolist() == [Reason.COUNTER_RESET] * 10
    assert got.codes[25:].tolist() == [0] * 5
    np.testing.assert_allclose(got.flow[1:], 0.02, rtol=1e-15)  # the step that nobody saw counts for nothing
    assert got.volume_ml[-1] == 4000 * 28


def test_exchanged_counter_that_shows_more() -> None:
    got = _meter([*_steady(15), *_steady(15, 30000)])
    assert got.codes[15] == Reason.COUNTER_RESET
    np.testing.assert_allclose(got.flow[1:], 0.02, rtol=1e-15)


def test_reversed_counter_is_bad_for_a_window_and_takes_volume_off() -> None:
    got = _meter([1000.0] * 12 + [998.0] + [998.0] * 12)
    assert got.codes[10:12].tolist() == [0, 0]
    assert got.codes[12:22].tolist() == [Reason.COUNTER_REVERSED] * 10
    assert got.codes[22:].tolist() == [0] * 3
    np.testing.assert_array_equal(got.flow, 0.0)
    assert got.volume_ml[-1] == -2000


def test_backwards_through_zero() -> None:
    got = _meter([1.0, 0.0, 65535.0, 65534.0])
    assert got.codes[1:].tolist() == [Reason.COUNTER_REVERSED] * 3


def test_a_trembling_contact_is_no_flow() -> None:
    got = _meter([100.0, 101.0] * 20)
    assert (got.codes[2:] == Reason.COUNTER_REVERSED).all()
    assert got.volume_ml[-1] == 1000


def test_short_failure_costs_nothing_but_itself() -> None:
    codes = [0] * 20
    codes[14] = Reason.NO_ANSWER
    counts = _steady(20)
    counts[14] = 0.0
    got = _meter(counts, codes)
    assert got.codes[10:].tolist() == [0, 0, 0, 0, Reason.NO_ANSWER, 0, 0, 0, 0, 0]
    assert got.flow[14] == 0.0
    np.testing.assert_allclose(got.flow[15:], 0.02, rtol=1e-15)
    assert got.volume_ml[13:16].tolist() == [52000, 52000, 60000]


def test_a_long_silence_says_nothing_of_now() -> None:
    counts, codes = _steady(60), [0] * 60
    codes[20:40] = [Reason.NO_ANSWER] * 20
    got = _meter(counts, codes)
    assert got.codes[40] == Reason.UNKNOWN
    assert got.codes[41:50].tolist() == [Reason.SETTLING] * 9
    assert got.codes[50] == 0
    assert got.volume_ml[40] == 160000  # the volume of the silence is known all the same


def test_too_long_a_silence_to_tell_the_volume() -> None:
    pulse = Pulse(pulses_per_m3=1000.0, rolls_at=1000, most_per_s=100.0)
    got = _meter([0.0, 500.0, 10.0, 12.0], pulse=pulse, scan=20 * S)
    assert (got.codes == Reason.UNKNOWN).all()
    assert got.volume_ml[-1] == 0


def test_a_device_that_renews_its_count_once_a_second() -> None:
    pulse = Pulse(pulses_per_m3=1000.0, rolls_at=65536, most_per_s=40.0)
    got = _meter([20.0 * (k // 5) for k in range(40)], pulse=pulse)
    assert (got.codes[10:] == 0).all()
    np.testing.assert_allclose(got.flow[10:], 0.02, rtol=1e-15)
    strict = Pulse(pulses_per_m3=1000.0, rolls_at=65536, most_per_s=40.0, renewed_ns=0)
    assert Reason.COUNTER_RESET in _meter([20.0 * (k // 5) for k in range(40)], pulse=strict).codes


def test_a_count_beyond_its_roll_over_and_uncertain_codes() -> None:
    pulse = Pulse(pulses_per_m3=1000.0, rolls_at=10000, most_per_s=100.0)
    got = _meter([9999.0, 10000.0, -1.0, 3.0], [0, 0, 0, Reason.OLD], pulse=pulse)
    assert got.codes.tolist() == [Reason.UNKNOWN, Reason.OUT_OF_SENSOR_RANGE, Reason.OUT_OF_SENSOR_RANGE, 21]
    assert got.flow[3] == pytest.approx(0.004 / 0.6, rel=1e-15)
    full = _meter([0.0] * 12, [Reason.OLD] * 12, pulse=pulse)
    assert full.codes[-1] == Reason.OLD


def test_the_same_sample_again_changes_nothing() -> None:
    t = np.repeat(np.arange(8) * S, 5)
    counts = np.repeat(20.0 * np.arange(8), 5)
    flow, codes = PulseMeter(PULSE).feed(counts, np.zeros(40, np.uint8), t)
    assert (codes[10:] == 0).all()
    np.testing.assert_allclose(flow[5:], 0.02, rtol=1e-15)


def test_polls_as_far_apart_as_the_window() -> None:
    got = _meter([0.0, 40.0, 80.0], scan=2 * S)
    assert got.codes.tolist() == [Reason.UNKNOWN, 0, 0]
    assert got.flow[1:].tolist() == [0.02, 0.02]
    assert (_meter([0.0, 40.0, 80.0], scan=2 * S + 1).codes == Reason.UNKNOWN).all()


def test_steps() -> None:
    got = steps(PULSE, np.array([5, 5, 9, 8, 60000, 60000]), np.array([0, 1, 2, 3, 4, 4 + 656]) * S)
    assert got.went.tolist() == [Went.ON, Went.ON, Went.BACK, Went.ANEW, Went.UNSEEN]
    assert got.pulses.tolist() == [0, 4, -1, 0, 0]


def test_at_the_most_that_can_come_one_pulse_more_was_just_about_to() -> None:
    """100 a second over 0.2 s are 20, and one of them may have waited at the begin."""
    at = np.array([0, 200_000_000], np.int64)
    for pulses, went in ((21, Went.ON), (22, Went.ANEW)):
        assert steps(PULSE, np.array([5, 5 + pulses], np.int64), at).went.tolist() == [went]


def test_state_is_json_and_small() -> None:
    meter = PulseMeter(PULSE)
    t = np.arange(5000) * SCAN + 10**18
    meter.feed(np.array(_steady(5000)), np.zeros(5000, np.uint8), t)
    text = json.dumps(meter.state(), allow_nan=False)
    assert len(text) < 800
    assert str(t[-1]) in json.loads(text)["t"]


def test_nothing_fed_nothing_told() -> None:
    got = _meter([])
    assert (len(got.flow), len(got.codes), len(got.volume_ml)) == (0, 0, 0)


def test_natural_roll() -> None:
    assert {kind: 1 << bits for kind, bits in ((RegisterKind.UINT16, 16), (RegisterKind.UINT32, 32))} == NATURAL_ROLL


@pytest.mark.parametrize(
    ("fields", "key"),
    [
        ({"pulses_per_m3": 0.0}, "pulses_per_m3"),
        ({"rolls_at": 9}, "rolls_at"),
        ({"rolls_at": 1 << 33}, "rolls_at"),
        ({"most_per_s": 0.0}, "most_per_s"),
        ({"most_per_s": 40000.0}, "most_per_s"),
        ({"window_ns": 0}, "window_ns"),
        ({"window_ns": 3600 * S}, "window_ns"),
        ({"renewed_ns": -1}, "renewed_ns"),
    ],
)
def test_nonsense_is_refused(fields: dict[str, float], key: str) -> None:
    with pytest.raises(ValueError, match=f"^{key}: found .*; allowed: .*; "):
        Pulse(**{"pulses_per_m3": 1000.0, "rolls_at": 65536, "most_per_s": 100.0, **fields})
