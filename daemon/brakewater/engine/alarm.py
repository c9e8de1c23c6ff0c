"""The alarms as the engine carries them: condition, life cycle, first-out, and the events they make."""

import hashlib
from dataclasses import dataclass, field
from typing import Any

from brakewater.alarms.condition import Delays, Memory
from brakewater.alarms.lifecycle import UNSEEN, State, Trigger, step
from brakewater.engine.trial import Trial, restored
from brakewater.quality import Quality, Reason, quality
from brakewater.rig import AlarmRule, Rig
from brakewater.stream import TESTED, AlarmNow, Event

Seen = tuple[float, int]
"""A value and its reason code."""


def definition(rig: Rig, rule: AlarmRule) -> str:
    """Hash of all that an alarm's history depends on."""
    point = next((point for point in rig.points if point.name == rule.subject), None)
    parts = (
        rule.key,
        rule.kind.shape.value,
        rule.kind.quantity,
        rule.setpoint,
        rule.deadband,
        rule.on_ns,
        rule.off_ns,
        rule.unknown_ns,
        rule.latching,
        point and point.definition,
    )
    return hashlib.sha256(repr(parts).encode()).hexdigest()[:16]


@dataclass(slots=True, kw_only=True)
class Alarm:
    """One alarm of the rig."""

    rule: AlarmRule
    definition: str
    delays: Delays
    memory: Memory = field(default_factory=Memory)
    state: State = State.NORMAL
    since_utc_ns: int = 0
    """When its condition came or, in the normal state, was over; an acknowledgement does not move it."""
    seen: Seen = (0.0, int(Reason.UNKNOWN))
    first_out: bool = False
    trial: Trial | None = None
    """The test it is under."""

    def now(self) -> AlarmNow:
        """As it stands, for the picture."""
        return AlarmNow(
            brake=self.rule.brake,
            alarm=self.rule.name,
            state=self.state.value,
            priority=self.rule.priority,
            since_utc_ns=self.since_utc_ns,
            value=value_of(self.rule, self.seen),
            reason=self.seen[1],
            setpoint=self.rule.setpoint,
            first_out=self.first_out,
            test=None if self.trial is None else self.trial.shown,
        )

    def kept(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "definition": self.definition,
            "raised": self.memory.raised,
            "since": _text(self.memory.since_ns),
            "blind": _text(self.memory.blind_ns),
            "state": self.state.value,
            "utc": str(self.since_utc_ns),
            "seen": list(self.seen),
            "first": self.first_out,
            "value": value_of(self.rule, self.seen),
            "setpoint": self.rule.setpoint,
            "priority": self.rule.priority,
            **({"test": self.trial.kept()} if self.trial else {}),
        }

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot made under the same definition.

        What went on between is unknown, so an off-delay begins anew; an on-delay goes on through the unknown.
        """
        since = None if kept["raised"] else _number(kept["since"])
        self.memory = Memory(raised=kept["raised"], since_ns=since, blind_ns=_number(kept["blind"]))
        self.state = State(kept["state"])
        self.since_utc_ns = int(kept["utc"])
        self.seen = (float(kept["seen"][0]), int(kept["seen"][1]))
        self.first_out = kept["first"]
        self.trial = restored(kept["test"]) if "test" in kept else None


def _text(number: int | None) -> str | None:
    return None if number is None else str(number)


def _number(text: str | None) -> int | None:
    return None if text is None else int(text)


def value_of(rule: AlarmRule, seen: Seen) -> float | None:
    """The value an event carries: none where it means nothing."""
    value, code = seen
    return value if rule.kind.quantity and quality(code) is not Quality.BAD else None


def alarms_of(rig: Rig) -> list[Alarm]:
    """Every alarm of a rig, in its first state."""
    return [
        Alarm(
            rule=rule,
            definition=definition(rig, rule),
            delays=Delays(on_ns=rule.on_ns, off_ns=rule.off_ns, unknown_ns=rule.unknown_ns),
        )
        for rule in rig.alarms
    ]


def _first_out(alarms: list[Alarm], alarm: Alarm) -> bool:
    """Whether a rising alarm is the first of its brake that nobody has seen; one that comes back stays the first.

    A test is never the first, and takes that from nobody.
    """
    if alarm.trial is not None:
        return False
    if alarm.first_out and alarm.state in UNSEEN:
        return True
    return not any(
        other.state in UNSEEN and other.trial is None
        for other in alarms
        if other.rule.brake == alarm.rule.brake and other is not alarm
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """Where in the stream something happens."""

    run: int
    input: int
    utc_ns: int


@dataclass(slots=True, kw_only=True)
class Ledger:
    """Counts the events of a run and writes them."""

    rig: str
    count: int = 0

    def move(self, alarms: list[Alarm], alarm: Alarm, trigger: Trigger, moment: Moment, **said: Any) -> Event | None:
        """Move one alarm by a trigger; None where its state has no row for it.

        Args:
            alarms: all alarms, to tell whether this is the first out of its group.
            alarm: the one to move.
            trigger: what happened.
            moment: where in the stream.
            said: ``why`` and ``actor`` of the event.
        """
        new = step(alarm.state, trigger, latching=alarm.rule.latching)
        if new is None:
            return None
        if trigger is Trigger.RAISE:
            alarm.first_out = _first_out(alarms, alarm)
        event = self.write(alarm, new, moment, **said)
        if new is State.NORMAL:
            alarm.first_out = False
        return event

    def end_trial(self, alarm: Alarm, moment: Moment, actor: str | None = None) -> list[Event]:
        """The test of an alarm is over; no event where it had not raised it yet."""
        events = (
            [] if alarm.state is State.NORMAL else [self.write(alarm, State.NORMAL, moment, why=TESTED, actor=actor)]
        )
        alarm.trial = None
        return events

    def write(self, alarm: Alarm, new: State, moment: Moment, *, why: str, actor: str | None = None) -> Event:
        """Put an alarm into a state and write the event that says so; whatever happens to one under test is a test."""
        self.count += 1
        rule = alarm.rule
        event = Event(
            run=moment.run,
            input=moment.input,
            n=self.count,
            utc_ns=moment.utc_ns,
            rig=self.rig,
            brake=rule.brake,
            alarm=rule.name,
            was=alarm.state.value,
            now=new.value,
            priority=rule.priority,
            value=value_of(rule, alarm.seen),
            reason=alarm.seen[1],
            setpoint=rule.setpoint,
            why=why if alarm.trial is None else TESTED,
            actor=actor,
            first_out=alarm.first_out,
        )
        alarm.state = new
        if new in (State.UNACKNOWLEDGED, State.NORMAL):
            alarm.since_utc_ns = moment.utc_ns
        return event

    def close(self, key: str, kept: dict[str, Any], moment: Moment) -> Event:
        """The event that ends an alarm which is gone from the rig, or is another one now: from its snapshot alone."""
        self.count += 1
        brake, name = key.split(".", 1)
        return Event(
            run=moment.run,
            input=moment.input,
            n=self.count,
            utc_ns=moment.utc_ns,
            rig=self.rig,
            brake=None if brake == "rig" else brake,
            alarm=name,
            was=kept["state"],
            now=State.NORMAL.value,
            priority=kept["priority"],
            value=kept["value"],
            reason=int(kept["seen"][1]),
            setpoint=kept["setpoint"],
            why="changed",
            actor=None,
            first_out=kept["first"],
        )
