"""Pump and supply line: the pump's curve against the line's resistance, and what the flow does when the pump stops.

    (L / g A) dq/dt = n^2 s H0 - a q|q| - k q|q| - static head        n = part of full speed, s = suction (0 to 1)

A check valve keeps the flow from turning back. Sizes invented for the demonstration: about 85 US gal/min through 40 m
of 2 in line; k holds strainer, filter, line and the throttled inlet valve. What is blocked of a strainer makes the rest
run faster: its resistance grows as 1 / (open part)^2. Shaft work of the pump (about 2 kW) is left out of the heat
balance, and so is the time water spends in the hoses.
"""

from dataclasses import dataclass
from math import sin, sqrt

from brakewater_sim.health import Health
from brakewater_sim.hoist import G_M_S2


@dataclass(frozen=True, slots=True, kw_only=True)
class LineSizes:
    """Sizes of pump and line; heads in m of water."""

    shutoff_m: float = 36.0
    pump_s2_m5: float = 2.6e5
    line_s2_m5: float = 7.46e5
    """Line and inlet valve."""
    strainer_s2_m5: float = 6.0e4
    """Clean: about 17 kPa at 85 US gal/min."""
    filter_s2_m5: float = 5.0e4
    length_m: float = 40.0
    bore_m2: float = 2.165e-3
    """2 in schedule 40."""
    lift_m: float = 6.0
    """Bottom of the brake over the bottom of the tank."""
    suction_m: float = 0.10
    """Tank level at which the pump draws air."""
    suction_full_m: float = 0.25
    coast_s: float = 0.8
    start_s: float = 1.5

    @property
    def clean_s2_m5(self) -> float:
        """Resistance of all the supply, nothing fouled."""
        return self.line_s2_m5 + self.strainer_s2_m5 + self.filter_s2_m5


def fouled(part: float) -> float:
    """How the resistance of a strainer grows with its blocked part; at most by a factor of a million."""
    left = max(1e-3, 1.0 - part)
    return 1.0 / (left * left)


def resistance_s2_m5(sizes: LineSizes, health: Health) -> float:
    """Resistance of the supply without its pump."""
    strainer = sizes.strainer_s2_m5 * fouled(health.strainer)
    return sizes.line_s2_m5 * health.valve + strainer + sizes.filter_s2_m5 * fouled(health.filter)


def pull(health: Health, t: float) -> float:
    """What wear and air leave of the pump's head at ``t`` s, 0 to 1; air comes in gulps."""
    if not (health.air or health.wear):
        return 1.0
    gulps = 0.5 + 0.3 * sin(0.8 * t) + 0.2 * sin(2.1 * t)
    return (1.0 - health.wear) * (1.0 - health.air * gulps)


def suction(sizes: LineSizes, tank_level_m: float) -> float:
    """How far the pump has water to draw: 1 with the suction covered, 0 when it draws air."""
    return min(1.0, max(0.0, (tank_level_m - sizes.suction_m) / (sizes.suction_full_m - sizes.suction_m)))


def static_head_m(sizes: LineSizes, tank_level_m: float, brake_level_m: float) -> float:
    """Height in m that the pump must lift."""
    return sizes.lift_m + brake_level_m - tank_level_m


def flow_rate_m3_s2(
    sizes: LineSizes, flow: float, speed: float, drawing: float, static: float, line_s2_m5: float | None = None
) -> float:
    """Rate of change in m3/s2 of the supply ``flow`` in m3/s, through a clean line unless its resistance is given."""
    line = sizes.clean_s2_m5 if line_s2_m5 is None else line_s2_m5
    head = drawing * speed * speed * sizes.shutoff_m - static
    rate = (head - (sizes.pump_s2_m5 + line) * flow * abs(flow)) * G_M_S2 * sizes.bore_m2 / sizes.length_m
    return 0.0 if flow <= 0.0 and rate < 0.0 else rate


def speed_rate_1_s(sizes: LineSizes, speed: float, *, running: bool) -> float:
    """Rate of change per s of the pump's ``speed`` (part of full speed)."""
    return (1.0 - speed) / sizes.start_s if running else -speed / sizes.coast_s


def steady_flow_m3_s(sizes: LineSizes, static: float) -> float:
    """Where the pump's curve at full speed meets the line's, in m3/s."""
    return sqrt(max(0.0, sizes.shutoff_m - static) / (sizes.pump_s2_m5 + sizes.clean_s2_m5))


def discharge_m(
    sizes: LineSizes, flow: float, speed: float, drawing: float, tank_level_m: float, strainer: float
) -> float:
    """Head in m at the gauge behind the pump, which stands beside the tank's bottom."""
    lost = (sizes.pump_s2_m5 + sizes.strainer_s2_m5 * strainer) * flow * flow
    return max(0.0, tank_level_m + drawing * speed * speed * sizes.shutoff_m - lost)
