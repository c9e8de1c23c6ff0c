"""Each part of the plant against its closed-form solution."""

from dataclasses import replace
from itertools import pairwise
from math import exp, log, sqrt, tanh

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from brakewater_sim.brake import BrakeSizes, overflow_m3_s, return_m3_s, steady_level_m
from brakewater_sim.excite import ExciteSizes, coil_v, most_w
from brakewater_sim.lines import (
    LineSizes,
    discharge_m,
    flow_rate_m3_s2,
    speed_rate_1_s,
    static_head_m,
    steady_flow_m3_s,
    suction,
)
from brakewater_sim.plant import Drive, PlantState, Sizes, at_rest, brake_degc, brake_level_m, slope, taken, tank_degc
from brakewater_sim.rotor import RotorSizes, contact_w_k
from brakewater_sim.stepping import State, rk4
from brakewater_sim.tank import TankSizes
from brakewater_sim.water import density_kg_m3, enthalpy_j_kg

IDLE = Drive(brake_w=0.0, coil_w=0.0, blockage=0.0, ambient_degc=25.0, pump_running=False)
TIGHT = BrakeSizes(ambient_w_k=0.0)
INSULATED = replace(Sizes(), brake=TIGHT, rotor=RotorSizes(air_w_k=0.0), tank=TankSizes(ambient_w_k=2000.0))


def stopped(sizes: Sizes, water_degc: float) -> PlantState:
    return at_rest(sizes, water_degc)._replace(supply_m3_s=0.0, pump_speed=0.0)


def run(sizes: Sizes, y: State, drive: Drive, seconds: float, step: float = 0.05) -> PlantState:
    for _ in range(round(seconds / step)):
        y = rk4(lambda state, now: slope(sizes, state, now), tuple(y), step, (drive, drive, drive))
    return PlantState(*y)


def solve(sizes: Sizes, y: State, drive: Drive, hours: list[float]) -> list[PlantState]:
    times = [3600.0 * hour for hour in hours]
    found = solve_ivp(
        lambda _, state: slope(sizes, tuple(state), drive), (0.0, times[-1]), y, "LSODA", times, rtol=1e-9, atol=1e-9
    )
    return [PlantState(*column) for column in found.y.T]


def test_tank_cools_as_the_trade_sheet_says() -> None:
    # TRADE sheet section 8: 200 bbl, UA 2000 W/K, from 60 degC to air of 25 degC; Ta + 35/e after one time constant.
    # Its mass is that of 100 degF and its heat capacity constant, ours moves with temperature by 0.1 %: hence 0.03 K.
    start = stopped(INSULATED, 60.0)
    start = start._replace(tank_kg=31_576.6, tank_j=31_576.6 * enthalpy_j_kg(60.0))
    found = solve(INSULATED, start, replace_drive(blockage=1.0), [1.0, 12.0, 65_974 / 3600, 24.0])
    assert [tank_degc(y) for y in found] == pytest.approx([58.1413, 43.1840, 37.8758, 34.4474], abs=0.03)


def replace_drive(**changes: float) -> Drive:
    return IDLE._replace(**changes)  # type: ignore[arg-type]


def test_tank_warms_as_the_trade_sheet_says() -> None:
    # TRADE sheet section 8: Q 100 kW, from 30 degC, air 25 degC, UA 2000 W/K. Here the heat goes through rotor and
    # brake first, which keep 6 MJ of it (0.05 K of the tank) and add 0.8 % to its heat content.
    drive = replace_drive(brake_w=100e3, pump_running=True)
    hours = [1.0, 4.0, 12.0, 24.0, 48.0, 400.0]
    found = solve(INSULATED, at_rest(INSULATED, 30.0), drive, hours)
    expected = [32.3897, 38.8241, 51.6206, 62.8534, 71.7213, 75.0]
    assert [tank_degc(y) for y in found] == pytest.approx(expected, abs=0.3)
    assert tank_degc(found[-1]) == pytest.approx(75.0, abs=0.001)


def test_water_that_leaks_takes_its_heat_along_and_no_more() -> None:
    # Everything at 30 degC: whatever runs out, what stays is at 30 degC.
    start = at_rest(INSULATED, 30.0)
    for leak, kg in ((replace_drive(tank_leak_m3_s=0.02), 2000.0), (replace_drive(supply_leak=0.5), 265.0)):
        after = run(INSULATED, start, leak._replace(ambient_degc=30.0, pump_running=True), 100.0)
        assert start.tank_kg + start.brake_kg - after.tank_kg - after.brake_kg == pytest.approx(kg, rel=0.02)
        assert (tank_degc(after), brake_degc(after)) == pytest.approx((30.0, 30.0), abs=1e-6)


