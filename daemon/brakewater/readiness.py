"""The driller's question before a trip: go, or what stands in the way. Codes and facts; nobody is kept from tripping.

For the lamp the newest picture is all there is; the command ``ready`` adds what only the record knows, such as points
that nobody has proved.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from brakewater.alarms.lifecycle import MASKS, State, shown_of
from brakewater.quality import Quality, quality
from brakewater.rig import Brake, Rig
from brakewater.stream import Picture
from brakewater.trips.rounds import OVERDUE

_MUST: tuple[tuple[str, str], ...] = (
    ("inlet-flow", "flow"),
    ("inlet-temperature", "inlet"),
    ("brake-level", "level"),
)

_BOOKED: tuple[str, ...] = ("round-due:", "air-gap-drifting:")
"""Alarms of the upkeep book: its rounds speak for themselves."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstacle:
    """One thing that stands in the way."""

    what: str
    """``flow``, ``inlet``, ``level``, ``tank``, ``alarm``, ``masked``, ``substituted``, ``round`` or ``unproved``."""
    name: str
    """The point, alarm or brake."""
    why: str
    """``unknown``, ``uncertain``, ``low``, ``high``, a state, or who did it and why."""
    value: float | None = None
    """SI."""
    limit: float | None = None


def in_service(rig: Rig, picture: Picture) -> bool:
    """Whether any brake is, or cannot be told not to be."""
    return any(_in_service(rig, picture, brake) for brake in rig.brakes)


def _in_service(rig: Rig, picture: Picture, brake: Brake) -> bool:
    point = rig.role("in-service", brake.name)
    if point is None:
        return True
    value, code = picture.readings.get(point.name, (0.0, 255))
    return value != 0.0 or quality(code) is not Quality.GOOD


def obstacles(rig: Rig, picture: Picture, unproved: Sequence[str] = ()) -> list[Obstacle]:
    """Everything that stands in the way of a trip, by brake, then of the rig.

    Args:
        rig: its limits.
        picture: the newest one.
        unproved: points whose loop nobody has proved as the rig file has it now.
    """
    found = [one for brake in rig.brakes for one in _of_brake(rig, picture, brake)]
    found += _of_tank(rig, picture)
    for alarm in picture.alarms:
        state, key = shown_of(alarm.state), alarm.key
        if state in MASKS:
            says = "; ".join(f"{mask.mask} by {mask.actor or 'the rig file'}: {mask.reason}" for mask in alarm.masks)
            found.append(Obstacle(what="masked", name=key, why=says))
        elif state is not State.NORMAL and not alarm.alarm.startswith(_BOOKED):
            value = None if alarm.setpoint is None else alarm.value  # without a setpoint it says nothing
            found.append(Obstacle(what="alarm", name=key, why=alarm.state, value=value, limit=alarm.setpoint))
    found += _of_book(picture)
    for one in picture.substitutions:
        found.append(Obstacle(what="substituted", name=one.point, why=f"{one.what} by {one.actor}: {one.reason}"))
    return found + [
        Obstacle(what="unproved", name=name, why="no loop check proves it as the rig file has it") for name in unproved
    ]


def _of_book(picture: Picture) -> list[Obstacle]:
    """A round that is due is work to plan; only one that is overdue stands in the way."""
    rounds = picture.book.rounds if picture.book is not None else ()
    return [
        Obstacle(what="round", name=one.round, why=f"overdue by {one.by}", value=one.share, limit=1.0)
        for one in rounds
        if one.share >= OVERDUE
    ]


def due(picture: Picture) -> tuple[str, ...]:
    """Rounds that are due and not overdue, by name."""
    rounds = picture.book.rounds if picture.book is not None else ()
    return tuple(one.round for one in rounds if 1.0 <= one.share < OVERDUE)


def _of_brake(rig: Rig, picture: Picture, brake: Brake) -> list[Obstacle]:
    """Flow enough, inlet cool enough, level where the bearings stay dry; unknown is never all right."""
    limits = {
        "flow": (brake.least_flow, None),
        "inlet": (None, brake.inlet_limit),
        "level": (None, 0.75 * brake.bearing_level),
    }
    found = []
    for role, what in _MUST:
        for point in rig.all_of_role(role, brake.name):
            low, high = limits[what]
            obstacle = _judged(picture, point.name, what, low, high)
            found += [] if obstacle is None else [obstacle]
    return found


def _of_tank(rig: Rig, picture: Picture) -> list[Obstacle]:
    """Its own alarm says when it is low; here only whether it can be told."""
    point = rig.role("tank-level")
    obstacle = None if point is None else _judged(picture, point.name, "tank", None, None)
    return [] if obstacle is None else [obstacle]


def _judged(picture: Picture, name: str, what: str, low: float | None, high: float | None) -> Obstacle | None:
    value, code = picture.readings.get(name, (0.0, 255))
    grade = quality(code)
    if grade is not Quality.GOOD:
        return Obstacle(what=what, name=name, why="unknown" if grade is Quality.BAD else "uncertain")
    if low is not None and value < low:
        return Obstacle(what=what, name=name, why="low", value=value, limit=low)
    if high is not None and value > high:
        return Obstacle(what=what, name=name, why="high", value=value, limit=high)
    return None
