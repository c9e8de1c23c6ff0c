"""The whole plant against scipy's ODE solver, and its heat against water tables that are not its own."""

from itertools import pairwise

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from scipy.integrate import solve_ivp

from brakewater_sim.ledger import ledger
from brakewater_sim.plant import PlantState, slope
from brakewater_sim.scenarios import SCENARIOS
from brakewater_sim.simulate import Simulation, simulate


@pytest.mark.parametrize(("name", "cuts"), [("demo", (0.0, 85.05, 120.0)), ("return-choke", (0.0, 180.0))])
def test_stepping_is_as_good_as_an_adaptive_solver(name: str, cuts: tuple[float, ...]) -> None:
    # DOP853 (Hairer, Norsett, Wanner), tolerance 1e-9, cut where the pump switches: same rates, other stepping.
    ours = Simulation(SCENARIOS[name], 1)
    theirs = Simulation(SCENARIOS[name], 1)
    y = np.array(theirs.advance_to(0).state)
    for first, last in pairwise(cuts):
        running = theirs.scenario.pump.value(0.5 * (first + last)) >= 0.5

        def rate(t: float, state: np.ndarray, *, running: bool = running) -> tuple[float, ...]:
            drive = theirs._drive(t, theirs._hook_at(t), running=running)
            return slope(theirs.scenario.sizes, tuple(state), drive)

        y = solve_ivp(rate, (first, last), y, "DOP853", rtol=1e-9, atol=1e-9, max_step=0.2).y[:, -1]
        found = ours.advance_to(round(last * 1e9)).state
        expected = PlantState(*y)
        for field in ("surface_degc", "core_degc", "brake_kg", "brake_j", "tank_kg", "tank_j", "worked_j", "carried_j"):
            assert getattr(found, field) == pytest.approx(getattr(expected, field), rel=1e-5), field
        assert max(0.0, found.supply_m3_s) == pytest.approx(max(0.0, expected.supply_m3_s), abs=2e-6)


def test_heat_from_readings_is_the_work_done_by_water_tables_of_another_maker() -> None:
    # IAPWS-95 through CoolProp: rho(inlet) x flow x (h(outlet) - h(inlet)), summed over 20 minutes of a trip in at 5
    # readings a second, against the ledger, within 0.2 % (the simulator's heat capacity is good to that).
    grid = np.linspace(20.0, 90.0, 701)
    density, enthalpy = (np.array([PropsSI(q, "T", t + 273.15, "P", 101325.0, "Water") for t in grid]) for q in "DH")
    scenario = SCENARIOS["inlet-rtd-open"]
    run = list(simulate(scenario, seconds=1200.2))
    inlet, outlet, flow = (
        np.array([tick.truth[role] for tick in run])
        for role in ("inlet-temperature", "outlet-temperature", "inlet-flow")
    )
    heat = (
        np.interp(inlet, grid, density) * flow * (np.interp(outlet, grid, enthalpy) - np.interp(inlet, grid, enthalpy))
    )
    summed = float(np.trapezoid(heat, dx=0.2))
    account = ledger(scenario.sizes, run[0].state, run[-1].state)
    # carried = return h - supply h; the readings count supply (h(outlet) - h(inlet)): they differ by the water stored.
    stored = (run[-1].state.brake_kg - run[0].state.brake_kg) * enthalpy_at(grid, enthalpy, float(outlet.mean()))
    assert summed == pytest.approx(account.carried_j + stored, rel=2e-3)
    kept = account.rotor_j + account.brake_j + account.brake_lost_j
    assert account.carried_j + kept == pytest.approx(account.worked_j, rel=1e-3)


def enthalpy_at(grid: np.ndarray, enthalpy: np.ndarray, t: float) -> float:
    return float(np.interp(t, grid, enthalpy))
