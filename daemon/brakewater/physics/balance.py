"""Heat balance of one brake's cooling water.

    heat = rho(T at the meter) * V * (h(T outlet) - h(T inlet))

A mass meter shows mass over one fixed density, which then stands for rho whatever the temperature.

Every function is element-wise over columns of one length and passes quality on: a result is as bad as the worst it was
made from. Where its code is bad a value is 0.0 and means nothing.

Below the wetting flow the outlet sensor does not see the brake's water, so outlet, rise, heat and margin are
``NO_FLOW``: a calm outlet reading on a dry pipe must not pass for a cool brake. Where the flow is *unknown* (bad), heat
and margin are bad with it; outlet and rise keep their own quality, since a hot reading is still a warning.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from brakewater.physics import fluid
from brakewater.physics.fluid import Fluid
from brakewater.quality import Codes, Pair, Reason, alone, is_bad, is_bad_code
from brakewater.stream import Column, Floats

_GOOD: Final = int(Reason.GOOD)
_NOT_A_NUMBER: Final = int(Reason.NOT_A_NUMBER)
_NO_FLOW: Final = int(Reason.NO_FLOW)
_AT_LIMIT: Final = int(Reason.AT_LIMIT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuit:
    """What of a brake's water loop the balance needs."""

    meter_at_inlet: bool
    """Where the flow meter sits: before the brake, or (False) after it. The density hangs on it: 1.6 % of the
    heat at 100 to 160 degF."""
    wetting_flow_m3_s: float
    """Least flow that wets the outlet sensor, above 0."""
    outlet_limit_degc: float
    """Highest permitted outlet temperature, above freezing up to boiling."""
    fluid: Fluid = fluid.WATER
    mass_meter_kg_m3: float | None = None
    """Density by which a mass meter's transmitter shows a volume flow; None: the meter tells the volume of the line."""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.wetting_flow_m3_s) and self.wetting_flow_m3_s > 0.0):
            raise ValueError(
                f"wetting_flow_m3_s: found {self.wetting_flow_m3_s}; allowed: above 0; "
                "give the least flow at which the return pipe runs full at the sensor"
            )
        if not self.fluid.lowest_degc < self.outlet_limit_degc <= self.fluid.highest_degc:
            raise ValueError(
                f"outlet_limit_degc: found {self.outlet_limit_degc}; allowed: above {self.fluid.lowest_degc:g} "
                f"up to {self.fluid.highest_degc:g} degC for {self.fluid.name}; see the brake maker's manual"
            )
        if self.mass_meter_kg_m3 is not None and not 500.0 < self.mass_meter_kg_m3 < 2000.0:
            raise ValueError(
                f"mass_meter_kg_m3: found {self.mass_meter_kg_m3}; allowed: 500 to 2000 kg/m3; "
                "give the density set in the meter's transmitter"
            )


def outlet_degc(circuit: Circuit, flow: Column, outlet: Column) -> Column:
    """Outlet temperature in degC, ``NO_FLOW`` where the sensor is dry; ``flow`` in m3/s."""
    return _column(outlet.values, outlet.codes, _dry(circuit, flow))


def outlet_rise_k(circuit: Circuit, flow: Column, inlet: Column, outlet: Column) -> Column:
    """Outlet less inlet temperature in K, ``NO_FLOW`` where the outlet sensor is dry; ``flow`` in m3/s."""
    with np.errstate(over="ignore"):
        values = outlet.values - inlet.values
    return _column(values, inlet.codes, outlet.codes, _dry(circuit, flow))


@dataclass(frozen=True, slots=True, eq=False)
class Supply:
    """What of the water that comes in heat and its limit hang on alike; [n] each."""

    enthalpy_j_kg: Floats
    meter_kg_m3: Floats | None
    """What turns the meter's reading into kg/s; None where the outlet tells it."""
    codes: Codes
    """The worst of flow and inlet, and of what they mean to the fluid."""


def supply(circuit: Circuit, flow: Column, inlet: Column) -> Supply:
    """Worked out once for both of ``heat_w`` and ``heat_limit_w``."""
    codes = np.maximum(np.maximum(flow.codes, inlet.codes), _dry(circuit, flow))
    return Supply(*_at_inlet(circuit, inlet.values), np.maximum(codes, _beyond(circuit, inlet)))


