from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brakewater_sim.crew import Crew
from brakewater_sim.hoist import HoistSizes, hook, travel

SIZES = HoistSizes()
POUND_FORCE_N = 4.4482216153


@given(st.floats(0.0, 30.0), st.floats(-40.0, 40.0))
def test_travel_speed_and_acceleration_are_the_derivatives_of_the_way(s: float, distance: float) -> None:
    s = min(max(s, 1e-3), 30.0 - 1e-3)
    step = 1e-4
    before, now, after = (travel(x, distance, 30.0, 3.0) for x in (s - step, s, s + step))
    assert (after[0] - before[0]) / (2 * step) == pytest.approx(now[1], abs=1e-5)
    assert (after[1] - before[1]) / (2 * step) == pytest.approx(now[2], abs=2e-3)


def test_travel_rests_at_both_ends() -> None:
    assert travel(0.0, 28.0, 30.0, 3.0) == (0.0, 0.0, 0.0)
    assert travel(30.0, 28.0, 30.0, 3.0) == pytest.approx((28.0, 0.0, 0.0))


def test_block_and_bit_never_jump_and_each_cycle_takes_one_stand() -> None:
    step = 0.01
    hooks = [hook(SIZES, k * step) for k in range(int(2.5 * SIZES.cycle_s / step))]
    blocks = [now.block_m for now in hooks]
    assert max(abs(b - a) for a, b in pairwise(blocks)) <= 1.001 * SIZES.hoisting_m_s * step
    depths = [now.depth_m for now in hooks]
    assert max(abs(b - a) for a, b in pairwise(depths)) <= 1.001 * SIZES.lowering_m_s * step
    down, up = hook(SIZES, 0.0), hook(SIZES, SIZES.cycle_s)
    assert up.depth_m - down.depth_m == pytest.approx(SIZES.stand_m)
    assert up.block_m == pytest.approx(down.block_m)


def test_work_of_a_stand_is_weight_times_way_times_efficiency() -> None:
    # The ramps' inertia cancels over a stand; what the crawl leaves to the friction brake is counted back in.
    step, sizes = 0.01, replace(SIZES, drag=0.0)
    hooks = [hook(sizes, k * step) for k in range(int(sizes.cycle_s / step))]
    work = sum(now.brake_w / now.braking * step for now in hooks if now.braking)
    weight = sizes.block_kg * 9.80665 + sizes.string_n(sizes.start_depth_m + sizes.stand_m)
    way = sizes.stand_m + sizes.lift_m
    assert work == pytest.approx(weight * way * sizes.line_efficiency * sizes.share, rel=1e-4)


def test_steady_power_is_load_times_speed() -> None:
    # TRADE sheet section 6: 200 000 lbf at 3 ft/s is 813.49 kW at the hook (from the definitions of lbf and ft).
    mass = 200_000 * POUND_FORCE_N / 9.80665
    light = replace(
        SIZES, block_kg=mass, pipe_kg_m=0.0, collars_kg=0.0, lowering_m_s=0.9144, line_efficiency=1.0, share=1.0
    )
    now = hook(light, 15.0)
    assert now.load_n == pytest.approx(889_644.3, rel=1e-6)
    assert now.brake_w / now.braking == pytest.approx(813_490, rel=1e-5)


def test_buoyancy_is_that_of_the_handbook() -> None:
    # TRADE sheet section 7: mud of 10 lb/gal (1198.26 kg/m3) leaves 0.8473 of the weight.
    sizes = replace(SIZES, mud_kg_m3=1198.264, pipe_kg_m=1.0, collars_kg=0.0)
    assert sizes.string_n(1000.0) / 9806.65 == pytest.approx(0.8473, abs=1e-4)


def test_only_lowering_loads_the_brake() -> None:
    hooks = [hook(SIZES, 0.1 * k) for k in range(int(SIZES.cycle_s / 0.1))]
    assert all((now.brake_w > 0.0) == (now.braking > 0.0) for now in hooks)
    assert all(now.brake_w == 0.0 for now in hooks if now.lowering_m_s <= 0.0)
    assert max(now.brake_w for now in hooks) > 7e5
    assert all(now.in_service for now in hooks)


def test_the_hole_carries_some_of_the_string_going_in_and_holds_it_coming_out() -> None:
    steady, out = hook(SIZES, 15.0), replace(SIZES, direction="out", end_depth_m=1400.0)
    block = SIZES.block_kg * 9.80665
    assert steady.load_n - block == pytest.approx(0.96 * SIZES.string_n(SIZES.start_depth_m + SIZES.stand_m))
    pulled = hook(out, 15.0)
    assert pulled.load_n - block == pytest.approx(1.04 * out.string_n(out.start_depth_m))
    assert pulled.brake_w == 0.0
    assert not pulled.in_service


def test_the_drum_turns_as_the_line_runs() -> None:
    # Ten lines: 1 m/s at the hook is 10 m/s of line; off a drum of 0.75 m that is 26.67 rad/s.
    assert hook(SIZES, 15.0).drum_rad_s == pytest.approx(10.0 / 0.375)


def test_a_crew_stops_on_the_way_and_rests() -> None:
    calm = replace(SIZES, crew=Crew(seed=3, spread=0.0, hitch=0.0))
    hitched = replace(SIZES, crew=Crew(seed=3, spread=0.0, hitch=1.0))
    rested = replace(SIZES, crew=Crew(seed=3, spread=0.0, hitch=0.0, rest_every=10, rest_s=100.0))
    assert calm.whole_s == pytest.approx(SIZES.whole_s)
    # A stop costs its time and one more ramp, a rest its time; 34 stands have three tens behind the first.
    assert hitched.whole_s - calm.whole_s == pytest.approx(34 * (25.0 + SIZES.ramp_s))
    assert rested.whole_s - calm.whole_s == pytest.approx(3 * 100.0)
    spread = [replace(SIZES, crew=Crew(seed=seed, hitch=0.0)).whole_s for seed in (1, 2)]
    assert spread[0] != spread[1]
    assert spread == pytest.approx([SIZES.whole_s] * 2, rel=0.1)


def test_pace_scales_speed_and_holding_stops_it() -> None:
    whole, half, held = hook(SIZES, 15.0), hook(SIZES, 15.0, pace=0.5), hook(SIZES, 15.0, pace=0.0)
    assert half.lowering_m_s == pytest.approx(0.5 * whole.lowering_m_s)
    assert held.lowering_m_s == held.brake_w == 0.0
    assert held.load_n > whole.load_n  # the hole carries nothing of a string at rest


def test_after_the_last_stand_the_brake_is_out_of_service() -> None:
    end = hook(SIZES, SIZES.stands * SIZES.cycle_s)
    assert not end.in_service
    assert end.brake_w == 0.0
    assert end.depth_m == pytest.approx(2400.0 + 34 * 28.65)
