"""What flows through the brake: water, or a glycol mixture of a stated share and basis; its properties.

A fluid is polynomials in temperature, so every property is a plain Horner sum and does not depend on how many are
computed together. Water is IAPWS-IF97 (``physics.water``); mixtures come from the tables of ``physics.glycol``.

It holds from freezing to boiling at 1 atm. For mixtures the upper end is 100 degC: they boil a few kelvin above, where
the reference behind the table ends. A little beyond (``NEAR_K``) a number is uncertain, further out it is none.
"""

import math
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from brakewater.physics import water
from brakewater.physics.glycol import LEAST_DEGC, MIXTURES, MOST_SHARE
from brakewater.quality import Codes, Reason
from brakewater.stream import Floats

NEAR_K: Final = 10.0
"""So far beyond freezing or boiling a sensor may stray before its number means nothing; an assumption."""
_TEXT: Final = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*%\s*(\S+)\s+(ethylene|propylene)\s+glycol\s*$")
_BASES: Final = {"vol": "vol", "mass": "mass"}
ALLOWED: Final = (
    '"water", or a share with its basis: "30 % vol ethylene glycol", "30 % mass propylene glycol"; '
    "10 to 60 % vol or 2 to 60 % mass"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fluid:
    """Properties as polynomials in x = (t - middle)/half, constant first."""

    name: str
    middle_degc: float
    half_k: float
    density: tuple[float, ...]
    """kg/m3"""
    enthalpy: tuple[float, ...]
    """J/kg; its zero means nothing, only differences do."""
    lowest_degc: float
    """Freezing, or where the reference begins."""
    highest_degc: float


WATER: Final = Fluid(
    name="water",
    middle_degc=50.0,
    half_k=50.0,
    density=water.DENSITY,
    enthalpy=water.ENTHALPY,
    lowest_degc=water.LOWEST_DEGC,
    highest_degc=water.HIGHEST_DEGC,
)


def glycol(kind: str, basis: str, share: float) -> Fluid:
    """A mixture with water.

    Args:
        kind: ``ethylene`` or ``propylene``.
        basis: what the share counts, ``vol`` or ``mass``; 30 % of one is not 30 % of the other.
        share: of glycol, 0.1 to 0.6 by volume, 0.02 to 0.6 by mass.

    Raises:
        ValueError: a share that the tables do not reach.
    """
    mixture = MIXTURES[kind, basis]
    if not mixture.least_share <= share <= MOST_SHARE:
        raise ValueError(
            f"fluid: found {100 * share:g} % {basis} {kind} glycol; allowed: {ALLOWED}; thinner counts as water"
        )
    z = (share - 0.3) / 0.3
    cp = [_scalar(row, z) for row in mixture.cp]
    return Fluid(
        name=f"{100 * share:g} % {basis} {kind} glycol",
        middle_degc=40.0,
        half_k=60.0,
        density=tuple(_scalar(row, z) for row in mixture.density),
        enthalpy=(0.0, *(60.0 * c / (power + 1) for power, c in enumerate(cp))),
        lowest_degc=max(_scalar(mixture.freezing, z), LEAST_DEGC),
        highest_degc=100.0,
    )


def parse(text: str) -> Fluid:
    """A fluid as the rig file writes it.

    Raises:
        ValueError: it is none, or a share that the tables do not reach.
    """
    if text.strip() == "water":
        return WATER
    match = _TEXT.match(text)
    if match is None or match.group(2) not in _BASES:
        raise ValueError(f"fluid: found {text!r}; allowed: {ALLOWED}")
    return glycol(match.group(3), _BASES[match.group(2)], float(match.group(1)) / 100.0)


def density_kg_m3(fluid: Fluid, t_degc: Floats) -> Floats:
    """Density in kg/m3 at [n] temperatures; meaningless where ``beyond`` is not good."""
    return _at(fluid, fluid.density, t_degc)


def enthalpy_j_kg(fluid: Fluid, t_degc: Floats) -> Floats:
    """Specific enthalpy in J/kg; only differences mean something."""
    return _at(fluid, fluid.enthalpy, t_degc)


def cp_j_kg_k(fluid: Fluid, t_degc: Floats) -> Floats:
    """Specific heat in J/(kg K), the slope of the enthalpy."""
    return _at(fluid, _slope(fluid.enthalpy), t_degc) / fluid.half_k


def expansion_kg_m3_k(fluid: Fluid, t_degc: Floats) -> Floats:
    """Slope of the density in kg/(m3 K)."""
    return _at(fluid, _slope(fluid.density), t_degc) / fluid.half_k


def held(fluid: Fluid, t_degc: Floats) -> Floats:
    """Temperatures held within freezing and boiling."""
    if t_degc.shape == (1,):
        return np.array((held_one(fluid, t_degc.item()),))
    if _is_liquid(fluid, t_degc):
        return t_degc
    return np.minimum(np.maximum(t_degc, fluid.lowest_degc), fluid.highest_degc)


def held_one(fluid: Fluid, t_degc: float) -> float:
    """The same of one temperature."""
    return min(max(t_degc, fluid.lowest_degc), fluid.highest_degc)


def beyond(fluid: Fluid, t_degc: Floats) -> Codes:
    """``GOOD`` from freezing to boiling, ``BEYOND_FLUID`` a little outside, ``OUT_OF_SENSOR_RANGE`` elsewhere."""
    if _is_liquid(fluid, t_degc):
        return np.zeros(t_degc.shape, np.uint8)  # GOOD is 0
    outside = np.maximum(fluid.lowest_degc - t_degc, t_degc - fluid.highest_degc)
    near = np.where(outside > 0.0, np.uint8(Reason.BEYOND_FLUID), np.uint8(Reason.GOOD))
    return np.where(outside <= NEAR_K, near, np.uint8(Reason.OUT_OF_SENSOR_RANGE))


def _is_liquid(fluid: Fluid, t_degc: Floats) -> bool:
    """Whether all of them lie from freezing to boiling, the common case, told by their extremes."""
    return t_degc.size > 0 and bool(fluid.lowest_degc <= t_degc.min() and t_degc.max() <= fluid.highest_degc)


def beyond_one(fluid: Fluid, t_degc: float) -> int:
    """The same of one, on Python's own numbers."""
    outside = max(fluid.lowest_degc - t_degc, t_degc - fluid.highest_degc)
    if outside <= 0.0:
        return 0
    return int(Reason.BEYOND_FLUID if outside <= NEAR_K else Reason.OUT_OF_SENSOR_RANGE)


@lru_cache(maxsize=64)
def _slope(coefficients: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(power * c for power, c in enumerate(coefficients))[1:]


def _at(fluid: Fluid, coefficients: tuple[float, ...], t_degc: Floats) -> Floats:
    """A polynomial of the fluid at [n] temperatures, by Horner's sum."""
    if t_degc.size == 1:
        lone = of_one(fluid, coefficients, t_degc.item())
        return np.array((lone,)) if t_degc.shape == (1,) else np.full(t_degc.shape, lone)
    x = (t_degc - fluid.middle_degc) / fluid.half_k
    total = x * coefficients[-1]
    for coefficient in coefficients[-2:0:-1]:
        total += coefficient
        total *= x
    total += coefficients[0]
    return total


def of_one(fluid: Fluid, coefficients: tuple[float, ...], t_degc: float) -> float:
    """The same sum at one temperature, in Python's own numbers: the same bits, sooner."""
    x, total = (t_degc - fluid.middle_degc) / fluid.half_k, coefficients[-1]
    for coefficient in coefficients[-2::-1]:
        total = total * x + coefficient
    return total


def _scalar(coefficients: tuple[float, ...], x: float) -> float:
    if not math.isfinite(x):
        raise ValueError(f"share: found {x}; allowed: a number")
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * x + coefficient
    return total
