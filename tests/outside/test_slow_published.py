"""The laws behind what is worked out once a second, each against something outside."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.signal import savgol_coeffs

from brakewater.physics import duty, lag, rotor, tank

# ------------------------------------------------------------------------ lag


def test_the_parabola_is_that_of_scipy() -> None:
    # Source: scipy.signal.savgol_coeffs, nine points, second order.
    for ours, order in ((lag._VALUE, 0), (lag._SLOPE, 1), (lag._CURVE, 2)):
        np.testing.assert_allclose(ours, savgol_coeffs(9, 2, deriv=order, use="dot"), atol=1e-15)


def test_a_well_is_undone() -> None:
    # Closed form: a sensor of lag tau follows a ramp b t as b (t - tau (1 - exp(-t/tau))).
    t, tau, b = np.arange(0.0, 120.0), 6.0, 0.3
    y = 20.0 + b * (t - tau * (1.0 - np.exp(-t / tau)))
    value, rate = lag.recovered(y, lag.recovery(tau, 1.0))
    late = slice(40, None)
    np.testing.assert_allclose(value[late], (20.0 + b * t[4:-4])[late], atol=2e-3)
    np.testing.assert_allclose(rate[late], b, atol=1e-3)
    assert abs(y[60] - (20.0 + b * 60.0)) > 1.7  # what would have been read


def test_noise_is_not_blown_up() -> None:
    # Source: variance of a linear combination; the document's 0.5 and 0.13 a step.
    assert math.sqrt(sum(w * w for w in lag._VALUE)) == pytest.approx(0.505, abs=0.005)
    assert math.sqrt(sum(w * w for w in lag._SLOPE)) == pytest.approx(0.129, abs=0.001)


# ---------------------------------------------------------------------- rotor

MODEL = rotor.RotorModel(
    surface_j_k=6e4, core_j_k=3e5, through_w_k=4e3, still_w_k=6e3, flowing_w_k=1.8e4,
    rated_m3_s=4.73e-3, wet_m=0.25, std=0.1,
)  # fmt: skip


def state(degc: float = 30.0) -> rotor.RotorState:
    return rotor.RotorState(surface_degc=degc, core_degc=degc, water_degc=degc)


def driven(*parts: tuple[int, float, float, bool]) -> rotor.Driven:
    """Parts: how many seconds, power, contact, whether water flows."""
    power, contact, flowing = (np.concatenate([np.full(count, row[at]) for count, *row in parts]) for at in range(3))
    m = len(power)
    return rotor.Driven(
        power_w=power, power_std_w=0.02 * power, contact_w_k=contact, water_degc=np.full(m, 30.0),
        water_std_k=np.full(m, 0.1), flowing=flowing.astype(bool), water_j_k=np.zeros(m),
    )  # fmt: skip


def test_contact_grows_as_turbulent_convection_does() -> None:
    # Source: Dittus-Boelter, exponent 0.8; from memory, as in any heat transfer text. 13/16 keeps within 1.2 %.
    flow = np.linspace(0.4, 2.0, 17) * MODEL.rated_m3_s
    ours = rotor.contact_w_k(MODEL, np.full(17, 0.3), flow)
    np.testing.assert_allclose(ours, 6e3 + 1.8e4 * np.linspace(0.4, 2.0, 17) ** 0.8, rtol=0.012)


def test_the_steps_follow_an_ode_solver() -> None:
    # Source: scipy's solve_ivp on the same two equations: half a minute of lowering, then rest.
    def slope(t: float, y: np.ndarray) -> list[float]:
        power = 6e5 if t < 30.0 else 0.0
        through = 4e3 * (y[0] - y[1])
        return [(power - 2.4e4 * (y[0] - 30.0) - through) / 6e4, through / 3e5]

    exact = solve_ivp(slope, (0.0, 120.0), [30.0, 30.0], max_step=0.1, t_eval=np.arange(1.0, 121.0)).y[0]
    parts = (30, 6e5, 2.4e4, True), (90, 0.0, 2.4e4, True)
    skin, std = rotor.carried_on(MODEL, state(), 1.0, driven(*parts))
    steady = np.r_[8:28, 45:120]  # a step of a second is no more than 1 % of the rise off where power has settled
    np.testing.assert_allclose(skin[steady], exact[steady], atol=0.4)
    assert (np.abs(skin - exact) < 2.0 * std).mean() > 0.95


def test_the_band_grows_with_lost_contact_and_closes_with_it_back() -> None:
    parts = (30, 3e5, 2.4e4, True), (20, 3e5, 2.4e3, False), (60, 0.0, 2.4e4, True)
    _, band = rotor.carried_on(MODEL, state(), 1.0, driven(*parts))
    assert (np.diff(band[32:48]) > 0.0).all()
    assert band[49] > 5.0 * band[29]
    assert band[-1] < band[29]


def test_a_contact_that_is_off_is_still_in_the_band_in_the_pauses() -> None:
    # Source: the same balance with another contact; what the iron keeps then comes out for minutes.
    def stands(contact: float) -> rotor.Driven:
        return driven(*((40, 6e5, contact, True), (140, 0.0, contact, True)) * 8)

    band_of = replace(MODEL, std=0.2 / math.sqrt(3.0))
    skin, std = rotor.carried_on(band_of, state(), 1.0, stands(0.8 * 2.4e4))
    truth, _ = rotor.carried_on(MODEL, state(), 1.0, stands(2.4e4))
    pauses = np.arange(len(skin)) % 180 >= 60
    assert (np.abs(skin - truth) < 1.96 * std)[pauses].mean() > 0.95


# ----------------------------------------------------------------------- duty


def test_torque_over_speed() -> None:
    # Source: form of Wouterse 1991 (from memory); values of the published curve at parts of the critical speed.
    law = duty.TorqueLaw(most_n_m=1.0, critical_rad_s=1.0, rated_a=1.0)
    x = np.array([0.1, 0.25, 0.5, 1.0, 2.0, 4.0, 10.0, 2 - math.sqrt(3), 2 + math.sqrt(3)])
    wanted = [0.198020, 0.470588, 0.8, 1.0, 0.8, 0.470588, 0.198020, 0.5, 0.5]
    np.testing.assert_allclose(duty.torque_n_m(law, x, np.ones(9)), wanted, rtol=1e-5)
    assert duty.torque_n_m(law, np.zeros(1), np.ones(1))[0] == 0.0  # it cannot hold a load
    # Square law of the excitation, and of the gap: common practice, no published source.
    assert duty.torque_n_m(law, np.ones(1), np.full(1, 0.5))[0] == pytest.approx(0.25)
    assert duty.gap_factor(1.1, 1.0) == pytest.approx(0.826, abs=5e-4)


def test_power_and_weight() -> None:
    # Source: 200 000 lbf at 3 ft/s is 813.49 kW; a 93 ft stand of it frees 25.218 MJ: exact conversions.
    newton, foot = 4.4482216152605, 0.3048
    power = duty.duty_w(np.array([2e5 * newton]), np.array([3 * foot]), 1.0)[0]
    assert power == pytest.approx(813_490.0, rel=1e-5)
    assert duty.stand_j(2e5 * newton, 93 * foot) == pytest.approx(25.218e6, rel=1e-4)
    assert duty.duty_w(np.array([1e6]), np.array([-1.0]), 0.8)[0] == 0.0
    # Source: drillingformulas.com, BF = (65.5 - MW)/65.5 with mud in lb/gal: 10 -> 0.8473, 15 -> 0.7710.
    for pounds, factor in ((10.0, 0.8473), (15.0, 0.7710)):
        assert duty.buoyancy(pounds * 0.45359237 / 3.785411784e-3) == pytest.approx(factor, abs=2e-4)


# ----------------------------------------------------------------------- tank

CAPACITY = 1.31945e8  # 200 bbl of water at 100 degF, iapws


def test_the_logarithm() -> None:
    for x in (1e-6, 0.3, 1.0, 1.0001, 2.0, 37.0, 1e6):
        assert tank.log(x) == pytest.approx(math.log(x), rel=1e-11, abs=1e-14)


@pytest.mark.parametrize(("heat_w", "start", "ambient", "hours", "degc"), [
    (100e3, 30.0, 25.0, 1.0, 32.3897), (100e3, 30.0, 25.0, 12.0, 51.6206), (50e3, 30.0, 30.0, 4.0, 34.9023),
])  # fmt: skip
def test_warm_up_with_loss(heat_w: float, start: float, ambient: float, hours: float, degc: float) -> None:
    # Source: first-order law worked out for UA = 2 kW/K, C as above (tables of the closed form).
    found = tank.Warming(CAPACITY, start, ambient, heat_w, 2000.0).reaches_s(degc)
    assert found == pytest.approx(3600.0 * hours, rel=1e-4)


def test_without_loss_it_is_a_ramp_and_some_limits_are_never_met() -> None:
    # Source: 650 kW into 200 bbl: 100 to 160 degF in 1.880 h.
    ramp = tank.Warming(CAPACITY, 37.7778, 20.0, 650e3, 0.0)
    assert ramp.reaches_s(71.1111) == pytest.approx(1.880 * 3600.0, rel=1e-3)
    almost = tank.Warming(CAPACITY, 37.7778, 20.0, 650e3, 1e-3)
    assert almost.reaches_s(71.1111) == pytest.approx(ramp.reaches_s(71.1111), rel=1e-5)
    assert tank.Warming(CAPACITY, 30.0, 25.0, 50e3, 2000.0).reaches_s(51.0) == tank.FAR_S  # levels off at 50
    assert ramp.reaches_s(30.0) == 0.0


def test_the_loss_is_learnt() -> None:
    # Closed form: dT/dt of the law itself gives the balances; 6 kW/K from a first guess three times off.
    loss = tank.Loss(value=2e3, variance=(2e3) ** 2)
    for over in np.linspace(4.0, 12.0, 12).tolist():
        loss.learn(6e3 * over, over, 5e3)
    assert loss.value == pytest.approx(6e3, rel=0.05)
    assert 0.0 < loss.variance**0.5 < 300.0


def test_a_tank_never_gains_by_what_it_loses() -> None:
    loss = tank.Loss(value=2e3, variance=(2e3) ** 2)
    loss.learn(-1e6, 10.0, 1e3)
    assert loss.value == 0.0
