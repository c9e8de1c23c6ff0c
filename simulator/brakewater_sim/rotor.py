"""The rotor as four nodes of iron, from the skin that the eddy currents heat and the water cools to the core behind it.

    C_1 dT_1/dt = P - G (T_1 - T_water) - K_12 (T_1 - T_2) - A (T_1 - T_ambient)
    C_i dT_i/dt = K_(i-1)i (T_(i-1) - T_i) - K_i(i+1) (T_i - T_(i+1))

The contact G with the water grows with flow (power 0.8, as turbulent convection does), falls to stirring alone without
flow, and goes to nothing as the housing runs dry; scale stands in series with it. Sizes invented for the demonstration.
"""

from dataclasses import dataclass
from math import pow  # noqa: A004 - the one of floats


@dataclass(frozen=True, slots=True, kw_only=True)
class RotorSizes:
    """Sizes of the rotor."""

    surface_j_k: float = 6.0e4
    """125 kg of steel at 480 J/(kg K)."""
    inner_j_k: float = 6.0e4
    deep_j_k: float = 9.0e4
    core_j_k: float = 1.5e5
    surface_inner_w_k: float = 7.0e3
    inner_deep_w_k: float = 6.0e3
    deep_core_w_k: float = 5.0e3
    air_w_k: float = 60.0
    still_w_k: float = 6.0e3
    """Contact with standing water, all wet."""
    flowing_w_k: float = 1.8e4
    """What the rated flow adds to it."""
    rated_m3_s: float = 4.7317647e-3
    """75 US gal/min."""
    wet_m: float = 0.25
    """Level that wets the rotor all over."""
    dry_m: float = 1e-6
    """Level below which nothing of the rotor is wet: a film that is gone, whose heat nobody could account for."""
    wetted_m2: float = 4.0
    """Surface on which scale grows."""

    @property
    def whole_j_k(self) -> float:
        """Heat capacity of all of it."""
        return self.surface_j_k + self.inner_j_k + self.deep_j_k + self.core_j_k


SCALE_W_MK = 1.5
"""Conductivity of hard-water scale; handbooks give 0.5 to 3 W/(m K), from memory."""


def scale_k_w(sizes: RotorSizes, thickness_m: float) -> float:
    """Resistance in K/W of scale of that thickness."""
    return thickness_m / (SCALE_W_MK * sizes.wetted_m2)


def contact_w_k(sizes: RotorSizes, level_m: float, flow_m3_s: float) -> float:
    """Conductance in W/K from the clean rotor's surface to water at ``level_m`` with ``flow_m3_s`` passing."""
    if level_m <= sizes.dry_m:
        return 0.0
    wet = min(1.0, level_m / sizes.wet_m)
    flowing = pow(max(0.0, flow_m3_s / sizes.rated_m3_s), 0.8)
    return wet * (sizes.still_w_k + sizes.flowing_w_k * flowing)