def heat_w(circuit: Circuit, flow: Column, inlet: Column, outlet: Column, given: Supply | None = None) -> Column:
    """Heat taken up by the water in W; uncertain or bad where a temperature lies beyond freezing or boiling.

    Negative where the outlet is cooler than the inlet.

    Args:
        circuit: the brake's water loop.
        flow: volume flow at the meter, m3/s.
        inlet: temperature, degC.
        outlet: temperature, degC.
        given: where somebody has worked it out already.
    """
    given = given or supply(circuit, flow, inlet)
    values = _heat(circuit, flow.values, given, outlet.values)
    return _column(values, given.codes, outlet.codes, _beyond(circuit, outlet))


def heat_limit_w(circuit: Circuit, flow: Column, inlet: Column, given: Supply | None = None) -> Column:
    """Heat in W that this flow and inlet could carry with the outlet at its limit.

    With the meter at the outlet the density is that of water at the outlet limit. ``AT_LIMIT`` where the inlet is at or
    above the outlet limit, since nothing can be carried then.

    Args:
        circuit: the brake's water loop.
        flow: volume flow at the meter, m3/s.
        inlet: temperature, degC.
        given: where somebody has worked it out already.
    """
    given = given or supply(circuit, flow, inlet)
    values = _heat(circuit, flow.values, given, np.array((circuit.outlet_limit_degc,)))
    return _column(values, given.codes, _where(inlet.values >= circuit.outlet_limit_degc, Reason.AT_LIMIT))


def cooling_margin(demand: Column, limit: Column) -> Column:
    """1 - demand/limit, both in W: 1 idle, 0 at the limit, negative beyond; ``AT_LIMIT`` where the limit is not > 0."""
    some = limit.values > 0.0
    with np.errstate(over="ignore"):
        values = 1.0 - demand.values / np.where(some, limit.values, 1.0)
    return _column(values, demand.codes, limit.codes, _where(~some & ~is_bad(limit.codes), Reason.AT_LIMIT))


def flow_balance_m3_s(inlet: Column, back: Column, stored: Column) -> Column:
    """Inflow less return less what the housing stores, all m3/s: above 0 where water is lost on the way."""
    with np.errstate(over="ignore"):
        values = inlet.values - back.values - stored.values
    return _column(values, inlet.codes, back.codes, stored.codes)


@dataclass(frozen=True, slots=True, kw_only=True)
class Alone:
    """What one scan comes to by the functions above: value and reason code each."""

    outlet_degc: Pair
    outlet_rise_k: Pair
    heat_w: Pair
    heat_limit_w: Pair
    cooling_margin: Pair


def of_one(circuit: Circuit, flow: Pair, inlet: Pair, outlet: Pair) -> Alone:
    """All of that of one scan at once, on Python's own numbers: the same bits, sooner.

    Args:
        circuit: the brake's water loop.
        flow: volume flow at the meter, m3/s, and its code.
        inlet: temperature, degC, and its code.
        outlet: temperature, degC, and its code.
    """
    (v, flow_code), (t_in, in_code), (t_out, out_code) = flow, inlet, outlet
    dry = _NO_FLOW if v < circuit.wetting_flow_m3_s and not is_bad_code(flow_code) else _GOOD
    below, above = fluid.beyond_one(circuit.fluid, t_in), fluid.beyond_one(circuit.fluid, t_out)
    most_degc = circuit.outlet_limit_degc
    carried = _told(_lone_heat(circuit, v, t_in, t_out), flow_code, in_code, out_code, dry, below, above)
    spent = _AT_LIMIT if t_in >= most_degc else _GOOD
    limit = _told(_lone_heat(circuit, v, t_in, most_degc), flow_code, in_code, dry, spent, below)
    some = limit[0] > 0.0
    none = _AT_LIMIT if not some and not is_bad_code(limit[1]) else _GOOD
    return Alone(
        outlet_degc=_told(t_out, out_code, dry),
        outlet_rise_k=_told(t_out - t_in, in_code, out_code, dry),
        heat_w=carried,
        heat_limit_w=limit,
        cooling_margin=_told(1.0 - carried[0] / (limit[0] if some else 1.0), carried[1], limit[1], none),
    )