def test_overflow_takes_its_heat_along_and_steam_that_of_evaporation_too() -> None:
    full = run(
        INSULATED, at_rest(INSULATED, 30.0), replace_drive(blockage=1.0, ambient_degc=30.0, pump_running=True), 120
    )
    assert brake_level_m(INSULATED, full) > TIGHT.bearing_m
    assert brake_degc(full) == pytest.approx(30.0, abs=1e-6)
    # 100 kW into boiling water: 2256.5 kJ/kg (IAPWS-IF97 at 101 325 Pa) make 4.43 kg of steam in 100 s.
    sizes = replace(INSULATED, rotor=RotorSizes(air_w_k=0.0, still_w_k=0.0, flowing_w_k=0.0))
    kettle = IDLE._replace(brake_w=1.0, most_w=0.0, coil_w=100e3, blockage=1.0)
    boiling = run(sizes, stopped(sizes, 99.97), kettle, 20.0)
    after = run(sizes, boiling, kettle, 100.0)
    assert boiling.brake_kg - after.brake_kg == pytest.approx(100e3 * 100.0 / 2.2565e6, rel=2e-3)
    assert 99.97 < brake_degc(after) < 100.5


def test_brake_drains_as_torricelli_says() -> None:
    # sqrt(head) falls in a straight line: d sqrt(head)/dt = -(Cd a / A) sqrt(g / 2).
    start = stopped(INSULATED, 25.0)
    level = 0.5
    mass = density_kg_m3(25.0) * TIGHT.area_m2 * level
    start = start._replace(brake_kg=mass, brake_j=mass * enthalpy_j_kg(25.0))
    fall = TIGHT.discharge * TIGHT.return_m2 / TIGHT.area_m2 * sqrt(9.80665 / 2.0)
    for blockage, seconds in ((0.0, 20.0), (0.0, 50.0), (0.5, 60.0)):
        after = run(INSULATED, start, replace_drive(blockage=blockage), seconds)
        root = sqrt(level - TIGHT.outlet_m) - (1.0 - blockage) * fall * seconds
        assert brake_level_m(INSULATED, after) == pytest.approx(TIGHT.outlet_m + root * root, abs=1e-8)


def test_brake_drains_to_its_outlet_and_no_further() -> None:
    after = run(INSULATED, stopped(INSULATED, 25.0), IDLE, 300.0)
    assert brake_level_m(INSULATED, after) == pytest.approx(TIGHT.outlet_m, abs=1e-4)


def test_steady_level_carries_its_flow_and_a_blocked_return_fills_at_flow_over_area() -> None:
    assert return_m3_s(TIGHT, steady_level_m(TIGHT, 5e-3), 0.0) == pytest.approx(5e-3)
    assert steady_level_m(TIGHT, 85 * 6.30901964e-5) == pytest.approx(0.30, abs=0.005)
    start = at_rest(INSULATED, 25.0)
    after = run(INSULATED, start, replace_drive(blockage=1.0, pump_running=True), 10.0)
    rise = brake_level_m(INSULATED, after) - brake_level_m(INSULATED, start)
    assert rise == pytest.approx(10.0 * start.supply_m3_s / TIGHT.area_m2, rel=1e-3)


def test_overflow_settles_where_the_weir_carries_the_supply() -> None:
    after = run(INSULATED, at_rest(INSULATED, 25.0), replace_drive(blockage=1.0, pump_running=True), 200.0)
    over = (after.supply_m3_s / TIGHT.weir) ** (2.0 / 3.0)
    assert brake_level_m(INSULATED, after) == pytest.approx(TIGHT.bearing_m + over, abs=1e-4)
    assert overflow_m3_s(TIGHT, TIGHT.bearing_m) == 0.0


def test_pump_curve_meets_line_curve() -> None:
    line = LineSizes()
    static = static_head_m(line, 2.4, 0.3)
    flow = steady_flow_m3_s(line, static)
    assert line.shutoff_m - line.pump_s2_m5 * flow**2 == pytest.approx(static + line.clean_s2_m5 * flow**2)
    assert flow / 6.30901964e-5 == pytest.approx(85.0, abs=0.1)
    assert flow_rate_m3_s2(line, flow, 1.0, 1.0, static) == pytest.approx(0.0, abs=1e-12)


