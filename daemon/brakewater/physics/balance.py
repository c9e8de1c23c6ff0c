"""Heat balance of one brake's cooling water.

    heat = rho(T at the meter) * V * (h(T outlet) - h(T inlet))

Every function is element-wise over columns of one length and passes quality on: a result is as bad as the worst it was
made from. Where its code is bad a value is 0.0 and means nothing.

Below the wetting flow the outlet sensor does not see the brake's water, so outlet, rise, heat and margin are
``NO_FLOW``: a calm outlet reading on a dry pipe must not pass for a cool brake. Where the flow is *unknown* (bad), heat
and margin are bad with it; outlet and rise keep their own quality, since a hot reading is still a warning.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from brakewater.physics import water
from brakewater.quality import Codes, Reason, is_bad
from brakewater.stream import Column, Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuit:
    """What of a brake's water loop the balance needs."""

    meter_at_inlet: bool
    """Where the flow meter sits: before the brake, or (False) after it. The density hangs on it: 1.6 % of the
    heat at 100 to 160 degF."""
    wetting_flow_m3_s: float
    """Least flow that wets the outlet sensor, above 0."""
    outlet_limit_degc: float
    """Highest permitted outlet temperature, above 0 up to 100 degC."""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.wetting_flow_m3_s) and self.wetting_flow_m3_s > 0.0):
            raise ValueError(
                f"wetting_flow_m3_s: found {self.wetting_flow_m3_s}; allowed: above 0; "
                "give the least flow at which the return pipe runs full at the sensor"
            )
        if not water.LOWEST_DEGC < self.outlet_limit_degc <= water.HIGHEST_DEGC:
            raise ValueError(
                f"outlet_limit_degc: found {self.outlet_limit_degc}; allowed: above 0 up to 100 degC; "
                "see the brake maker's manual"
            )


def outlet_degc(circuit: Circuit, flow: Column, outlet: Column) -> Column:
    """Outlet temperature in degC, ``NO_FLOW`` where the sensor is dry; ``flow`` in m3/s."""
    return _column(outlet.values, outlet.codes, _dry(circuit, flow))


def outlet_rise_k(circuit: Circuit, flow: Column, inlet: Column, outlet: Column) -> Column:
    """Outlet less inlet temperature in K, ``NO_FLOW`` where the outlet sensor is dry; ``flow`` in m3/s."""
    with np.errstate(over="ignore"):
        values = outlet.values - inlet.values
    return _column(values, inlet.codes, outlet.codes, _dry(circuit, flow))


def heat_w(circuit: Circuit, flow: Column, inlet: Column, outlet: Column) -> Column:
    """Heat taken up by the water in W; ``OUT_OF_SENSOR_RANGE`` where a temperature lies outside 0 to 100 degC.

    Negative where the outlet is cooler than the inlet.

    Args:
        circuit: the brake's water loop.
        flow: volume flow at the meter, m3/s.
        inlet: temperature, degC.
        outlet: temperature, degC.
    """
    values = _heat(flow.values, inlet.values, outlet.values, inlet.values if circuit.meter_at_inlet else outlet.values)
    return _column(
        values,
        flow.codes,
        inlet.codes,
        outlet.codes,
        _dry(circuit, flow),
        _beyond_water(inlet),
        _beyond_water(outlet),
    )


def heat_limit_w(circuit: Circuit, flow: Column, inlet: Column) -> Column:
    """Heat in W that this flow and inlet could carry with the outlet at its limit.

    With the meter at the outlet the density is that of water at the outlet limit. ``AT_LIMIT`` where the inlet is at or
    above the outlet limit, since nothing can be carried then.

    Args:
        circuit: the brake's water loop.
        flow: volume flow at the meter, m3/s.
        inlet: temperature, degC.
    """
    limit = np.full_like(inlet.values, circuit.outlet_limit_degc)
    values = _heat(flow.values, inlet.values, limit, inlet.values if circuit.meter_at_inlet else limit)
    spent = _where(inlet.values >= circuit.outlet_limit_degc, Reason.AT_LIMIT)
    return _column(values, flow.codes, inlet.codes, _dry(circuit, flow), spent, _beyond_water(inlet))


def cooling_margin(demand: Column, limit: Column) -> Column:
    """1 - demand/limit, both in W: 1 idle, 0 at the limit, negative beyond; ``AT_LIMIT`` where the limit is not > 0."""
    some = limit.values > 0.0
    with np.errstate(over="ignore"):
        values = 1.0 - demand.values / np.where(some, limit.values, 1.0)
    return _column(values, demand.codes, limit.codes, _where(~some & ~is_bad(limit.codes), Reason.AT_LIMIT))


def _heat(flow: Floats, t_in: Floats, t_out: Floats, t_meter: Floats) -> Floats:
    """The law itself; temperatures beyond 0 to 100 degC are held there, their codes rule."""
    t_in, t_out, t_meter = (np.clip(t, water.LOWEST_DEGC, water.HIGHEST_DEGC) for t in (t_in, t_out, t_meter))
    density = water.density_kg_m3(t_meter)
    with np.errstate(over="ignore"):  # a garbage flow may overflow; _column then finds it
        return density * (water.enthalpy_j_kg(t_out) - water.enthalpy_j_kg(t_in)) * flow


def _dry(circuit: Circuit, flow: Column) -> Codes:
    return _where((flow.values < circuit.wetting_flow_m3_s) & ~is_bad(flow.codes), Reason.NO_FLOW)


def _beyond_water(temperature: Column) -> Codes:
    return _where(~water.in_range(temperature.values), Reason.OUT_OF_SENSOR_RANGE)


def _where(condition: NDArray[np.bool_], reason: Reason) -> Codes:
    return np.where(condition, np.uint8(reason), np.uint8(Reason.GOOD))


def _column(values: Floats, *codes: Codes) -> Column:
    """The worst code rules; what it makes bad becomes 0.0. Garbage that overflowed is ``NOT_A_NUMBER``."""
    worst = _where(~np.isfinite(values), Reason.NOT_A_NUMBER)
    for more in codes:
        worst = np.maximum(worst, more)
    return Column(values=np.where(is_bad(worst), 0.0, values), codes=worst)
