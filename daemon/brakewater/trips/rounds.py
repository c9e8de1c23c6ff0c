"""Rounds of upkeep: what is done how often, and how much of an interval is used up; by hours, trips or days.

The defaults are common practice, no published source; the maker's manual stands above them.
"""

from dataclasses import dataclass
from typing import Final, TypeVar

from brakewater.stream import Floats

Number = TypeVar("Number", float, Floats)
DAY_NS: Final = 86_400_000_000_000
HOUR_NS: Final = 3_600_000_000_000
OVERDUE: Final = 1.25
"""A round is due at its interval and overdue a quarter later; an assumption."""

PLAIN, GAP, WATER, COIL = "plain", "gap", "water", "coil"
KINDS: Final = (PLAIN, GAP, WATER, COIL)
"""What an entry may carry: nothing, clearances, a sample, resistances."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """One round of one brake; whichever interval ends first makes it due."""

    name: str
    brake: str
    what: str
    """What to do, for the mechanic."""
    kind: str = PLAIN
    running_ns: int | None = None
    trips: int | None = None
    days_ns: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Default:
    """A round as it is unless the rig file says otherwise."""

    name: str
    what: str
    kind: str = PLAIN
    hours: float | None = None
    trips: int | None = None
    days: float | None = None


DEFAULTS: Final = (
    Default(
        name="grease",
        what="Grease each rotor bearing, about 2 oz of lithium- or sodium-base ball and roller bearing grease.",
        hours=24.0,
    ),
    Default(
        name="breathers",
        what="Check breathers and cavity drains; take breathers off the brake to clean them. Never solvent inside the"
        " coil space.",
        days=7.0,
    ),
    Default(name="outlets", what="See that overflow and outlet are free, from the brake to the tank.", days=7.0),
    Default(
        name="strainer", what="Clean the strainer; isolate it first, never open it under pressure or hot.", days=7.0
    ),
    Default(
        name="air-gap",
        what="Measure the air gap with a feeler gauge at every inspection plug, both sides; note any scale."
        " Locked out, rotor at rest and cool.",
        kind=GAP,
        days=30.0,
    ),
    Default(
        name="coils",
        what="Measure each coil's resistance and its insulation to the frame, isolated and locked out.",
        kind=COIL,
        days=30.0,
    ),
    Default(
        name="water",
        what="Take a water sample: pH, TDS or conductivity, calcium hardness, alkalinity.",
        kind=WATER,
        days=30.0,
    ),
)


def shares(of: Round, running_s: Number, trips: Number, lasted_ns: Number) -> dict[str, Number]:
    """How much of each of its intervals is used up, 1.0 when due, by ``hours``, ``trips`` or ``days``.

    Args:
        of: the round.
        running_s: how far each count has moved since it was done: a number, or [n] of them.
        trips: likewise.
        lasted_ns: likewise.
    """
    found: dict[str, Number] = {}
    if of.running_ns is not None:
        found["hours"] = running_s / (of.running_ns / 1e9)
    if of.trips is not None:
        found["trips"] = trips / of.trips
    if of.days_ns is not None:
        found["days"] = lasted_ns / of.days_ns
    return found
