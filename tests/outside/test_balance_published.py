import numpy as np
import pytest

from brakewater.physics.balance import Circuit, heat_limit_w, heat_w
from brakewater.stream import Column

US_GAL_PER_MIN = 3.785411784e-3 / 60.0  # exact: 231 cubic inches of 25.4 mm
BTU_PER_H = 1055.05585262 / 3600.0  # exact: international table

# Source: iapws 1.5.5, IF97 at 101 325 Pa, heat = mass flow times enthalpy difference: gal/min, degF in, degF out, meter
# at the inlet, kW.
IF97_HEAT = [
    (75, 100, 160, True, 654.98),
    (75, 100, 160, False, 644.49),
    (150, 100, 160, True, 1309.97),
    (150, 100, 160, False, 1288.97),
    (75, 100, 110, True, 109.08),
    (150, 100, 150, True, 1091.36),
]

# Source: the same cases by CoolProp 8.0.0 with IAPWS-95.
IAPWS_95_HEAT = [(75, 100, 160, True, 655.26), (150, 100, 160, True, 1310.51)]


def _column(value: float) -> Column:
    return Column(values=np.array([value]), codes=np.zeros(1, dtype=np.uint8))


def _degc(degf: float) -> float:
    return (degf - 32.0) / 1.8


def _heat_kw(gpm: float, degf_in: float, degf_out: float, *, meter_at_inlet: bool) -> float:
    circuit = Circuit(meter_at_inlet=meter_at_inlet, wetting_flow_m3_s=1e-4, outlet_limit_degc=_degc(degf_out))
    flow, inlet, outlet = _column(gpm * US_GAL_PER_MIN), _column(_degc(degf_in)), _column(_degc(degf_out))
    heat = float(heat_w(circuit, flow, inlet, outlet).values[0])
    # With the outlet at its limit the two laws are one.
    assert heat_limit_w(circuit, flow, inlet).values[0] == pytest.approx(heat, rel=1e-12)
    return heat / 1e3


@pytest.mark.parametrize(("gpm", "degf_in", "degf_out", "meter_at_inlet", "kw"), IF97_HEAT)
def test_heat_by_if97(gpm: float, degf_in: float, degf_out: float, *, meter_at_inlet: bool, kw: float) -> None:
    assert _heat_kw(gpm, degf_in, degf_out, meter_at_inlet=meter_at_inlet) == pytest.approx(kw, rel=1e-4)


@pytest.mark.parametrize(("gpm", "degf_in", "degf_out", "meter_at_inlet", "kw"), IAPWS_95_HEAT)
def test_heat_by_iapws_95(gpm: float, degf_in: float, degf_out: float, *, meter_at_inlet: bool, kw: float) -> None:
    assert _heat_kw(gpm, degf_in, degf_out, meter_at_inlet=meter_at_inlet) == pytest.approx(kw, rel=1e-3)


# Source: the trade's rule BTU/h = 500 * gal/min * degF (common practice, no published source).
@pytest.mark.parametrize("gpm", [75.0, 150.0])
@pytest.mark.parametrize("rise", [10.0, 60.0])
def test_heat_within_one_percent_of_the_500_rule(gpm: float, rise: float) -> None:
    rule_kw = 500.0 * gpm * rise * BTU_PER_H / 1e3
    assert _heat_kw(gpm, 100.0, 100.0 + rise, meter_at_inlet=True) == pytest.approx(rule_kw, rel=0.01)
