"""How long heat stays in the rotor: the law against an integrator that is not ours, and stands however they are cut."""

import json
from itertools import pairwise
from math import exp

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from brakewater.engine.contact import Contact
from brakewater.engine.held import Held
from brakewater.engine.hoisting import Duty
from brakewater.engine.lag_free import Recovered
from brakewater.physics.contact import stays_s
from brakewater.physics.rotor import RotorModel

MODEL = RotorModel(
    surface_j_k=6e4, core_j_k=3e5, through_w_k=4e3, still_w_k=6e3, flowing_w_k=1.8e4, rated_m3_s=4.7e-3, wet_m=0.25,
    std=0.1,
)  # fmt: skip
PULSE_W, PULSE_S = 5e5, 40.0


def two_masses(contact_w_k: float, lasts_s: float) -> tuple[np.ndarray, np.ndarray]:
    """[n] W put in and [n] W into the water, a tenth of a second apart, of a rotor that was cold; by scipy."""
    t = np.arange(0.0, lasts_s, 0.1)

    def slope(_: float, y: np.ndarray, power: float) -> list[float]:
        skin, core = y
        through = MODEL.through_w_k * (skin - core)
        return [(power - contact_w_k * skin - through) / MODEL.surface_j_k, through / MODEL.core_j_k]

    on, off = t[t < PULSE_S], t[t >= PULSE_S]
    first = solve_ivp(slope, (0.0, PULSE_S), [0.0, 0.0], t_eval=[*on, PULSE_S], args=(PULSE_W,), rtol=1e-6)
    then = solve_ivp(slope, (PULSE_S, lasts_s), first.y[:, -1], t_eval=off, args=(0.0,), rtol=1e-6)
    skin = np.concatenate((first.y[0, : len(on)], then.y[0]))
    return np.where(t < PULSE_S, PULSE_W, 0.0), contact_w_k * skin


def of(put_in: np.ndarray, passed: np.ndarray, first: float, step_s: float) -> float:
    sums = [(float(x.sum() * step_s), float((np.cumsum(x) - 0.5 * x).sum() * step_s**2)) for x in (put_in, passed)]
    return stays_s(sums[0], sums[1], (first, float(passed[-1])), len(passed) * step_s)


@pytest.mark.parametrize("contact_w_k", [2.4e4, 1.2e4, 6e3])
def test_after_a_long_rest_heat_stays_resistance_times_capacity(contact_w_k: float) -> None:
    """The first moment of two masses in series does not ask how the iron passes heat on within itself."""
    put_in, passed = two_masses(contact_w_k, 3000.0)
    assert of(put_in, passed, 0.0, 0.1) == pytest.approx(3.6e5 / contact_w_k, rel=0.01)


@pytest.mark.parametrize("share", [0.8, 1.0, 1.3])
def test_what_is_left_of_the_stand_before_and_what_the_hoist_says_too_much_change_nothing(share: float) -> None:
    """Of one mass it is exact: S = q tau at any moment."""
    t, tau = np.arange(0.0, 140.0, 0.05), 20.0
    power = np.where(t < PULSE_S, PULSE_W, 0.0)
    passed, now = np.empty_like(t), 9e4
    for at, p in enumerate(power):
        now += 0.05 / tau * (p - now)
        passed[at] = now
    assert of(share * power, passed, 9e4, 0.05) == pytest.approx(tau, rel=0.01)


def test_a_stand_that_only_carries_what_was_there_says_nothing() -> None:
    heat = np.full(100, 1e5)
    assert of(np.zeros(100), heat, 1e5, 1.0) <= 0.0
    assert of(np.full(100, 1e3), heat, 1e5, 1.0) <= 0.0


Stream = tuple[Duty, Recovered, np.ndarray, list[int]]


def one_mass(power: np.ndarray, tau: float) -> np.ndarray:
    """[n] W passed on by one mass, a second apart."""
    heat, now = np.empty_like(power), 0.0
    for at, p in enumerate(power.tolist()):
        now += (1.0 - exp(-1.0 / tau)) * (p - now)
        heat[at] = now
    return heat