def test_flow_starts_as_tanh_and_stops_as_tan() -> None:
    # Constant head H over quadratic resistance k: q = sqrt(H/k) tanh(t / T), T = inertia / sqrt(H k); with the head
    # gone it falls by q = sqrt(h/k) tan(atan(q0 sqrt(k/h)) - t / T'), here checked by the time to nought.
    line = LineSizes()
    inertia, k = line.length_m / (9.80665 * line.bore_m2), line.pump_s2_m5 + line.clean_s2_m5
    head = line.shutoff_m - 4.0
    y: State = (0.0,)
    for step in range(1, 81):
        y = rk4(lambda state, _: (flow_rate_m3_s2(line, state[0], 1.0, 1.0, 4.0),), y, 0.05, (0, 0, 0))
        exact = sqrt(head / k) * tanh(0.05 * step * sqrt(head * k) / inertia)
        assert y[0] == pytest.approx(exact, rel=2e-4)
    assert y[0] == pytest.approx(sqrt(head / k), rel=1e-6)
    to_nought = inertia / sqrt(4.0 * k) * np.arctan(y[0] * sqrt(k / 4.0))
    for _ in range(int(to_nought / 0.001)):
        y = rk4(lambda state, _: (flow_rate_m3_s2(line, state[0], 0.0, 1.0, 4.0),), y, 0.001, (0, 0, 0))
    assert 0.0 < y[0] < 2e-5


def test_pump_coasts_down_and_the_check_valve_holds() -> None:
    line = LineSizes()
    assert speed_rate_1_s(line, 0.5, running=False) == pytest.approx(-0.5 / line.coast_s)
    start = at_rest(INSULATED, 25.0)
    after = run(INSULATED, start, IDLE, 2.0)
    assert after.pump_speed == pytest.approx(exp(-2.0 / line.coast_s), rel=1e-6)
    assert after.supply_m3_s <= 0.0
    # Head of the slowing pump falls below the static head at t = coast/2 ln(H0/static); then the flow soon ends.
    static = static_head_m(line, 2.4, 0.3)
    balance = 0.5 * line.coast_s * log(line.shutoff_m / static)
    assert run(INSULATED, start, IDLE, round(balance, 1)).supply_m3_s > 0.0
    assert run(INSULATED, start, IDLE, 60.0).tank_kg - run(INSULATED, start, IDLE, 2.0).tank_kg > 60.0


def test_the_gauge_behind_the_pump_shows_what_the_line_ahead_of_it_still_takes() -> None:
    # Along a streamline: head at the gauge = lift to the water in the brake + what line and filter take of it.
    line = LineSizes()
    for strainer in (1.0, 40.0):
        static = static_head_m(line, 2.0, 0.3)
        k = line.pump_s2_m5 + line.line_s2_m5 + line.filter_s2_m5 + strainer * line.strainer_s2_m5
        flow = sqrt((line.shutoff_m - static) / k)
        shown = discharge_m(line, flow, 1.0, 1.0, 2.0, strainer)
        assert shown == pytest.approx(line.lift_m + 0.3 + (line.line_s2_m5 + line.filter_s2_m5) * flow * flow)
    assert discharge_m(line, 0.0, 0.0, 1.0, 2.0, 1.0) == pytest.approx(2.0)  # the pump stands: the tank's own level


def test_torque_has_its_curve_over_speed_current_gap_and_temperature() -> None:
    # Wouterse's form, T = 2 Tmax (I/Imax)^2 (g0/g)^2 / (x + 1/x): half a decade off the top leaves 2 / (r + 1/r) of it.
    excite = ExciteSizes()

    def torque(drum: float, gap: float = 1.0, excitation: float = 1.0, surface: float = 20.0) -> float:
        drive = IDLE._replace(
            brake_w=1e9, most_w=most_w(excite, drum, gap, excitation), pace=drum / excite.critical_rad_s
        )
        return taken(Sizes(), surface, drive)[0] / drum

    top = excite.critical_rad_s
    assert torque(top) == pytest.approx(excite.torque_nm)
    assert torque(3.0 * top) == torque(top / 3.0) == pytest.approx(0.6 * excite.torque_nm)
    assert torque(top, gap=1.5) == pytest.approx(excite.torque_nm / 2.25)
    assert torque(top, excitation=0.5) == pytest.approx(excite.torque_nm / 4.0)
    # At 270 degC the rotor's resistance, and so the speed of the most torque, is twice that at 20 degC.
    assert torque(2.0 * top, surface=270.0) == pytest.approx(excite.torque_nm)
    assert torque(top, surface=270.0) == pytest.approx(0.8 * excite.torque_nm)


