import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brakewater.physics import fluid, water
from brakewater.physics.balance import (
    Circuit,
    cooling_margin,
    flow_balance_m3_s,
    heat_limit_w,
    heat_w,
    of_one,
    outlet_degc,
    outlet_rise_k,
)
from brakewater.quality import Reason, is_bad_code
from brakewater.stream import Column

CIRCUIT = Circuit(meter_at_inlet=True, wetting_flow_m3_s=1e-3, outlet_limit_degc=70.0)
AT_OUTLET = Circuit(meter_at_inlet=False, wetting_flow_m3_s=1e-3, outlet_limit_degc=70.0)
GLYCOL = replace(AT_OUTLET, fluid=fluid.parse("30 % vol ethylene glycol"))
MASS = replace(CIRCUIT, mass_meter_kg_m3=998.0)


def _column(*values: float, code: int = 0) -> Column:
    return Column(values=np.array(values), codes=np.full(len(values), code, dtype=np.uint8))


FLOW, INLET, OUTLET = _column(4.7e-3), _column(38.0), _column(60.0)


def _only(column: Column) -> tuple[float, int]:
    return float(column.values[0]), int(column.codes[0])


def test_the_law() -> None:
    rho, h = water.density_kg_m3, water.enthalpy_j_kg
    climb = h(OUTLET.values) - h(INLET.values)
    assert _only(heat_w(CIRCUIT, FLOW, INLET, OUTLET))[0] == pytest.approx(
        float((rho(INLET.values) * 4.7e-3 * climb)[0])
    )
    at_outlet = float((rho(OUTLET.values) * 4.7e-3 * climb)[0])
    assert _only(heat_w(AT_OUTLET, FLOW, INLET, OUTLET))[0] == pytest.approx(at_outlet)
    assert _only(outlet_rise_k(CIRCUIT, FLOW, INLET, OUTLET)) == (22.0, Reason.GOOD)


def test_heat_is_negative_where_the_outlet_is_cooler() -> None:
    assert _only(heat_w(CIRCUIT, FLOW, OUTLET, INLET))[0] < 0.0


def test_margin_is_one_idle_zero_at_the_limit_and_negative_beyond() -> None:
    limit = _column(100e3, 100e3, 100e3)
    margin = cooling_margin(_column(0.0, 100e3, 150e3), limit)
    np.testing.assert_array_equal(margin.values, [1.0, 0.0, -0.5])


@pytest.mark.parametrize(
    "flow", [_column(0.0), _column(9.99e-4), _column(-4.7e-3), _column(9e-4, code=Reason.SUBSTITUTED)]
)
def test_below_wetting_flow_nothing_at_the_outlet_counts(flow: Column) -> None:
    heat, limit = heat_w(CIRCUIT, flow, INLET, OUTLET), heat_limit_w(CIRCUIT, flow, INLET)
    rise, outlet = outlet_rise_k(CIRCUIT, flow, INLET, OUTLET), outlet_degc(CIRCUIT, flow, OUTLET)
    for column in (heat, limit, rise, outlet, cooling_margin(heat, limit)):
        assert _only(column) == (0.0, Reason.NO_FLOW)


def test_at_wetting_flow_the_outlet_counts() -> None:
    assert _only(outlet_degc(CIRCUIT, _column(1e-3), OUTLET)) == (60.0, Reason.GOOD)


def test_unknown_flow_leaves_temperatures_but_no_heat() -> None:
    unknown = _column(0.0, code=Reason.LOOP_LOW)
    assert _only(outlet_degc(CIRCUIT, unknown, OUTLET)) == (60.0, Reason.GOOD)
    assert _only(outlet_rise_k(CIRCUIT, unknown, INLET, OUTLET)) == (22.0, Reason.GOOD)
    heat, limit = heat_w(CIRCUIT, unknown, INLET, OUTLET), heat_limit_w(CIRCUIT, unknown, INLET)
    for column in (heat, limit, cooling_margin(heat, limit)):
        assert _only(column) == (0.0, Reason.LOOP_LOW)


