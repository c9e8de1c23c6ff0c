"""The rotor as two lumps of iron: a surface that the eddy currents heat and the water cools, and the core behind it.

    C_s dT_s/dt = P - G(level, flow) (T_s - T_water) - K (T_s - T_c) - A (T_s - T_ambient)
    C_c dT_c/dt = K (T_s - T_c)

The contact with the water grows with flow (power 0.8, as turbulent convection does), falls to stirring alone without
flow, and goes to nothing as the housing runs dry. Sizes invented for the demonstration.
"""

from dataclasses import dataclass
from math import pow  # noqa: A004 - the one of floats


@dataclass(frozen=True, slots=True, kw_only=True)
class RotorSizes:
    """Sizes of the rotor."""

    surface_j_k: float = 6.0e4
    """125 kg of steel at 480 J/(kg K)."""
    core_j_k: float = 3.0e5
    surface_core_w_k: float = 4.0e3
    air_w_k: float = 60.0
    still_w_k: float = 6.0e3
    """Contact with standing water, all wet."""
    flowing_w_k: float = 1.8e4
    """What the rated flow adds to it."""
    rated_m3_s: float = 4.7317647e-3
    """75 US gal/min."""
    wet_m: float = 0.25
    """Level that wets the rotor all over."""


def contact_w_k(sizes: RotorSizes, level_m: float, flow_m3_s: float) -> float:
    """Conductance in W/K from the rotor's surface to water at ``level_m`` with ``flow_m3_s`` passing."""
    wet = min(1.0, max(0.0, level_m / sizes.wet_m))
    flowing = pow(max(0.0, flow_m3_s / sizes.rated_m3_s), 0.8)
    return wet * (sizes.still_w_k + sizes.flowing_w_k * flowing)
