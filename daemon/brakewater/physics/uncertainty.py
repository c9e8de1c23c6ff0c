"""Standard uncertainties of what is worked out from the water, by the GUM (JCGM 100:2008).

A sensor may be off by several independent limits, each ``fixed + share * |value|``, taken as rectangular: the standard
uncertainty of a limit ``a`` is ``a / sqrt(3)`` (clause 4.3.7), of a step ``d`` of its converter ``d / sqrt(12)``. They
go into a result by its slopes (clause 5.1.2, eq. 10), the two thermometers with their correlation (clause 5.2.2,
eq. 13): errors that both share, as of a bath in which both were calibrated, cancel in the rise. Density and enthalpy
are taken as exact. Element-wise over columns of one length; where a code is bad a value is 0.0 and means nothing.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from brakewater.physics import balance, fluid
from brakewater.physics.balance import Circuit
from brakewater.quality import is_bad
from brakewater.stream import Codes, Column, Floats

COVERAGE: Final = 2.0
"""Factor of the expanded uncertainty that people read and alarms count with: about 95 % (GUM, G.1.3)."""
_RECTANGULAR: Final = 1.0 / math.sqrt(3.0)
_STEP: Final = 1.0 / math.sqrt(12.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """What one sensor with its line may be off by, in SI."""

    limits: tuple[tuple[float, float], ...] = ()
    """(fixed, share of the value) of each independent part: thermometer class, loop, meter."""
    step: float = 0.0
    """Resolution of the converter."""

    def std(self, values: Floats) -> Floats:
        """Standard uncertainty at [n] values."""
        if len(values) == 1:  # the same for a lone scan, on Python's own numbers
            value, lone = abs(values.item()), (self.step * _STEP) ** 2
            for fixed, share in self.limits:
                of_limit = (fixed + share * value) * _RECTANGULAR
                lone = lone + of_limit * of_limit
            return np.array((math.sqrt(lone),))
        total = np.full_like(values, (self.step * _STEP) ** 2)
        for fixed, share in self.limits:
            part = (fixed + share * np.abs(values)) * _RECTANGULAR
            total = total + part * part
        return np.sqrt(total)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """The sensors of one balance."""

    flow: Spread
    inlet: Spread
    outlet: Spread
    correlation: float = 0.0
    """Of the two thermometers' errors, 0 to below 1."""

    def __post_init__(self) -> None:
        if not 0.0 <= self.correlation < 1.0:
            raise ValueError(f"correlation: found {self.correlation}; allowed: 0 to below 1; 0 where nothing is known")


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """What each sensor's standard uncertainty moves a result by, signed: [n] each."""

    flow: Floats
    inlet: Floats
    outlet: Floats

    def std(self, correlation: float) -> Floats:
        """[n] combined."""
        a, b, c = self.flow, self.inlet, self.outlet
        with np.errstate(over="ignore"):
            return np.sqrt(np.maximum(a * a + b * b + c * c + (2.0 * correlation) * b * c, 0.0))


def rise_std_k(spreads: Spreads, inlet: Column, outlet: Column, rise: Column) -> Column:
    """Of the outlet rise, K."""
    none = np.zeros_like(inlet.values)
    parts = Parts(flow=none, inlet=-spreads.inlet.std(inlet.values), outlet=spreads.outlet.std(outlet.values))
    return _as_bad_as(rise, parts.std(spreads.correlation))


def heat_parts_w(circuit: Circuit, spreads: Spreads, flow: Floats, inlet: Floats, outlet: Floats) -> Parts:
    """What each sensor moves the heat by, W: the slopes of the balance times the sensors' standard uncertainties."""
    return heat_and_parts_w(circuit, spreads, flow, inlet, outlet)[1]


def heat_and_parts_w(
    circuit: Circuit, spreads: Spreads, flow: Floats, inlet: Floats, outlet: Floats
) -> tuple[Floats, Parts]:
    """The heat, and what each sensor moves it by, W.

    Args:
        circuit: the brake's water loop.
        spreads: its sensors.
        flow: m3/s.
        inlet: degC.
        outlet: degC.
    """
    kind = circuit.fluid
    t_in, t_out = fluid.held(kind, inlet), fluid.held(kind, outlet)
    with np.errstate(over="ignore"):
        rise = fluid.enthalpy_j_kg(kind, t_out) - fluid.enthalpy_j_kg(kind, t_in)
        density = balance.meter_density(circuit, t_in, t_out)
        by_inlet = -density * flow * fluid.cp_j_kg_k(kind, t_in)
        by_outlet = density * flow * fluid.cp_j_kg_k(kind, t_out)
        if circuit.mass_meter_kg_m3 is None:
            at_meter = fluid.expansion_kg_m3_k(kind, t_in if circuit.meter_at_inlet else t_out) * flow * rise
            by_inlet, by_outlet = (
                (by_inlet + at_meter, by_outlet) if circuit.meter_at_inlet else (by_inlet, by_outlet + at_meter)
            )
        carried = density * rise
        return carried * flow, Parts(
            flow=carried * spreads.flow.std(flow),
            inlet=by_inlet * spreads.inlet.std(inlet),
            outlet=by_outlet * spreads.outlet.std(outlet),
        )


def heat_std_w(circuit: Circuit, spreads: Spreads, water: tuple[Column, Column, Column], heat: Column) -> Column:
    """Of the heat, W; ``water`` is flow, inlet and outlet."""
    flow, inlet, outlet = (column.values for column in water)
    return _as_bad_as(heat, heat_parts_w(circuit, spreads, flow, inlet, outlet).std(spreads.correlation))


def limit_std_w(circuit: Circuit, spreads: Spreads, water: tuple[Column, Column, Column], limit: Column) -> Column:
    """Of the heat that flow and inlet could carry up to the outlet limit, which is exact."""
    parts = _limit_parts(circuit, spreads, water)
    return _as_bad_as(limit, parts.std(spreads.correlation))


def margin_std(
    circuit: Circuit,
    spreads: Spreads,
    water: tuple[Column, Column, Column],
    heat_and_limit: tuple[Column, Column],
    margin: Column,
) -> Column:
    """Of 1 - heat/limit: flow and inlet move both, so that the flow's error nearly cancels."""
    flow, inlet, outlet = (column.values for column in water)
    heat, limit = (column.values for column in heat_and_limit)
    of_heat, of_limit = heat_parts_w(circuit, spreads, flow, inlet, outlet), _limit_parts(circuit, spreads, water)
    some = np.where(limit > 0.0, limit, 1.0)
    with np.errstate(over="ignore"):
        share = heat / some
        parts = Parts(
            flow=(of_heat.flow - share * of_limit.flow) / some,
            inlet=(of_heat.inlet - share * of_limit.inlet) / some,
            outlet=of_heat.outlet / some,
        )
    return _as_bad_as(margin, parts.std(spreads.correlation))


def _limit_parts(circuit: Circuit, spreads: Spreads, water: tuple[Column, Column, Column]) -> Parts:
    flow, inlet, _ = (column.values for column in water)
    at_limit = np.full_like(inlet, circuit.outlet_limit_degc)
    parts = heat_parts_w(circuit, spreads, flow, inlet, at_limit)
    return Parts(flow=parts.flow, inlet=parts.inlet, outlet=np.zeros_like(inlet))


def _as_bad_as(of: Column, std: Floats) -> Column:
    codes: Codes = of.codes
    return Column(values=np.where(is_bad(codes) | ~np.isfinite(std), 0.0, std), codes=codes)
