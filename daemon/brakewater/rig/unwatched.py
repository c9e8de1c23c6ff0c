"""Alarms of the catalogue that a rig does not have, and what they would need: so that nobody relies on one of them."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from brakewater.alarms.catalogue import CATALOGUE, TABLES, AlarmKind, Scope
from brakewater.rig.model import Rig
from brakewater.rig.rules import OPTIONAL
from brakewater.rig.tables import Brake

_LINKS: Final = {
    "broker-lost": "[mqtt]",
    "mirror-behind": "[mirror.NAME]",
    "lamp-write-failed": "[[lamp-mailbox]]",
    "panel-lost": "[panel]",
    "on-battery": "battery = true in [rig]",
    "round-due": "[upkeep]",
    "air-gap-drifting": "[upkeep]",
}
"""Alarm -> the part of the rig file that brings it."""
_BY_ITSELF: Final = frozenset({"limits-above-maker"})
"""Watched by being there or not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unwatched:
    """One alarm that cannot come."""

    alarm: str
    """Its key: ``aux.water-lost``, ``rig.frost-ahead``, ``rig.device-stuck:plc1``."""
    lacks: tuple[str, ...]
    """What is missing, as a person finds it in the rig file."""


def unwatched(rig: Rig) -> list[Unwatched]:
    """In the order of the catalogue, by brake, then of the rig."""
    found = [one for brake in rig.brakes for one in _of_brake(rig, brake)]
    return found + list(_of_rig(rig))


def _of_brake(rig: Rig, brake: Brake) -> Iterator[Unwatched]:
    have = {rule.kind.name for rule in rig.alarms if rule.brake == brake.name}
    roles = {point.role for point in rig.points if point.brake in (brake.name, None)}
    for kind in _missing(have, Scope.BRAKE):
        lacks = [*_roles(kind, roles), *(TABLES[one] for one in kind.tables if not _described(rig, brake, one))]
        if kind.setpoint in OPTIONAL and getattr(brake, OPTIONAL[kind.setpoint]) is None:
            lacks.append(f"{kind.setpoint} of the brake")
        yield Unwatched(alarm=f"{brake.name}.{kind.name}", lacks=tuple(lacks))


def _of_rig(rig: Rig) -> Iterator[Unwatched]:
    have = {rule.kind.name for rule in rig.alarms if rule.brake is None}
    roles = {point.role for point in rig.points if point.brake is None}
    for kind in _missing(have - _BY_ITSELF, Scope.RIG):
        if kind.name in _LINKS:
            yield Unwatched(alarm=f"rig.{kind.name}", lacks=(_LINKS[kind.name],))
        elif kind.name not in _BY_ITSELF:
            yield Unwatched(alarm=f"rig.{kind.name}", lacks=tuple(_roles(kind, roles)))
    beating = {point.device for point in rig.points if point.role == "heartbeat"}
    for device in rig.devices:
        if device.name not in beating:
            yield Unwatched(alarm=f"rig.device-stuck:{device.name}", lacks=("a point of role heartbeat on it",))


def _missing(have: set[str] | frozenset[str], scope: Scope) -> list[AlarmKind]:
    return [kind for kind in CATALOGUE.values() if kind.scope is scope and kind.name not in have]


def _roles(kind: AlarmKind, there: set[str]) -> list[str]:
    return [f"a point of role {role}" for role in kind.needs if role not in there]


def _described(rig: Rig, brake: Brake, table: str) -> bool:
    there = {
        "hoist": rig.hoist is not None,
        "rotor": brake.rotor is not None,
        "torque": brake.torque is not None,
        "tank": len(rig.tanks) == 1 and len(rig.brakes) == 1,
    }
    return there[table]