def test_the_coils_voltage_is_that_of_warm_copper() -> None:
    # Ohm, and copper's 0.393 % a kelvin over 20 degC; the coil stands over its water by the square of its current.
    excite = ExciteSizes()
    assert coil_v(excite, 75.0, 40.0) == pytest.approx(75.0 * excite.hot_ohm) == pytest.approx(172.5, abs=0.1)
    assert coil_v(excite, 37.5, 20.0) == pytest.approx(37.5 * 1.75 * (1.0 + 3.93e-3 * 15.0))
    assert coil_v(excite, 0.0, 40.0) == 0.0


def test_pump_draws_air_below_its_suction() -> None:
    line = LineSizes()
    assert [suction(line, level) for level in (0.05, 0.10, 0.175, 0.25, 2.0)] == pytest.approx([0, 0, 0.5, 1, 1])


def test_rotor_cools_as_the_matrix_exponential() -> None:
    # Four nodes against water held at 30 degC by its sheer mass, no outlet, no weir; no flow, so stirring alone cools.
    sealed = replace(TIGHT, discharge=0.0, weir=0.0)
    sizes = replace(INSULATED, brake=sealed)
    start = stopped(INSULATED, 30.0)._replace(
        surface_degc=120.0, inner_degc=110.0, deep_degc=100.0, core_degc=90.0,
        brake_kg=1e9, brake_j=1e9 * enthalpy_j_kg(30),
    )  # fmt: skip
    rotor = sizes.rotor
    for scale in (0.0, 2e-4):
        contact = contact_w_k(rotor, 1.0, 0.0)
        links = [
            contact / (1.0 + contact * scale),
            rotor.surface_inner_w_k,
            rotor.inner_deep_w_k,
            rotor.deep_core_w_k,
            0,
        ]
        held = [rotor.surface_j_k, rotor.inner_j_k, rotor.deep_j_k, rotor.core_j_k]
        rates = np.diag([-(a + b) for a, b in pairwise(links)]) + np.diag(links[1:4], 1) + np.diag(links[1:4], -1)
        for seconds in (2.0, 20.0, 200.0):
            after = run(sizes, start, IDLE._replace(scale_k_w=scale), seconds)
            exact = 30.0 + expm(rates / np.array(held)[:, None] * seconds) @ np.array([90.0, 80.0, 70.0, 60.0])
            assert list(after[:4]) == pytest.approx(list(exact), abs=2e-4)


def test_rotor_loses_touch_with_the_water_as_it_runs_dry() -> None:
    rotor = RotorSizes()
    assert contact_w_k(rotor, 0.0, 0.0) == 0.0
    assert contact_w_k(rotor, 0.3, rotor.rated_m3_s) == pytest.approx(rotor.still_w_k + rotor.flowing_w_k)
    assert contact_w_k(rotor, 0.125, 0.0) == pytest.approx(0.5 * rotor.still_w_k)


def test_brake_water_washes_out_exponentially() -> None:
    # A mixed vessel: its excess over the inlet falls by exp(-q t / V). The rotor's contact is cut off.
    sizes = replace(INSULATED, rotor=RotorSizes(air_w_k=0.0, still_w_k=0.0, flowing_w_k=0.0))
    start = at_rest(sizes, 30.0)
    start = start._replace(brake_j=start.brake_kg * enthalpy_j_kg(35.0))
    volume = start.brake_kg / density_kg_m3(30.0)
    for seconds in (10.0, 30.0, 90.0):
        after = run(sizes, start, replace_drive(pump_running=True, ambient_degc=30.0), seconds)
        excess = brake_degc(after) - tank_degc(after)
        assert excess == pytest.approx(5.0 * exp(-start.supply_m3_s * seconds / volume), abs=0.01)


def test_steady_load_gives_the_steady_rise() -> None:
    # Heat in = mass flow x enthalpy rise: 300 kW into 85 US gal/min.
    sizes = replace(INSULATED, tank=TankSizes(volume_m3=31797.0, ambient_w_k=0.0))
    after = run(sizes, at_rest(sizes, 30.0), replace_drive(brake_w=300e3, pump_running=True), 1500.0)
    rise = enthalpy_j_kg(brake_degc(after)) - enthalpy_j_kg(tank_degc(after))
    assert density_kg_m3(30.0) * after.supply_m3_s * rise == pytest.approx(300e3, rel=1e-4)
