"""Uncertainties against TRADE's worked rows, a Monte Carlo propagation, and the package ``uncertainties``."""

from functools import reduce

import numpy as np
import pytest
from uncertainties import correlated_values, ufloat

from brakewater.physics import balance, fluid, uncertainty
from brakewater.physics.balance import Circuit
from brakewater.physics.uncertainty import Spread, Spreads
from brakewater.signals.rtd import Tolerance, tolerance_k
from brakewater.stream import Column

GPM = 6.30901964e-5
KINDS = {"A": Tolerance.A, "B": Tolerance.B}


def column(value: float) -> Column:
    return Column(values=np.array([value]), codes=np.zeros(1, np.uint8))


def spreads_of(tolerance: Tolerance, correlation: float = 0.0) -> Spreads:
    at_0, at_1 = tolerance_k(np.array([0.0, 1.0]), tolerance).tolist()
    thermometer = Spread(limits=((at_0, at_1 - at_0),))
    return Spreads(flow=Spread(limits=((0.0, 0.01),)), inlet=thermometer, outlet=thermometer, correlation=correlation)


def circuit_of(*, at_inlet: bool = True, of: fluid.Fluid = fluid.WATER, mass: float | None = None) -> Circuit:
    return Circuit(
        meter_at_inlet=at_inlet, wetting_flow_m3_s=1e-3, outlet_limit_degc=75.0, fluid=of, mass_meter_kg_m3=mass
    )


# Source: law of propagation of JCGM 100:2008, eq. (10) and (13), with rho and cp taken exact; first figures from a
# Monte Carlo of 2e6 draws: 75 gal/min +-1 %, class tolerances at 100 degF and at the outlet.
TRADE = [
    (60.0, "A", 0.0, 654.98, 0.2131, 1.72),
    (60.0, "A", 0.9, 654.98, None, 1.24),
    (60.0, "B", 0.0, 654.98, 0.4721, 3.06),
    (60.0, "B", 0.9, 654.98, None, 1.56),
    (10.0, "A", 0.0, 109.08, 0.1888, 6.89),
    (10.0, "A", 0.9, 109.08, None, 2.45),
    (10.0, "B", 0.0, 109.08, 0.4107, 14.83),
    (10.0, "B", 0.9, 109.08, None, 4.85),
]


@pytest.mark.parametrize(("rise_f", "kind", "correlation", "kw", "rise_std", "percent"), TRADE)
def test_worked_rows(
    rise_f: float, kind: str, correlation: float, kw: float, rise_std: float | None, percent: float
) -> None:
    flow, inlet, outlet = column(75 * GPM), column(340 / 9), column(340 / 9 + rise_f / 1.8)
    spreads, circuit = spreads_of(KINDS[kind], correlation), circuit_of()
    heat = balance.heat_w(circuit, flow, inlet, outlet)
    assert heat.values[0] == pytest.approx(1e3 * kw, rel=1e-4)
    std = uncertainty.heat_std_w(circuit, spreads, (flow, inlet, outlet), heat).values[0]
    # the rows leave out that cp and the density at the meter move with temperature: 1 % of the figure
    assert 100 * 2 * std / heat.values[0] == pytest.approx(percent, rel=0.012)
    if rise_std is not None:
        rise = balance.outlet_rise_k(circuit, flow, inlet, outlet)
        assert uncertainty.rise_std_k(spreads, inlet, outlet, rise).values[0] == pytest.approx(rise_std, abs=1e-4)


CASES = [
    circuit_of(),
    circuit_of(at_inlet=False),
    circuit_of(of=fluid.parse("40 % mass ethylene glycol")),
    circuit_of(mass=998.2, at_inlet=False),
]


@pytest.mark.parametrize("circuit", CASES)
@pytest.mark.parametrize("correlation", [0.0, 0.8])
def test_against_monte_carlo(circuit: Circuit, correlation: float) -> None:
    # Supplement 1 of the GUM (JCGM 101): draw, evaluate the model itself, take the standard deviation. Rectangular
    # flow; for correlated thermometers normal draws of the same standard uncertainties.
    n, draw = 400_000, np.random.default_rng(1)
    flow, inlet, outlet = column(75 * GPM), column(38.0), column(55.0)
    spreads = spreads_of(Tolerance.A, correlation)
    u_in, u_out = (s.std(c.values)[0] for s, c in ((spreads.inlet, inlet), (spreads.outlet, outlet)))
    v = flow.values[0] * (1 + draw.uniform(-0.01, 0.01, n))
    one, two = draw.standard_normal((2, n))
    t_in = inlet.values[0] + u_in * one
    t_out = outlet.values[0] + u_out * (correlation * one + np.sqrt(1 - correlation**2) * two)
    heats = balance.heat(circuit, v, t_in, t_out)
    limits = balance.heat(circuit, v, t_in, np.full(n, circuit.outlet_limit_degc))
    heat, limit = balance.heat_w(circuit, flow, inlet, outlet), balance.heat_limit_w(circuit, flow, inlet)
    water = (flow, inlet, outlet)
    margin = balance.cooling_margin(heat, limit)
    found = {
        "heat": (uncertainty.heat_std_w(circuit, spreads, water, heat), heats),
        "limit": (uncertainty.limit_std_w(circuit, spreads, water, limit), limits),
        "margin": (uncertainty.margin_std(circuit, spreads, water, (heat, limit), margin), 1 - heats / limits),
    }
    for name, (ours, drawn) in found.items():
        assert ours.values[0] == pytest.approx(float(drawn.std()), rel=6e-3), name


