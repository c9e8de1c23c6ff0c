"""``brake-level-rising``: true rises told from sloshing and noise, fast or slow, and not forgotten while water stands.

The five-second scans of the demo rig; sloshing as a wave of a second and a half beside white noise.
"""

import numpy as np
import pytest

from brakewater.engine.rising import Rising
from brakewater.quality import Reason
from brakewater.stream import Column

SCAN_NS = 200_000_000
PER_S = 5


def watch(
    level: np.ndarray, *, flow: float | np.ndarray = 5e-3, code: int = 0
) -> tuple[np.ndarray, np.ndarray, Rising]:
    n = len(level)
    rising = Rising(SCAN_NS, allowance_m=0.01, high_m=0.45, wetting_m3_s=3e-4)
    flows = np.broadcast_to(np.asarray(flow, float), n)
    found = rising.feed(
        Column(values=level, codes=np.full(n, code, np.uint8)), Column(values=flows, codes=np.zeros(n, np.uint8))
    )
    return found["level_rising"].values, found["level_rise_m"].codes, rising


def sloshing(seconds: float, *, seed: int = 1, wave_m: float = 0.015, noise_m: float = 0.003) -> np.ndarray:
    t = np.arange(round(seconds * PER_S)) / PER_S
    rng = np.random.default_rng(seed)
    return 0.31 + wave_m * np.sin(2 * np.pi * t / 1.5) + noise_m * rng.standard_normal(len(t))


def first(met: np.ndarray, from_s: float) -> float:
    """Seconds from the beginning of the rise to the alarm."""
    return float(np.flatnonzero(met)[0]) / PER_S - from_s


@pytest.mark.parametrize(
    ("mm_s", "most_s", "most_mm"), [(0.1, 250, 25), (0.3, 120, 36), (1.0, 60, 55), (3.0, 30, 80), (20.0, 7, 130)]
)
def test_a_rise_of_any_pace_is_told_long_before_the_bearings(mm_s: float, most_s: float, most_mm: float) -> None:
    level = sloshing(600)
    ramp = np.maximum(np.arange(len(level)) / PER_S - 60.0, 0.0) * mm_s / 1e3
    met, _, _ = watch(level + ramp)
    delay = first(met, 60.0)
    assert 0 < delay < most_s
    assert delay * mm_s < most_mm


def test_a_creep_in_calm_water_does_not_become_the_usual_level() -> None:
    """0.05 mm/s: followed over ten minutes the usual lags by up to 30 mm; the alarm is out before it rose by those."""
    ramp = np.maximum(np.arange(900 * PER_S) / PER_S - 60.0, 0.0) * 0.05e-3
    met, _, _ = watch(0.31 + ramp)
    assert 0 < first(met, 60.0) * 0.05 < 30.0


def test_it_stays_while_the_water_stands_high() -> None:
    level = sloshing(2_000)
    ramp = np.clip(np.arange(len(level)) / PER_S - 60.0, 0.0, 300.0) * 1e-3
    met, _, _ = watch(level + ramp)  # up 300 mm to 610 mm, past the bearing, and there it stays
    assert met[-1] == 1.0
    assert met[int(200 * PER_S) :].all()


@pytest.mark.parametrize(("up_m", "forgotten"), [(0.10, True), (0.20, False)])
def test_calm_water_that_stands_too_high_never_becomes_the_usual_one(up_m: float, *, forgotten: bool) -> None:
    """0.31 m and what it rose: below 0.45 m it is learnt anew after five minutes, above it never is."""
    t = np.arange(1_500 * PER_S) / PER_S
    met, _, _ = watch(0.31 + up_m * np.clip((t - 60.0) / 30.0, 0.0, 1.0))
    assert met[int(120 * PER_S)] == 1.0
    assert bool(met[-1]) is not forgotten


def test_it_goes_when_the_water_is_down_again() -> None:
    level = sloshing(400)
    bump = np.where((np.arange(len(level)) / PER_S > 60) & (np.arange(len(level)) / PER_S < 160), 0.1, 0.0)
    met, _, _ = watch(level + bump)
    assert met[int(100 * PER_S)] == 1.0
    assert not met[int(190 * PER_S) :].any()


def test_a_new_steady_level_below_the_mark_becomes_the_usual_one() -> None:
    level = sloshing(900, wave_m=0.0)
    step = np.where(np.arange(len(level)) / PER_S > 60, 0.05, 0.0)
    met, _, _ = watch(level + step)
    assert met[int(200 * PER_S)] == 1.0
    assert met[-1] == 0.0


def test_filling_a_brake_that_ran_dry_is_no_rise() -> None:
    t = np.arange(1_500 * PER_S) / PER_S
    level = np.interp(t, [0, 100, 130, 1_000, 1_030, 1_500], [0.31, 0.31, 0.0, 0.0, 0.31, 0.31])
    flow = np.where((t > 100) & (t < 1_000), 0.0, 5e-3)
    met, _, _ = watch(level, flow=flow)
    assert not met.any()


def rise_m(level: np.ndarray, flow: np.ndarray, size: int) -> np.ndarray:
    """[n] height above the usual, told in blocks of so many scans."""
    rising = Rising(SCAN_NS, allowance_m=0.01, high_m=0.45, wetting_m3_s=3e-4)
    told = []
    for at in range(0, len(level), size):
        part, n = slice(at, at + size), len(level[at : at + size])
        columns = (Column(values=values[part], codes=np.zeros(n, np.uint8)) for values in (level, flow))
        told.append(rising.feed(*columns)["level_rise_m"].values)
    return np.concatenate(told)


@pytest.mark.parametrize("size", [1, 10_000])
def test_a_brake_without_flow_keeps_its_usual_level_however_near_it_the_water_stands(size: int) -> None:
    level = np.concatenate((np.full(60 * PER_S, 0.31), np.full(600 * PER_S, 0.302)))
    flow = np.where(np.arange(len(level)) < 60 * PER_S, 5e-3, 0.0)
    found = rise_m(level, flow, size)
    assert found[59 * PER_S] == pytest.approx(0.0, abs=1e-5)
    assert found[-1] == pytest.approx(-0.008, abs=1e-4)


def test_a_level_that_moves_makes_no_first_usual_one() -> None:
    """A brake that is being filled when the watch begins: 10 mm/s, 9 cm within its ten seconds."""
    _, codes, _ = watch(0.1 + 0.010 * np.arange(30 * PER_S) / PER_S)
    assert set(codes.tolist()) == {int(Reason.UNKNOWN)}


def test_an_unknown_level_is_unknown() -> None:
    _, codes, _ = watch(sloshing(60), code=int(Reason.LOOP_LOW))
    assert set(codes.tolist()) == {int(Reason.UNKNOWN)}


def test_no_false_alarm_in_a_day_of_sloshing() -> None:
    met, _, _ = watch(sloshing(86_400, seed=5))
    assert not met.any()