@pytest.mark.parametrize("inlet", [70.0, 71.0])
def test_inlet_at_the_limit_leaves_no_margin_to_speak_of(inlet: float) -> None:
    limit = heat_limit_w(CIRCUIT, FLOW, _column(inlet))
    assert _only(limit) == (0.0, Reason.AT_LIMIT)
    assert _only(cooling_margin(_column(1e3), limit)) == (0.0, Reason.AT_LIMIT)
    assert _only(cooling_margin(_column(1e3), _column(0.0))) == (0.0, Reason.AT_LIMIT)


@pytest.mark.parametrize(("inlet", "outlet"), [(-1.0, 60.0), (38.0, 101.0)])
def test_heat_just_beyond_liquid_water_is_uncertain(inlet: float, outlet: float) -> None:
    beyond, code = _only(heat_w(CIRCUIT, FLOW, _column(inlet), _column(outlet)))
    at_the_edge, _ = _only(heat_w(CIRCUIT, FLOW, _column(max(inlet, 0.0)), _column(min(outlet, 100.0))))
    assert (beyond, code) == (at_the_edge, Reason.BEYOND_FLUID)


def test_a_mixture_does_not_freeze_with_water_and_carries_less() -> None:
    mix = replace(CIRCUIT, fluid=fluid.parse("30 % mass ethylene glycol"))
    cold = _only(heat_w(mix, FLOW, _column(-10.0), OUTLET))
    assert cold[1] == Reason.GOOD
    water, mixed = (_only(heat_w(circuit, FLOW, INLET, OUTLET))[0] for circuit in (CIRCUIT, mix))
    assert mixed / water == pytest.approx(0.937, abs=0.01)  # CoolProp: 1028.8 x 3775 against 992.2 x 4179, at 40 degC


def test_a_mixture_counts_up_to_100_degc_and_a_little_beyond_as_doubtful() -> None:
    """Where the reference behind its table ends, though it boils a few kelvin above."""
    codes = fluid.beyond(GLYCOL.fluid, np.array([99.9, 100.1, 109.9, 110.1]))
    assert codes.tolist() == [0, Reason.BEYOND_FLUID, Reason.BEYOND_FLUID, Reason.OUT_OF_SENSOR_RANGE]
    assert [fluid.beyond_one(GLYCOL.fluid, degc) for degc in (99.9, 100.1, 110.1)] == codes[[0, 1, 3]].tolist()


def test_a_mass_meter_counts_the_density_set_in_it() -> None:
    by_mass = replace(CIRCUIT, mass_meter_kg_m3=998.2)
    density = fluid.density_kg_m3(fluid.WATER, INLET.values)[0]
    volumetric, mass = (_only(heat_w(circuit, FLOW, INLET, OUTLET))[0] for circuit in (CIRCUIT, by_mass))
    assert mass / volumetric == pytest.approx(998.2 / density)


@pytest.mark.parametrize(("inlet", "outlet"), [(-10.1, 60.0), (38.0, 110.1), (1e308, -1e308)])
def test_heat_far_beyond_liquid_water_is_refused(inlet: float, outlet: float) -> None:
    assert _only(heat_w(CIRCUIT, FLOW, _column(inlet), _column(outlet))) == (0.0, Reason.OUT_OF_SENSOR_RANGE)


def test_rise_does_not_need_liquid_water() -> None:
    assert _only(outlet_rise_k(CIRCUIT, FLOW, INLET, _column(104.0))) == (66.0, Reason.GOOD)


