from math import exp
from statistics import fmean, pstdev

import pytest

from brakewater_sim.sensors import Sensor, SensorFault, SensorSizes, sensor

STEP = 0.05
RATED = 4.7317647e-3


def run(one: Sensor, truth: float, seconds: float, flow: float = RATED, start: float = 0.0) -> list[float]:
    shown = []
    for k in range(1, round(seconds / STEP) + 1):
        one.step(truth, start + k * STEP, STEP, flow, 0.0)
        shown.append(one.shown)
    return shown


def quiet(**sizes: object) -> SensorSizes:
    return SensorSizes(**{"role": "x", "lag_s": 6.0, "noise": 0.0, **sizes})  # type: ignore[arg-type]


@pytest.mark.parametrize("lag", [0.3, 1.0, 6.0])
def test_lag_step_response_is_the_exponential(lag: float) -> None:
    one = sensor(quiet(lag_s=lag), 0.0, seed=1)
    one.truth = 1.0  # the step falls at the start, not within the first step
    shown = run(one, 1.0, 5 * lag)
    for k in range(0, len(shown), 3):
        assert shown[k] == pytest.approx(1.0 - exp(-(k + 1) * STEP / lag), abs=(STEP / lag) ** 2 / 12)


def test_lag_follows_a_ramp_one_lag_behind() -> None:
    one = sensor(quiet(), 0.0, seed=1)
    for k in range(1, 2001):
        one.step(0.5 * k * STEP, k * STEP, STEP, RATED, 0.0)
    assert one.shown == pytest.approx(0.5 * (2000 * STEP - 6.0), abs=1e-6)


def test_rtd_in_standing_water_is_ten_times_slower() -> None:
    one = sensor(quiet(in_flow=True), 0.0, seed=1)
    one.truth = 1.0
    assert run(one, 1.0, 60.0, flow=0.0)[-1] == pytest.approx(1.0 - exp(-1.0), abs=1e-5)


def test_noise_has_its_size_no_offset_and_a_bound() -> None:
    shown = run(sensor(quiet(noise=0.1, bias=2.0), 20.0, seed=3), 20.0, 2000.0)
    assert fmean(shown) == pytest.approx(22.0, abs=0.002)  # four standard errors of 40 000 draws
    assert pstdev(shown) == pytest.approx(0.1, rel=0.02)
    assert max(abs(x - 22.0) for x in shown) <= 0.3 + 1e-12


def test_a_meter_strays_where_the_line_is_full_of_air() -> None:
    one = sensor(quiet(lag_s=0.0, noise=0.1, airy=30.0), 5.0, seed=2)
    wet = [one.step(5.0, k * STEP, STEP, RATED, 0.0) or one.shown for k in range(1, 8000)]
    airy = [one.step(5.0, k * STEP, STEP, RATED, 0.0, 0.5) or one.shown for k in range(8000, 16000)]
    assert pstdev(wet) == pytest.approx(0.1, rel=0.05)
    assert pstdev(airy) == pytest.approx(1.6, rel=0.05)


def test_waves_grow_with_the_turning_rotor() -> None:
    one = sensor(quiet(lag_s=0.01, waves=0.001), 0.3, seed=1)
    calm = [one.step(0.3, k * STEP, STEP, RATED, 0.0) or one.shown for k in range(1, 2000)]
    stirred = [one.step(0.3, k * STEP, STEP, RATED, 1.0) or one.shown for k in range(2000, 4000)]
    assert pstdev(stirred) == pytest.approx(3 * pstdev(calm), rel=0.1)
    assert fmean(calm) == pytest.approx(0.3, abs=1e-4)


def test_faults_act_within_their_window_only() -> None:
    faults = (
        SensorFault(role="x", kind="stuck", from_s=10.0, to_s=20.0),
        SensorFault(role="x", kind="drift", from_s=30.0, to_s=40.0, size=0.1),
        SensorFault(role="x", kind="bias", from_s=50.0, size=-1.0),
        SensorFault(role="y", kind="stuck", from_s=0.0),
    )
    one = sensor(quiet(lag_s=0.01, noise=0.01), 5.0, 1, faults)
    shown = run(one, 5.0, 60.0)
    assert len(set(shown[199:398])) == 1  # 10 s to before 20 s
    assert shown[500] == pytest.approx(5.0, abs=0.04)
    assert shown[797] == pytest.approx(5.99, abs=0.04)
    assert shown[900] == pytest.approx(5.0, abs=0.04)
    assert shown[1100] == pytest.approx(4.0, abs=0.04)


@pytest.mark.parametrize("order", [1, -1])
def test_a_stuck_transmitter_shows_its_last_value_whatever_else_is_wrong(order: int) -> None:
    faults = (
        SensorFault(role="x", kind="stuck", from_s=10.0, to_s=20.0),
        SensorFault(role="x", kind="bias", from_s=5.0, size=1.0),
        SensorFault(role="x", kind="drift", from_s=12.0, size=0.1),
        SensorFault(role="x", kind="wrong-range", from_s=15.0, size=2.0),
    )
    shown = run(sensor(quiet(lag_s=0.01), 5.0, 1, faults[::order]), 5.0, 30.0)
    assert shown[150] == shown[250] == shown[390] == 6.0
    assert 8.0 < shown[500] < 15.0


def test_broken_wiring_is_named_while_it_lasts() -> None:
    one = sensor(quiet(), 0.0, 1, (SensorFault(role="x", kind="open-circuit", from_s=1.0, to_s=2.0),))
    assert [one.broken(t) for t in (0.9, 1.0, 1.9, 2.0)] == ["", "open-circuit", "open-circuit", ""]
