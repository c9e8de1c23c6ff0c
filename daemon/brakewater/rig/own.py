"""The daemon's own points: the device ``self``, polled into every scan like any other.

Their layout stands in every ``Start``, as later versions have more of them: a record is read as it was written. A new
one is a row in ``points``; what a row means never changes, for its name is all that an old record says of it.
"""

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from brakewater.errors import StorageError
from brakewater.rig.model import SELF, AlarmRule, Point, Rig, Suppression
from brakewater.rig.roles import ROLES
from brakewater.rig.tables import Table
from brakewater.signals.convert import AnySignal, Bit, Direct, Register
from brakewater.signals.words import RegisterKind
from brakewater.stream import OwnLayout

_BEFORE: Final = (
    "self.lateness", "self.commit-age", "self.queued", "self.clock-step", "self.broker", "self.disk-used",
    "self.lamp-writes", "self.mirror.",
)  # fmt: skip
"""How the names begin that a Start without a layout may mean: versions of before layouts were recorded had these."""
_PARTS: Final = 3
"""Numbers in a version's name."""
_LATER: Final = ((), ("self.disk-used",), ("self.disk-used", "self.lamp-writes"))
"""Which of them the last of those versions had, and what ever earlier ones did not have yet."""


CLOCK_STEP: Final = "self.clock-step"
FAR_S: Final = 2**31 // 1000
"""Where the register of a clock step ends: a clock that was years off is shown as so much, whichever way."""


def points(
    mirrors: tuple[str, ...], *, broker: bool, lamp_writes: bool = False, panel: bool = False, battery: bool = False
) -> tuple[Point, ...]:
    """Points of ``self`` for a rig with these links; addresses count up from 0 in its holding table.

    Lateness is in microseconds in the registers, ages in milliseconds, a clock step in milliseconds with sign, the
    share of the record's disk that is used in ten-thousandths; restarts are those of the last ten minutes.
    """
    rows: list[tuple[str, RegisterKind, AnySignal]] = [
        ("self.lateness", RegisterKind.UINT32, Direct(scale=1e-6)),
        ("self.commit-age", RegisterKind.UINT32, Direct(scale=1e-3)),
        ("self.queued", RegisterKind.UINT32, Direct()),
        (CLOCK_STEP, RegisterKind.INT32, Direct(scale=1e-3)),
    ]
    if broker:
        rows.append(("self.broker", RegisterKind.UINT16, Bit()))
    rows.append(("self.disk-used", RegisterKind.UINT16, Direct(scale=1e-4)))
    rows += [(f"self.mirror.{name}", RegisterKind.UINT32, Direct(scale=1e-3)) for name in mirrors]
    if lamp_writes:
        rows.append(("self.lamp-writes", RegisterKind.UINT16, Bit()))
    rows.append(("self.restarts", RegisterKind.UINT16, Direct()))
    if panel:
        rows.append(("self.panel", RegisterKind.UINT16, Bit()))
    if battery:
        rows.append(("self.mains", RegisterKind.UINT16, Bit()))
    return _placed(rows)


def layout_before(rig: Rig, words: int, points: int) -> OwnLayout | None:
    """The layout that a version of before layouts were recorded must have had, as its scans are so wide.

    None where no such version wrote scans of that width with this rig file.

    Args:
        rig: as this version makes it of the run's file.
        words: in a scan.
        points: in a scan.
    """
    had = [(name, kind) for name, kind in rig.own if name.startswith(_BEFORE)]
    for later in _LATER:
        layout = tuple(one for one in had if one[0] not in later)
        then = _with_own(rig, layout)
        if (then.words, len(then.points)) == (words, points):
            return layout
    return None


def as_recorded(
    rig: Rig, layout: OwnLayout | None, alarms: tuple[str, ...] | None = None, version: str | None = None
) -> Rig:
    """The rig with the daemon's own points as they stand in a run's scans, the alarms that there were, and the version.

    Alarms on own points that the run does not have, and those that the version which recorded it did not watch, are
    left out. A point that only a later version knows is a bare number.

    Args:
        rig: as this version makes it of its file.
        layout: of the run's Start; None: recorded before layouts were.
        alarms: keys of those watched then; None: whatever this version watches.
        version: that recorded the run, ``0.2.0``; anything else, or None: the engine does as today's.

    Raises:
        StorageError: the layout names a data type that this version does not have.
    """
    if layout is None:
        layout = tuple((name, kind) for name, kind in rig.own if name.startswith(_BEFORE))
    then = rig if layout == rig.own else _with_own(rig, layout)
    watched = None if alarms is None else frozenset(alarms)
    rules = tuple(rule for rule in rig.alarms if _has(then.points, rule) and (watched is None or rule.key in watched))
    recorded_by = version_of(version)
    if recorded_by is not None:
        then = replace(then, recorded_by=recorded_by)
    if len(rules) == len(rig.alarms):
        return then
    return replace(then, alarms=rules, suppressions=_of(rig.suppressions, {rule.key for rule in rules}))


def version_of(text: str | None) -> tuple[int, ...] | None:
    """``0.2.0`` as numbers; None for what is no released version's name."""
    parts = (text or "").split(".")
    return tuple(map(int, parts)) if len(parts) == _PARTS and all(map(str.isdecimal, parts)) else None


def _with_own(rig: Rig, layout: OwnLayout) -> Rig:
    known = {point.name: point.signal for point in rig.points if point.device == SELF}
    own = _placed((name, _kind(name, kind), known.get(name, Direct())) for name, kind in layout)
    return replace(rig, points=(*(point for point in rig.points if point.device != SELF), *own))


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


def _has(points: tuple[Point, ...], rule: AlarmRule) -> bool:
    quantity = rule.kind.quantity
    if quantity in ROLES or not quantity.startswith(f"{SELF}."):
        return True
    return (f"{quantity}.{rule.subject}" if rule.subject else quantity) in {point.name for point in points}


def _of(suppressions: tuple[Suppression, ...], keys: set[str]) -> tuple[Suppression, ...]:
    kept = (replace(one, alarms=tuple(key for key in one.alarms if key in keys)) for one in suppressions)
    return tuple(one for one in kept if one.alarms)
