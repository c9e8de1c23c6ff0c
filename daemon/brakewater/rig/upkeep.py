"""Rig file table ``[upkeep]``: the rounds of each brake, and what its air gap may be. Without it no book is kept."""

from collections.abc import Sequence
from typing import Annotated, Any, Final, Literal

from pydantic import Field

from brakewater.physics.gap import Limits
from brakewater.rig.faults import Faults
from brakewater.rig.quantity import Length, Nanoseconds, lasting
from brakewater.rig.tables import Model, Name
from brakewater.trips.rounds import DAY_NS, DEFAULTS, HOUR_NS, Default, Round

_Interval = Annotated[Nanoseconds, lasting("10 s", "366 d")]
"""As short as a test on the bench needs it."""
_MOST: Final = 16
"""Rounds of a brake; more are no book but a list nobody reads."""


class RoundEntry(Model):
    """``[[upkeep.round]]``: a round of the defaults with other intervals, or one of the rig's own."""

    round: Name
    what: str | None = Field(default=None, max_length=300)
    hours: _Interval | None = None
    """Running hours, ``"24 h"``."""
    trips: Annotated[int, Field(ge=1, le=1000)] | None = None
    days: _Interval | None = None
    """Calendar, ``"7 d"``."""
    kind: Literal["plain", "gap", "water", "coil"] | None = None
    off: bool = False
    """This rig does not do it."""
    basis: str | None = None


class Upkeep(Model):
    """``[upkeep]``."""

    round: tuple[RoundEntry, ...] = ()
    plugs: Annotated[int, Field(ge=1, le=12)] = 4
    """Inspection plugs around the brake."""
    sides: Annotated[int, Field(ge=1, le=2)] = 2
    """Sides at which the gap is measured at each plug."""
    coils: Annotated[int, Field(ge=1, le=8)] = 4
    gap_nominal: Length = Limits().nominal_m
    """As new; default the middle of 0.004 to 0.005 in, common practice, no published source."""
    gap_least: Length = Limits().least_m
    """Smallest clearance; default 0.002 in, an assumption."""
    gap_most: Length = Limits().most_m
    """Largest gap; default 0.006 in, which leaves 56 % of the torque; an assumption."""

    @property
    def limits(self) -> Limits:
        """Of the gap."""
        return Limits(nominal_m=self.gap_nominal, least_m=self.gap_least, most_m=self.gap_most)

    def gap_places(self) -> tuple[str, ...]:
        """Where the gap is measured: ``plug-1-left``."""
        sides = ("left", "right")[: self.sides]
        return tuple(f"plug-{plug}-{side}" for plug in range(1, self.plugs + 1) for side in sides)


def rounds(upkeep: Upkeep | None, brakes: Sequence[str], faults: Faults) -> tuple[Round, ...]:
    """Every round of every brake; with several brakes its name begins with the brake's."""
    if upkeep is None:
        return ()
    _check(upkeep, faults)
    said = {entry.round: entry for entry in upkeep.round}
    known = {one.name: one for one in DEFAULTS}
    names = [*known, *[name for name in said if name not in known]]
    found = [_round(name, known.get(name), said.get(name)) for name in names if not (name in said and said[name].off)]
    return tuple(
        Round(**{**one, "brake": brake, "name": f"{brake}-{one['name']}" if len(brakes) > 1 else one["name"]})
        for brake in brakes
        for one in found
    )


def _round(name: str, default: Default | None, said: RoundEntry | None) -> dict[str, Any]:
    base = default or Default(name=name, what=name)
    intervals = {
        "running_ns": None if base.hours is None else round(base.hours * HOUR_NS),
        "trips": base.trips,
        "days_ns": None if base.days is None else round(base.days * DAY_NS),
    }
    if said is not None and (said.hours, said.trips, said.days) != (None, None, None):
        intervals = {"running_ns": said.hours, "trips": said.trips, "days_ns": said.days}
    what = said.what if said is not None and said.what else base.what
    kind = said.kind if said is not None and said.kind else base.kind
    return {"name": name, "what": what, "kind": kind, **intervals}


def _check(upkeep: Upkeep, faults: Faults) -> None:
    seen: set[str] = set()
    known = {one.name for one in DEFAULTS}
    for index, entry in enumerate(upkeep.round):
        path = ("upkeep", "round", index)
        if entry.round in seen:
            faults.add((*path, "round"), f"a second entry for {entry.round}", "one entry a round")
        seen.add(entry.round)
        if entry.round not in known and not entry.off:
            if (entry.hours, entry.trips, entry.days) == (None, None, None):
                faults.add(path, "no interval", 'one or more of hours = "24 h", trips = 1, days = "7 d"')
            if not entry.what:
                faults.add(path, "nothing to do", "what: a sentence for the mechanic")
    if len(seen | known) > _MOST:
        faults.add(("upkeep",), f"{len(seen | known)} rounds", f"at most {_MOST}")
    if not upkeep.gap_least < upkeep.gap_nominal < upkeep.gap_most:
        faults.add(("upkeep",), "gap limits out of order", "gap-least below gap-nominal below gap-most")
