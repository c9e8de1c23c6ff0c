"""The daemon's own points: the device ``self``, polled into every scan like any other.

Their layout stands in every ``Start``, as later versions have more of them: a record is read as it was written. A new
one is a row in ``points``; what a row means never changes, for its name is all that an old record says of it.
"""

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from brakewater.errors import StorageError
from brakewater.rig.model import SELF, AlarmRule, Point, Rig, Suppression, Table
from brakewater.rig.roles import ROLES
from brakewater.signals.convert import AnySignal, Bit, Direct, Register
from brakewater.signals.words import RegisterKind
from brakewater.stream import OwnLayout

_BEFORE: Final = (
    "self.lateness", "self.commit-age", "self.queued", "self.clock-step", "self.broker", "self.disk-used",
    "self.lamp-writes", "self.mirror.",
)  # fmt: skip
"""How the names begin that a Start without a layout may mean: versions of before layouts were recorded had these."""


def points(mirrors: tuple[str, ...], *, broker: bool, lamp_writes: bool = False) -> tuple[Point, ...]:
    """Points of ``self`` for a rig with these links; addresses count up from 0 in its holding table.

    Lateness is in microseconds in the registers, ages in milliseconds, a clock step in milliseconds with sign, the
    share of the record's disk that is used in ten-thousandths.
    """
    rows: list[tuple[str, RegisterKind, AnySignal]] = [
        ("self.lateness", RegisterKind.UINT32, Direct(scale=1e-6)),
        ("self.commit-age", RegisterKind.UINT32, Direct(scale=1e-3)),
        ("self.queued", RegisterKind.UINT32, Direct()),
        ("self.clock-step", RegisterKind.INT32, Direct(scale=1e-3)),
    ]
    if broker:
        rows.append(("self.broker", RegisterKind.UINT16, Bit()))
    rows.append(("self.disk-used", RegisterKind.UINT16, Direct(scale=1e-4)))
    rows += [(f"self.mirror.{name}", RegisterKind.UINT32, Direct(scale=1e-3)) for name in mirrors]
    if lamp_writes:
        rows.append(("self.lamp-writes", RegisterKind.UINT16, Bit()))
    return _placed(rows)


def as_recorded(rig: Rig, layout: OwnLayout | None) -> Rig:
    """The rig with the daemon's own points as they stand in a run's scans.

    Alarms on own points that the run does not have are left out, as in the version that recorded it. A point that only
    a later version knows is a bare number.

    Args:
        rig: as this version makes it of its file.
        layout: of the run's Start; None: recorded before layouts were.

    Raises:
        StorageError: the layout names a data type that this version does not have.
    """
    known = {point.name: point.signal for point in rig.points if point.device == SELF}
    if layout is None:
        layout = tuple((name, kind) for name, kind in rig.own if name.startswith(_BEFORE))
    if layout == rig.own:
        return rig
    own = _placed((name, _kind(name, kind), known.get(name, Direct())) for name, kind in layout)
    alarms = tuple(rule for rule in rig.alarms if _has(own, rule))
    return replace(
        rig,
        points=(*(point for point in rig.points if point.device != SELF), *own),
        alarms=alarms,
        suppressions=_of(rig.suppressions, {rule.key for rule in alarms}),
    )


def _placed(rows: Iterable[tuple[str, RegisterKind, AnySignal]]) -> tuple[Point, ...]:
    made, address = [], 0
    for name, kind, signal in rows:
        register = Register(kind=kind)
        point = Point(
            name=name, role=name, brake=None, device=SELF, table=Table.HOLDING, address=address, register=register,
            signal=signal,
        )  # fmt: skip
        made.append(point)
        address += point.count
    return tuple(made)


def _kind(name: str, kind: str) -> RegisterKind:
    try:
        return RegisterKind(kind)
    except ValueError as error:
        kinds = ", ".join(one.value for one in RegisterKind)
        raise StorageError(f"own point {name}: found data type {kind!r}; allowed: {kinds}") from error


def _has(own: tuple[Point, ...], rule: AlarmRule) -> bool:
    quantity = rule.kind.quantity
    if quantity in ROLES or not quantity.startswith(f"{SELF}."):
        return True
    return (f"{quantity}.{rule.subject}" if rule.subject else quantity) in {point.name for point in own}


def _of(suppressions: tuple[Suppression, ...], keys: set[str]) -> tuple[Suppression, ...]:
    kept = (replace(one, alarms=tuple(key for key in one.alarms if key in keys)) for one in suppressions)
    return tuple(one for one in kept if one.alarms)
