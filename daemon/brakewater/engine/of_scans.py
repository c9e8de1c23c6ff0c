"""What follows from flow and temperatures of each scan alone, and its standard uncertainty; one row a quantity."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Final, TypeAlias

import numpy as np

from brakewater.physics import balance, uncertainty
from brakewater.physics.balance import Circuit, Supply
from brakewater.physics.uncertainty import Spreads
from brakewater.quality import alone, is_bad
from brakewater.stream import Column

Water: TypeAlias = tuple[Column, Column, Column]
"""Flow, inlet and outlet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What the water must keep for a brake to be loaded, SI."""

    least_flow_m3_s: float
    inlet_degc: float
    level_m: float


@dataclass(frozen=True, kw_only=True, eq=False)
class OfScans:
    """One block of one brake."""

    circuit: Circuit
    spreads: Spreads
    limits: Limits
    area_m2: float
    """Of the water in the housing, 0 where unknown."""
    by_role: Mapping[str, Column]
    of_water: dict[str, Column]
    """What of them hangs on the water alone, as far as it is worked out; grows."""

    def __getitem__(self, name: str) -> Column:
        """One of `ROWS`, worked out when it is asked for.

        A block is let go as soon as nobody looks at it: nothing here may lead back to who asks.
        """
        try:
            return self.of_water[name]
        except KeyError:
            column = ROWS[name](self)
            if name in OF_WATER:
                self.of_water[name] = column
            return column

    @cached_property
    def supply(self) -> Supply:
        """Flow and inlet, as heat and its limit share them."""
        return balance.supply(self.circuit, *self.water[:2])

    @cached_property
    def water(self) -> Water:
        """Flow, inlet and outlet."""
        return water(self.by_role)

    def flow_balance(self) -> Column:
        """What goes in and neither comes back nor stays: above 0 water is lost."""
        rate = self.by_role["level_rate_m_s"]
        stored = Column(values=rate.values * self.area_m2, codes=rate.codes)
        return balance.flow_balance_m3_s(self.by_role["inlet-flow"], self.by_role["return-flow"], stored)


def _ready(of: OfScans) -> Column:
    """1 where flow, inlet and level are as a loaded brake needs them, else 0; not known where one of them is not."""
    flow, inlet, level = of.by_role["inlet-flow"], of.by_role["inlet-temperature"], of.by_role["brake-level"]
    codes = np.maximum(np.maximum(flow.codes, inlet.codes), level.codes)
    limits = of.limits
    kept = (flow.values >= limits.least_flow_m3_s) & (inlet.values <= limits.inlet_degc)
    kept &= (level.values <= limits.level_m) & ~is_bad(codes)
    return Column(values=kept.astype(np.float64), codes=codes)


def _margin_std(of: OfScans) -> Column:
    both = of["heat_w"], of["heat_limit_w"]
    return uncertainty.margin_std(of.circuit, of.spreads, of.water, both, of["cooling_margin"])


ROWS: Final[Mapping[str, Callable[[OfScans], Column]]] = {
    "outlet-temperature": lambda of: balance.outlet_degc(of.circuit, of.water[0], of.water[2]),
    "outlet_rise_k": lambda of: balance.outlet_rise_k(of.circuit, *of.water),
    "outlet_rise_std_k": lambda of: uncertainty.rise_std_k(of.spreads, *of.water[1:], of["outlet_rise_k"]),
    "heat_w": lambda of: balance.heat_w(of.circuit, *of.water, of.supply),
    "heat_std_w": lambda of: uncertainty.heat_std_w(of.circuit, of.spreads, of.water, of["heat_w"]),
    "heat_limit_w": lambda of: balance.heat_limit_w(of.circuit, *of.water[:2], of.supply),
    "heat_limit_std_w": lambda of: uncertainty.limit_std_w(of.circuit, of.spreads, of.water, of["heat_limit_w"]),
    # The duty is left out of the demand: that of a moment stands above what this water can carry for long in 5 to 18 %
    # of a warm tank's seconds while the outlet never comes near its limit, and followed over the housing's residence
    # alone it still asks for 40 % more than ever comes out, since the rotor stores. It may count once followed through
    # both.
    "cooling_margin": lambda of: balance.cooling_margin(of["heat_w"], of["heat_limit_w"]),
    "cooling_margin_std": _margin_std,
    "tank_temperature_degc": lambda of: of.by_role.get("tank-temperature") or of.water[1],
    "flow_balance_m3_s": OfScans.flow_balance,
    "cooling_ready": _ready,
}


def water(by_role: Mapping[str, Column]) -> Water:
    """What heat is worked out of."""
    return by_role["inlet-flow"], by_role["inlet-temperature"], by_role["outlet-temperature"]


def at_once(circuit: Circuit, of: Water) -> dict[str, Column]:
    """What of these the alarms look at, of a lone scan."""
    told = balance.of_one(circuit, *((column.values.item(), column.codes.item()) for column in of))
    pairs = {
        "outlet-temperature": told.outlet_degc,
        "outlet_rise_k": told.outlet_rise_k,
        "heat_w": told.heat_w,
        "heat_limit_w": told.heat_limit_w,
        "cooling_margin": told.cooling_margin,
    }
    return {name: Column(values=np.array((value,)), codes=alone(code)) for name, (value, code) in pairs.items()}


OF_WATER: Final = frozenset(ROWS) - {"tank_temperature_degc", "flow_balance_m3_s", "cooling_ready"}
"""Those that hang on flow, inlet and outlet alone."""