def _told(value: float, *codes: int) -> Pair:
    code = max(_GOOD if math.isfinite(value) else _NOT_A_NUMBER, *codes)
    return (0.0 if is_bad_code(code) else value), code


def heat(circuit: Circuit, flow: Floats, t_in: Floats, t_out: Floats) -> Floats:
    """The law itself, W; temperatures beyond freezing or boiling are held there, their codes rule."""
    if t_in.shape == t_out.shape == flow.shape == (1,):
        return np.array((_lone_heat(circuit, flow.item(), t_in.item(), t_out.item()),))
    return _heat(circuit, flow, Supply(*_at_inlet(circuit, t_in), alone(_GOOD)), t_out)


def _at_inlet(circuit: Circuit, t_in: Floats) -> tuple[Floats, Floats | None]:
    t_in = fluid.held(circuit.fluid, t_in)
    told = circuit.meter_at_inlet or circuit.mass_meter_kg_m3 is not None
    return fluid.enthalpy_j_kg(circuit.fluid, t_in), meter_density(circuit, t_in, t_in) if told else None


def _heat(circuit: Circuit, flow: Floats, given: Supply, t_out: Floats) -> Floats:
    t_out = fluid.held(circuit.fluid, t_out)
    rise = fluid.enthalpy_j_kg(circuit.fluid, t_out) - given.enthalpy_j_kg
    density = meter_density(circuit, t_out, t_out) if given.meter_kg_m3 is None else given.meter_kg_m3
    with np.errstate(over="ignore"):  # a garbage flow may overflow; _column then finds it
        return density * rise * flow


def _lone_heat(circuit: Circuit, flow: float, t_in: float, t_out: float) -> float:
    """The same of one scan, on Python's own numbers."""
    kind, density = circuit.fluid, circuit.mass_meter_kg_m3
    t_in, t_out = fluid.held_one(kind, t_in), fluid.held_one(kind, t_out)
    rise = fluid.of_one(kind, kind.enthalpy, t_out) - fluid.of_one(kind, kind.enthalpy, t_in)
    if density is None:
        density = fluid.of_one(kind, kind.density, t_in if circuit.meter_at_inlet else t_out)
    return density * rise * flow


def meter_density(circuit: Circuit, t_in: Floats, t_out: Floats) -> Floats:
    """What turns the meter's reading into kg/s, kg/m3."""
    if circuit.mass_meter_kg_m3 is not None:
        return np.full_like(t_in, circuit.mass_meter_kg_m3)
    return fluid.density_kg_m3(circuit.fluid, t_in if circuit.meter_at_inlet else t_out)


def _dry(circuit: Circuit, flow: Column) -> Codes:
    return _where((flow.values < circuit.wetting_flow_m3_s) & ~is_bad(flow.codes), Reason.NO_FLOW)


def _beyond(circuit: Circuit, temperature: Column) -> Codes:
    return fluid.beyond(circuit.fluid, temperature.values)


def _where(condition: NDArray[np.bool_], reason: Reason) -> Codes:
    return condition.view(np.uint8) * np.uint8(reason)  # GOOD is 0


def _column(values: Floats, *codes: Codes) -> Column:
    """The worst code rules; what it makes bad becomes 0.0. Garbage that overflowed is ``NOT_A_NUMBER``."""
    if len(values) == 1:  # the same for a lone scan, on Python's own numbers and far quicker
        is_number = math.isfinite(values.item())
        code = max(_GOOD if is_number else _NOT_A_NUMBER, *[more.item() for more in codes])
        return Column(values=np.zeros(1) if is_bad_code(code) else values, codes=alone(code))
    worst = _where(~np.isfinite(values), Reason.NOT_A_NUMBER)
    for more in codes:
        worst = np.maximum(worst, more)
    if np.count_nonzero(worst):
        values = np.where(is_bad(worst), 0.0, values)
    return Column(values=values, codes=worst)