def test_garbage_that_overflows_is_no_number() -> None:
    assert _only(heat_w(CIRCUIT, _column(1e307), INLET, OUTLET)) == (0.0, Reason.NOT_A_NUMBER)
    assert _only(outlet_rise_k(CIRCUIT, FLOW, _column(-1.7e308), _column(1.7e308))) == (0.0, Reason.NOT_A_NUMBER)
    assert _only(cooling_margin(_column(1e308), _column(1e-10))) == (0.0, Reason.NOT_A_NUMBER)


def test_the_worst_code_rules_and_uncertain_keeps_the_number() -> None:
    old, doubtful = _column(38.0, code=Reason.OLD), _column(60.0, code=Reason.OVER_RANGE)
    assert _only(outlet_rise_k(CIRCUIT, FLOW, old, doubtful)) == (22.0, Reason.OLD)
    bad = _column(0.0, code=Reason.SENSOR_OPEN)
    assert _only(heat_w(CIRCUIT, FLOW, old, bad)) == (0.0, Reason.SENSOR_OPEN)


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"wetting_flow_m3_s": 0.0}, "wetting_flow_m3_s"),
        ({"wetting_flow_m3_s": float("nan")}, "wetting_flow_m3_s"),
        ({"outlet_limit_degc": 100.1}, "outlet_limit_degc"),
        ({"outlet_limit_degc": float("nan")}, "outlet_limit_degc"),
    ],
)
def test_circuit_refuses_nonsense(change: dict[str, Any], key: str) -> None:
    good: dict[str, Any] = {"meter_at_inlet": True, "wetting_flow_m3_s": 1e-3, "outlet_limit_degc": 70.0}
    with pytest.raises(ValueError, match=f"^{key}: found .*; allowed: "):
        Circuit(**(good | change))


def _everything(circuit: Circuit, flow: Column, inlet: Column, outlet: Column) -> list[Column]:
    heat, limit = heat_w(circuit, flow, inlet, outlet), heat_limit_w(circuit, flow, inlet)
    return [
        heat,
        limit,
        outlet_degc(circuit, flow, outlet),
        outlet_rise_k(circuit, flow, inlet, outlet),
        cooling_margin(heat, limit),
    ]


def _random_column(rng: np.random.Generator, n: int, low: float, high: float) -> Column:
    codes = rng.choice(np.array([0, 0, 0, 20, 64, 90], dtype=np.uint8), n)
    return Column(values=np.where(codes >= 64, 0.0, rng.uniform(low, high, n)), codes=codes)


def _cut(column: Column, first: int, last: int) -> Column:
    return Column(values=column.values[first:last], codes=column.codes[first:last])


@given(
    circuit=st.sampled_from([CIRCUIT, AT_OUTLET]),
    seed=st.integers(0, 2**32 - 1),
    n=st.integers(1, 70),
    cuts=st.lists(st.integers(0, 70), max_size=6),
)
def test_any_cut_gives_the_same_bits(circuit: Circuit, seed: int, n: int, cuts: list[int]) -> None:
    rng = np.random.default_rng(seed)
    inputs = [_random_column(rng, n, *span) for span in ((0.0, 5e-3), (-5.0, 80.0), (-5.0, 105.0))]
    whole = _everything(circuit, *inputs)
    edges = sorted({0, n, *(cut for cut in cuts if cut < n)})
    pieces = [_everything(circuit, *(_cut(c, a, b) for c in inputs)) for a, b in itertools.pairwise(edges)]
    for i, column in enumerate(whole):
        assert b"".join(piece[i].values.tobytes() for piece in pieces) == column.values.tobytes()
        assert b"".join(piece[i].codes.tobytes() for piece in pieces) == column.codes.tobytes()
        assert np.isfinite(column.values).all()


NUMBERS = st.floats(width=64) | st.sampled_from([0.0, -0.0, 1e-3, 38.0, 70.0, 99.97, 110.0, 4.7e-3])
CODES = st.sampled_from([int(one) for one in Reason])
ROWS = st.lists(st.tuples(*[st.tuples(NUMBERS, CODES)] * 3), min_size=2, max_size=6)