@pytest.mark.parametrize("circuit", CASES)
@pytest.mark.parametrize("correlation", [0.0, 0.9])
def test_against_the_package_uncertainties(circuit: Circuit, correlation: float) -> None:
    # Source: the library ``uncertainties``: automatic differentiation of its own, over the same polynomials.
    spreads = spreads_of(Tolerance.B, correlation)
    flow, inlet, outlet = column(75 * GPM), column(38.0), column(55.0)
    u = [s.std(c.values)[0] for s, c in ((spreads.flow, flow), (spreads.inlet, inlet), (spreads.outlet, outlet))]
    covariance = [[u[1] ** 2, correlation * u[1] * u[2]], [correlation * u[1] * u[2], u[2] ** 2]]
    v = ufloat(75 * GPM, u[0])
    t_in, t_out = correlated_values([38.0, 55.0], covariance)

    def curve(coefficients: tuple[float, ...], t: object) -> object:
        x = (t - circuit.fluid.middle_degc) / circuit.fluid.half_k  # type: ignore[operator]
        return reduce(lambda total, c: total * x + c, reversed(coefficients[:-1]), coefficients[-1])

    kind, at_meter = circuit.fluid, t_in if circuit.meter_at_inlet else t_out
    rho = circuit.mass_meter_kg_m3 or curve(kind.density, at_meter)
    theirs = rho * v * (curve(kind.enthalpy, t_out) - curve(kind.enthalpy, t_in))  # type: ignore[operator]
    at_limit = rho if circuit.meter_at_inlet or circuit.mass_meter_kg_m3 else curve(kind.density, 75.0)
    margin = 1 - theirs / (at_limit * v * (curve(kind.enthalpy, 75.0) - curve(kind.enthalpy, t_in)))
    heat, limit = balance.heat_w(circuit, flow, inlet, outlet), balance.heat_limit_w(circuit, flow, inlet)
    water = (flow, inlet, outlet)
    ours = uncertainty.heat_std_w(circuit, spreads, water, heat)
    assert heat.values[0] == pytest.approx(theirs.nominal_value, rel=1e-12)
    assert ours.values[0] == pytest.approx(theirs.std_dev, rel=1e-9)
    of_margin = uncertainty.margin_std(circuit, spreads, water, (heat, limit), balance.cooling_margin(heat, limit))
    assert of_margin.values[0] == pytest.approx(margin.std_dev, rel=1e-9)


def test_a_step_of_the_converter_and_a_loop_add_in_quadrature() -> None:
    # Clause 4.3.7: a/sqrt(3); a step d is rectangular of half-width d/2: d/sqrt(12).
    spread = Spread(limits=((0.3, 0.005), (0.4, 0.0)), step=0.026)
    wanted = np.sqrt((0.55 / np.sqrt(3)) ** 2 + (0.4 / np.sqrt(3)) ** 2 + (0.026 / np.sqrt(12)) ** 2)
    assert spread.std(np.array([50.0]))[0] == pytest.approx(wanted)


# Source: JCGM 100:2008, eq. (13), of a difference: u^2 = a^2 + b^2 - 2 r a b.
@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.9])
def test_what_both_thermometers_share_cancels_in_the_rise(correlation: float) -> None:
    inlet, outlet = column(30.0), column(50.0)
    spreads = spreads_of(Tolerance.B, correlation)
    a, b = (float(spreads.inlet.std(one.values)[0]) for one in (inlet, outlet))
    found = uncertainty.rise_std_k(spreads, inlet, outlet, column(20.0))
    assert found.values[0] == pytest.approx((a * a + b * b - 2.0 * correlation * a * b) ** 0.5, rel=1e-9)


def test_what_is_bad_has_no_uncertainty() -> None:
    bad = Column(values=np.zeros(1), codes=np.array([92], np.uint8))
    found = uncertainty.rise_std_k(spreads_of(Tolerance.B), column(30.0), column(50.0), bad)
    assert (found.values[0], found.codes[0]) == (0.0, 92)
