"""Whether water lays down scale or eats iron: the indices of Langelier (1936) and Ryznar (1944).

Form as published for everyday use (watertreatmentbasics.com, gc3.com; the compact form at stason.org is the same)::

    pHs = (9.3 + A + B) - (C + D)
    A = (log10(TDS) - 1) / 10            TDS in mg/L
    B = -13.12 log10(t + 273) + 34.55    t in degC
    C = log10(calcium hardness) - 0.4    mg/L as CaCO3
    D = log10(alkalinity)                mg/L as CaCO3
    Langelier = pH - pHs,  Ryznar = 2 pHs - pH

Scale falls out where the water is hottest, so the outlet's or the metal's temperature decides, not the tank's.
"""

from dataclasses import dataclass
from math import log10
from typing import Final

TDS_OF_CONDUCTIVITY: Final = 0.65
"""mg/L for each uS/cm; common practice (0.55 to 0.7), no published source."""
_BALANCED: Final = 0.3
"""Langelier's index within this is balanced, as tables for pools and boilers have it (pools: up to 0.5)."""
_AGGRESSIVE: Final = 7.0
"""From this Ryznar's index on the water is called corrosive (gc3.com); from 8.5 severely."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """A sample."""

    ph: float
    tds_mg_l: float
    calcium_mg_l: float
    """Hardness of calcium, as CaCO3."""
    alkalinity_mg_l: float
    """As CaCO3."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Indices:
    """At one temperature."""

    degc: float
    langelier: float
    ryznar: float

    @property
    def verdict(self) -> str:
        """``scaling``, ``balanced`` or ``corrosive``."""
        if self.langelier > _BALANCED:
            return "scaling"
        if self.langelier < -_BALANCED or self.ryznar >= _AGGRESSIVE:
            return "corrosive"
        return "balanced"


ADVICE: Final = {
    "scaling": "Scale falls out in the brake: look at the strainer, the return and the gap; treat or change the water.",
    "balanced": "Neither scale nor corrosion is to be expected at this temperature; sample again next month.",
    "corrosive": "This water eats iron: look for rust in tank and strainer; have the inhibitor and pH seen to.",
}
"""What to check, common practice, no published source; the maker's manual stands above it."""


def indices(water: Water, degc: float) -> Indices:
    """Both indices of a sample at a temperature, degC.

    Raises:
        ValueError: a quantity that cannot be, since its logarithm is taken; names it.
    """
    for name in ("tds_mg_l", "calcium_mg_l", "alkalinity_mg_l"):
        if not getattr(water, name) > 0.0:
            raise ValueError(f"{name}: found {getattr(water, name):g}; allowed: above 0")
    a = (log10(water.tds_mg_l) - 1.0) / 10.0
    b = -13.12 * log10(degc + 273.0) + 34.55
    c = log10(water.calcium_mg_l) - 0.4
    saturated = (9.3 + a + b) - (c + log10(water.alkalinity_mg_l))
    return Indices(degc=degc, langelier=water.ph - saturated, ryznar=2.0 * saturated - water.ph)