def stream(stands: int, scale: float) -> Stream:
    """Seconds of stands; the rotor's resistance is ``scale`` times that of the rig file's. Its heat comes 4 s late."""
    n, tau = 150 * stands, 15.0
    power = np.where(np.arange(n) % 150 < 40, 5e5, 0.0)
    heat = np.concatenate((np.zeros(4), one_mass(power, scale * tau)))[:n]
    good = np.zeros(n, np.uint8)
    duty = Duty(power_w=power, std_w=power, grades=good, lowering=power > 0.0)
    water = Recovered(heat_w=Held(values=heat, codes=good), to_water_w=heat, rise_k=heat, grades=good)
    return duty, water, one_mass(power, tau), list(range(0, n, 150))


def fed(one: Contact, whole: Stream, begin: int, end: int) -> list[float]:
    duty, water, modelled, starts = whole
    part = slice(begin, end)
    found = one.feed(
        Duty(
            power_w=duty.power_w[part], std_w=duty.std_w[part], grades=duty.grades[part], lowering=duty.lowering[part]
        ),
        Recovered(
            heat_w=water.heat_w, to_water_w=water.to_water_w[part], rise_k=water.rise_k[part], grades=water.grades[part]
        ),
        modelled[part],
        [start - begin for start in starts if begin <= start < end],
    )
    values: list[float] = found.values.tolist()
    return values


@pytest.mark.parametrize("scale", [1.0, 1.5, 2.5])
def test_stands_tell_the_resistance_by_that_of_the_rig_file(scale: float) -> None:
    whole = stream(5, scale)
    assert fed(Contact(1.0), whole, 0, 750)[-1] == pytest.approx(scale, rel=0.03)


def test_a_stand_with_blind_seconds_tells_nothing() -> None:
    duty, water, modelled, starts = stream(5, 1.0)
    grades = duty.grades.copy()
    grades[310:330] = 2
    blind = Duty(power_w=duty.power_w, std_w=duty.std_w, grades=grades, lowering=duty.lowering)
    found = fed(Contact(1.0), (blind, water, modelled, starts), 0, 750)
    assert found[440] > 0.0
    assert found[460] == 0.0
    assert found[610] > 0.0


@pytest.mark.parametrize(("part", "tells"), [(0.09, False), (0.11, True)])
def test_a_stand_of_less_than_two_megajoules_tells_nothing(part: float, *, tells: bool) -> None:
    """The whole one puts in 20 MJ."""
    duty, water, modelled, starts = stream(5, 1.0)
    light = Duty(power_w=part * duty.power_w, std_w=duty.std_w, grades=duty.grades, lowering=duty.lowering)
    heat = part * water.to_water_w
    passed = Recovered(heat_w=water.heat_w, to_water_w=heat, rise_k=heat, grades=water.grades)
    assert (fed(Contact(1.0), (light, passed, part * modelled, starts), 0, 750)[-1] > 0.0) is tells


@pytest.mark.parametrize(("lasts", "tells"), [(1700, True), (1900, False)])
def test_what_lasts_longer_than_half_an_hour_is_a_pause_with_a_stand_in_it(lasts: int, *, tells: bool) -> None:
    n = 3 * lasts
    power = np.where(np.arange(n) % lasts < 40, 5e5, 0.0)
    heat, good = np.concatenate((np.zeros(4), one_mass(power, 15.0)))[:n], np.zeros(n, np.uint8)
    duty = Duty(power_w=power, std_w=power, grades=good, lowering=power > 0.0)
    water = Recovered(heat_w=Held(values=heat, codes=good), to_water_w=heat, rise_k=heat, grades=good)
    whole = duty, water, one_mass(power, 15.0), list(range(0, n, lasts))
    assert (fed(Contact(1.0), whole, 0, n)[-1] > 0.0) is tells


@given(st.lists(st.integers(1, 749), max_size=6))
def test_cuts_and_restarts_change_nothing(cuts: list[int]) -> None:
    whole = stream(5, 1.3)
    one = Contact(1.0)
    wanted = fed(one, whole, 0, 750)
    parts, found = Contact(1.0), list[float]()
    for begin, end in pairwise([0, *sorted(set(cuts)), 750]):
        found += fed(parts, whole, begin, end)
        kept, parts = json.loads(json.dumps(parts.state())), Contact(1.0)
        parts.restore(kept)
    assert found == wanted
    assert parts.state() == one.state()
