"""The water in the brake's housing: gravity return through a hose that may choke, overflow past the bearings, steam.

Return flow is Torricelli's: Cd x bore x open part x sqrt(2 g x head over the outlet). Above the bearing level water
leaves over a weir (the shaft seals) and is lost. Above boiling, what is too hot evaporates within about a second.
Sizes invented for the demonstration; 3 in return hose.
"""

from dataclasses import dataclass
from math import sqrt

from brakewater_sim.hoist import G_M_S2
from brakewater_sim.water import BOILING_DEGC, EVAPORATION_J_KG


@dataclass(frozen=True, slots=True, kw_only=True)
class BrakeSizes:
    """Sizes of the housing, and its return."""

    area_m2: float = 0.55
    """Free water surface."""
    outlet_m: float = 0.10
    """Height of the outlet over the housing's bottom; water below it stays."""
    return_m2: float = 4.77e-3
    """Bore of the return, 3 in schedule 40."""
    discharge: float = 0.57
    """Discharge coefficient of outlet and hose together."""
    bearing_m: float = 0.60
    weir: float = 0.36
    """Overflow in m3/s = weir x (height over the bearing in m) ^ 1.5."""
    ambient_w_k: float = 120.0
    film_m: float = 0.02
    """Level below which the water no longer covers the bottom; nothing passes from or to what is not there."""
    boil_s: float = 1.0
    """How fast heat above boiling leaves as steam."""


def return_m3_s(sizes: BrakeSizes, level_m: float, blockage: float) -> float:
    """Gravity return in m3/s at ``level_m`` through a hose blocked by the fraction ``blockage`` (0 to 1)."""
    head = level_m - sizes.outlet_m
    if head <= 0.0:
        return 0.0
    return sizes.discharge * sizes.return_m2 * (1.0 - blockage) * sqrt(2.0 * G_M_S2 * head)


def overflow_m3_s(sizes: BrakeSizes, level_m: float) -> float:
    """Water in m3/s lost past the bearings at ``level_m``."""
    over = level_m - sizes.bearing_m
    return sizes.weir * over * sqrt(over) if over > 0.0 else 0.0


def steam_kg_s(sizes: BrakeSizes, mass_kg: float, water_degc: float) -> float:
    """Water in kg/s that boils off from ``mass_kg`` at ``water_degc``."""
    excess = water_degc - BOILING_DEGC
    return mass_kg * 4216.0 * excess / (sizes.boil_s * EVAPORATION_J_KG) if excess > 0.0 else 0.0


def covered(sizes: BrakeSizes, level_m: float) -> float:
    """Part of the housing's bottom, 0 to 1, that water at ``level_m`` covers; what passes there goes by it."""
    return min(1.0, max(0.0, level_m / sizes.film_m))


def steady_level_m(sizes: BrakeSizes, flow_m3_s: float) -> float:
    """Level in m at which an open return carries ``flow_m3_s``."""
    speed = flow_m3_s / (sizes.discharge * sizes.return_m2)
    return sizes.outlet_m + speed * speed / (2.0 * G_M_S2)
