"""Line protocol of the time-series server: scans and events of one rig as lines of text.

    brakewater,rig=rig-4,brake=aux aux_flow_m3_s=0.0053,aux_flow_m3_s_q=0,heat_w_q=2,cooling_lost_state=0 1927938245...
    brakewater_event,rig=rig-4,brake=aux,alarm=cooling-lost state=1,priority=4,n=17i,run=3i,input=104233i 1927938245...

Every number but the three counters of an event is a float, so that no field ever changes its type. A bad value is not
sent as a number; its quality is: 0 good, 1 uncertain, 2 bad. What names a rig-wide quantity has ``brake=rig``.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from brakewater.alarms.lifecycle import State, shown_of
from brakewater.engine.derive import derived_of
from brakewater.quality import is_bad, is_good
from brakewater.rig import SELF, Point, Rig
from brakewater.rig.roles import ROLES
from brakewater.stream import TESTED, AlarmNow, Codes, Column, Event, Ints, Outcome
from brakewater.units import Dimension

STATES: Final = {
    State.NORMAL: 0,
    State.UNACKNOWLEDGED: 1,
    State.ACKNOWLEDGED: 2,
    State.RETURNED_UNACKNOWLEDGED: 3,
    State.LATCHED_UNACKNOWLEDGED: 4,
    State.LATCHED_ACKNOWLEDGED: 5,
    State.SHELVED: 6,
    State.SUPPRESSED: 7,
    State.OUT_OF_SERVICE: 8,
}
"""Numbers of alarm states outside; new ones are added at the end."""
PRIORITIES: Final = {"low": 1, "medium": 2, "high": 3, "critical": 4}
"""Numbers of priorities outside."""

_RIG_WIDE: Final = "rig"
_OWN_SECONDS: Final = ("self.lateness", "self.commit-age", "self.clock-step", "self.mirror.")
_NO_FIELD = re.compile(r"[^A-Za-z0-9_]")
_TAG_SPECIAL = re.compile(r"([,= \\])")

AlarmKey = tuple[str | None, str]
"""Brake and alarm."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Field:
    name: str
    of: str | tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Series:
    """All that goes into one line: one brake, or what is rig-wide."""

    head: str
    fields: tuple[_Field, ...]
    states: tuple[tuple[str, AlarmKey], ...]


def field_name(point: Point) -> str:
    """Name of a point outside: its own with its SI unit, for example ``aux_flow_m3_s``; a bare number has none."""
    plain = _NO_FIELD.sub("_", point.name)
    if point.device == SELF:
        return f"{plain}_s" if point.name.startswith(_OWN_SECONDS) else plain
    dimension = ROLES[point.role].dimension
    return plain if dimension is Dimension.NUMBER else f"{plain}_{dimension.value.lower().replace('/', '_')}"


def state_name(alarm: str) -> str:
    """Name of an alarm's state outside, for example ``cooling_lost_state``."""
    return f"{_NO_FIELD.sub('_', alarm)}_state"


class Lines:
    """Writes the lines of one rig."""

    def __init__(self, rig: Rig) -> None:
        self._rig = _tag(rig.name)
        self._series = [self._of(rig, brake) for brake in (None, *(brake.name for brake in rig.brakes))]

    def _of(self, rig: Rig, brake: str | None) -> _Series:
        taken: set[str] = set()
        # Names that others rely on come first; a point of an unlucky name gives way.
        fitted = [key for one in rig.brakes if one.name == brake for key in derived_of(rig, one)]
        derived = [_Field(name=_free(key, taken), of=(brake or "", key)) for key in fitted]
        alarms = [rule for rule in rig.alarms if rule.brake == brake]
        states = tuple((_free(state_name(rule.name), taken), (brake, rule.name)) for rule in alarms)
        points = [
            _Field(name=_free(field_name(point), taken), of=point.name) for point in rig.points if point.brake == brake
        ]
        head = f"brakewater,rig={self._rig},brake={_tag(brake or _RIG_WIDE)} "
        return _Series(head=head, fields=(*points, *derived), states=states)

    def scans(self, outcome: Outcome, at: Ints, utc_ns: Ints, numbers: Ints, before: Iterable[AlarmNow]) -> list[bytes]:
        """Lines of some scans of a block: one a scan and brake, and one rig-wide.

        Args:
            outcome: what the engine made of the block.
            at: [k] positions of the scans in the block.
            utc_ns: [k] their wall times.
            numbers: [k] their inputs.
            before: every alarm as it stood before the block.
        """
        states = _states(before, outcome.events, numbers)
        lines: list[bytes] = []
        for series in self._series:
            columns = [_numbers(field.name, _column(outcome, field.of), at) for field in series.fields]
            columns += [[f"{name}={code}" for code in states[key]] for name, key in series.states if key in states]
            if columns:
                rows = zip(zip(*columns, strict=True), utc_ns.tolist(), strict=True)
                lines += [f"{series.head}{','.join(row)} {ns}".encode() for row, ns in rows]
        return lines

    def event(self, event: Event, utc_ns: int) -> bytes:
        """Line of one event.

        Args:
            event: as recorded.
            utc_ns: its wall time.
        """
        tags = f"rig={self._rig},brake={_tag(event.brake or _RIG_WIDE)},alarm={_tag(event.alarm)}"
        fields = [f"state={STATES[shown_of(event.now)]}", f"priority={PRIORITIES.get(event.priority, 0)}"]
        if event.value is not None:
            fields.append(f"value={float(event.value)!r}")
        if event.why == TESTED:
            fields.append("test=1")
        fields += [f"n={event.n}i", f"run={event.run}i", f"input={event.input}i"]
        return f"brakewater_event,{tags} {','.join(fields)} {utc_ns}".encode()


def _tag(text: str) -> str:
    return _TAG_SPECIAL.sub(r"\\\1", text)


def _free(name: str, taken: set[str]) -> str:
    while not taken.isdisjoint((name, f"{name}_q")):
        name = f"point_{name}"
    taken.update((name, f"{name}_q"))
    return name


def _column(outcome: Outcome, of: str | tuple[str, str]) -> Column:
    return outcome.readings[of] if isinstance(of, str) else outcome.derived[of]


def _numbers(name: str, column: Column, at: Ints) -> list[str]:
    values, codes = column.values[at], column.codes[at]
    grades = np.where(np.isfinite(values), _grades(codes), 2).tolist()
    return [
        f"{name}_q=2" if grade == 2 else f"{name}={value!r},{name}_q={grade}"
        for value, grade in zip(values.tolist(), grades, strict=True)
    ]


def _grades(codes: Codes) -> Ints:
    return np.where(is_bad(codes), 2, np.where(is_good(codes), 0, 1))


def _states(before: Iterable[AlarmNow], events: Sequence[Event], numbers: Ints) -> dict[AlarmKey, list[int]]:
    """Number of every alarm's state after each of some scans."""
    found = {(one.brake, one.alarm): np.full(len(numbers), STATES[shown_of(one.state)], np.int64) for one in before}
    for event in events:
        column = found.get((event.brake, event.alarm))
        if column is not None:
            column[numbers >= event.input] = STATES[shown_of(event.now)]
    return {key: column.tolist() for key, column in found.items()}