@given(ROWS, st.sampled_from([CIRCUIT, AT_OUTLET]))
def test_a_lone_scan_has_the_same_bits(rows: list[tuple[tuple[float, int], ...]], circuit: Circuit) -> None:
    def all_of(scans: list[tuple[tuple[float, int], ...]]) -> list[Column]:
        flow, inlet, outlet = (
            Column(
                values=np.array([0.0 if is_bad_code(scan[at][1]) else scan[at][0] for scan in scans]),
                codes=np.array([scan[at][1] for scan in scans], np.uint8),
            )
            for at in range(3)
        )
        heat, limit = heat_w(circuit, flow, inlet, outlet), heat_limit_w(circuit, flow, inlet)
        risen = outlet_rise_k(circuit, flow, inlet, outlet)
        return [heat, limit, cooling_margin(heat, limit), risen, outlet_degc(circuit, flow, outlet)]

    with np.errstate(all="ignore"):
        together, alone = all_of(rows), [all_of([row]) for row in rows]
    for at, column in enumerate(together):
        lone = [one[at] for one in alone]
        np.testing.assert_array_equal(column.codes, np.concatenate([one.codes for one in lone]))
        np.testing.assert_array_equal(column.values, np.concatenate([one.values for one in lone]))


_CODE = st.sampled_from([0, int(Reason.OLD), int(Reason.CROSS_CHECK), int(Reason.LOOP_LOW), int(Reason.NO_ANSWER)])
_DEGC = st.one_of(st.floats(-40.0, 140.0), st.sampled_from([0.0, -0.0, 70.0, 100.0, -1e308, 1e308, 0.01, 110.0]))
_M3_S = st.one_of(st.floats(-1e-3, 1e-2), st.sampled_from([0.0, -0.0, 1e-3, 1e308, -1e308]))


@given(st.sampled_from([CIRCUIT, AT_OUTLET, GLYCOL, MASS]), _M3_S, _DEGC, _DEGC, _CODE, _CODE, _CODE)
def test_one_scan_at_once_is_the_same_to_the_last_bit(
    circuit: Circuit, v: float, t_in: float, t_out: float, flow_code: int, in_code: int, out_code: int
) -> None:
    pairs = [(v, flow_code), (t_in, in_code), (t_out, out_code)]
    pairs = [(0.0 if is_bad_code(code) else value, code) for value, code in pairs]
    two = [Column(values=np.array([value, value]), codes=np.array([code, code], np.uint8)) for value, code in pairs]
    flow, inlet, outlet = two
    heat, limit = heat_w(circuit, flow, inlet, outlet), heat_limit_w(circuit, flow, inlet)
    columns = {
        "outlet_degc": outlet_degc(circuit, flow, outlet),
        "outlet_rise_k": outlet_rise_k(circuit, flow, inlet, outlet),
        "heat_w": heat,
        "heat_limit_w": limit,
        "cooling_margin": cooling_margin(heat, limit),
    }
    told = of_one(circuit, *pairs)
    for name, column in columns.items():
        value, code = getattr(told, name)
        assert (np.float64(value).tobytes(), code) == (column.values[1].tobytes(), column.codes[1]), name


def test_what_the_housing_stores_is_not_lost_and_a_doubt_in_any_of_the_three_is_one_in_the_balance() -> None:
    """5 L/s in, 3 back, 1.5 filling the brake: 0.5 run out."""
    volumes = 5e-3, 3e-3, 1.5e-3
    value, code = _only(flow_balance_m3_s(*(_column(volume) for volume in volumes)))
    assert (value, code) == (pytest.approx(0.5e-3), Reason.GOOD)
    for doubted in range(3):
        flows = (_column(volume, code=Reason.OLD if at == doubted else 0) for at, volume in enumerate(volumes))
        assert _only(flow_balance_m3_s(*flows))[1] == Reason.OLD
