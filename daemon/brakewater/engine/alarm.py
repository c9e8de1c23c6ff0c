"""The alarms as the engine carries them: condition, life cycle, first-out, and the events they make."""

import hashlib
from dataclasses import dataclass, field
from typing import Any, Final

from brakewater.alarms.catalogue import BOOKED, CHATTER_NS, CHATTER_RISES, Priority, Scope
from brakewater.alarms.condition import Delays, Fill, Memory, chatters
from brakewater.alarms.grouping import BY_UNKNOWN, depth, leaders
from brakewater.alarms.lifecycle import ACTIVE, LAID_ON, MASKS, UNSEEN, Standing, State, Trigger, step
from brakewater.alarms.practice import Practice
from brakewater.engine.flood import Flood
from brakewater.engine.trial import Trial, restored
from brakewater.quality import Pair, Quality, Reason, quality
from brakewater.rig import AlarmRule, Rig
from brakewater.rig.roles import ROLES
from brakewater.stream import TESTED, AlarmNow, Command, Event, MaskNow

SETTLES_NS: Final = 2_000_000_000
"""What a loop or a device shows in its first moments back is not believed to be real for so long; an assumption."""
_DRAINS: Final = 2
"""What fails for more than a third of the time is told of in the end, lone lost replies are not; an assumption."""
_NEXT_SCAN_NS: Final = 1
"""An on-delay that any later scan ends."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """A mask that lies on an alarm."""

    now: MaskNow
    until_ns: int | None
    """Steady time at which it goes by itself."""

    def kept(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "actor": self.now.actor,
            "reason": self.now.reason,
            "since": str(self.now.since_utc_ns),
            "until-utc": _text(self.now.until_utc_ns),
            "until": _text(self.until_ns),
        }


def laid_of(mask: str, kept: dict[str, Any]) -> Laid:
    """From a snapshot."""
    now = MaskNow(
        mask=mask,
        actor=kept["actor"],
        reason=kept["reason"],
        since_utc_ns=int(kept["since"]),
        until_utc_ns=_number(kept["until-utc"]),
    )
    return Laid(now=now, until_ns=_number(kept["until"]))


@dataclass(slots=True, kw_only=True)
class Alarm:
    """One alarm of the rig."""

    rule: AlarmRule
    definition: str
    scan_ns: int
    delays: Delays
    practice: Practice = field(default_factory=Practice)
    """Of the version that carries the run out."""
    devices: frozenset[str] = frozenset()
    """Those that measure what it looks at: silent or stuck, they are why it is unknown."""
    memory: Memory = field(default_factory=Memory)
    standing: Standing = field(default_factory=Standing)
    since_utc_ns: int = 0
    """When its condition came, was over (normal), or a mask was laid on; an acknowledgement does not move it."""
    seen: Pair = (0.0, int(Reason.UNKNOWN))
    first_out: bool = False
    trial: Trial | None = None
    """The test it is under."""
    cause: str | None = None
    silenced: bool = False
    laid: dict[State, Laid] = field(default_factory=dict)
    realarm_ns: int | None = None
    """Steady time at which it asks for attention again."""
    by_hand: bool = False
    """It came because a point is held by hand; acknowledged as such it is recalled, should it outlive that."""
    recall_ns: int | None = None
    """Steady time at which it is."""

    @property
    def state(self) -> State:
        """What it shows."""
        return self.standing.shown

    def follow(self, rule: AlarmRule) -> None:
        """Go on under changed settings; what runs and stands stays as it is."""
        self.rule, self.delays = rule, delays_of(rule, self.scan_ns, self.practice)

    def now(self) -> AlarmNow:
        """As it stands, for the picture."""
        return AlarmNow(
            brake=self.rule.brake,
            alarm=self.rule.name,
            state=self.standing.text,
            priority=self.rule.priority,
            since_utc_ns=self.since_utc_ns,
            value=value_of(self.rule, self.seen),
            reason=self.seen[1],
            setpoint=self.rule.setpoint,
            first_out=self.first_out,
            test=None if self.trial is None else self.trial.shown,
            active=self.standing.active,
            cause=self.cause,
            silenced=self.silenced,
            chattering=self.memory.raised and chatters(self.delays, self.memory),
            masks=tuple(self.laid[mask].now for mask in self.standing.masks),
        )

    def kept(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "definition": self.definition,
            "raised": self.memory.raised,
            "since": _text(self.memory.since_ns),
            "blind": _text(self.memory.blind_ns),
            "rose": [str(t_ns) for t_ns in self.memory.rose_ns],
            **({"unmeasured": True} if self.memory.unmeasured else {}),
            **({"fill": _kept_fill(self.memory.fill)} if self.memory.fill else {}),
            "state": self.standing.text,
            "core": self.standing.core.value,
            "masks": {mask.value: self.laid[mask].kept() for mask in self.standing.masks},
            "utc": str(self.since_utc_ns),
            "seen": list(self.seen),
            "first": self.first_out,
            "cause": self.cause,
            "silenced": self.silenced,
            "re-alarm": _text(self.realarm_ns),
            "value": value_of(self.rule, self.seen),
            "setpoint": self.rule.setpoint,
            "priority": self.rule.priority,
            **({"test": self.trial.kept()} if self.trial else {}),
            **({"by-hand": True, "recall": _text(self.recall_ns)} if self.by_hand else {}),
        }

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot made under the same definition.

        What went on between is unknown, so an off-delay begins anew, and so does how long a value has been measured;
        an on-delay goes on through the unknown.
        """
        since = None if kept["raised"] else _number(kept["since"])
        rose = tuple(int(text) for text in kept.get("rose", ()))
        blind = _number(kept["blind"])
        unmeasured = kept.get("unmeasured", False)
        fill = _fill_of(kept["fill"]) if "fill" in kept else None
        self.memory = Memory(
            raised=kept["raised"], since_ns=since, blind_ns=blind, rose_ns=rose, unmeasured=unmeasured, fill=fill
        )
        masks = {mask: kept["masks"][mask] for mask in MASKS if mask in kept.get("masks", {})}
        self.laid = {mask: laid_of(mask.value, found) for mask, found in masks.items()}
        self.standing = Standing(State(kept.get("core", kept["state"])), tuple(self.laid))
        self.since_utc_ns = int(kept["utc"])
        self.seen = (float(kept["seen"][0]), int(kept["seen"][1]))
        self.first_out = kept["first"]
        self.trial = restored(kept["test"]) if "test" in kept else None
        self.cause, self.silenced = kept.get("cause"), kept.get("silenced", False)
        self.realarm_ns = _number(kept.get("re-alarm"))
        self.by_hand, self.recall_ns = kept.get("by-hand", False), _number(kept.get("recall"))


def _kept_fill(fill: Fill) -> dict[str, Any]:
    return {"level": str(fill.level), "t": str(fill.t_ns), "grows": fill.grows}


def _fill_of(kept: dict[str, Any]) -> Fill:
    return Fill(int(kept["level"]), int(kept["t"]), grows=kept["grows"])


def _text(number: int | None) -> str | None:
    return None if number is None else str(number)


def _number(text: str | None) -> int | None:
    return None if text is None else int(text)


def value_of(rule: AlarmRule, seen: Pair) -> float | None:
    """The value an event carries: none where it means nothing."""
    value, code = seen
    return value if rule.kind.quantity and quality(code) is not Quality.BAD else None


def delays_of(rule: AlarmRule, scan_ns: int, practice: Practice) -> Delays:
    """The times of a rule's condition.

    An on-delay of half a scan at most asks for a second scan: it is over with the next one, however closely that
    follows a scan that came late.
    """
    on_ns = min(rule.on_ns, _NEXT_SCAN_NS) if 2 * rule.on_ns <= scan_ns else rule.on_ns
    return Delays(
        on_ns=on_ns,
        off_ns=rule.off_ns,
        unknown_ns=rule.unknown_ns,
        measured_ns=rule.off_ns + SETTLES_NS if rule.unknown_ns is not None and practice.tells_measured else None,
        calm_ns=CHATTER_NS,
        rises=CHATTER_RISES,
        drains=_DRAINS if practice.sums_times and rule.kind.sums_times else None,
    )


def alarms_of(rig: Rig) -> list[Alarm]:
    """Every alarm of a rig, in its first state."""
    return [
        Alarm(
            rule=rule,
            definition=definition(rig, rule),
            scan_ns=rig.scan_ns,
            delays=delays_of(rule, rig.scan_ns, rig.practice),
            practice=rig.practice,
            devices=_devices(rig, rule),
        )
        for rule in rig.alarms
    ]


def _devices(rig: Rig, rule: AlarmRule) -> frozenset[str]:
    role = _BLIND_WITHOUT.get(rule.kind.quantity, rule.kind.quantity)
    points = rig.all_of_role(role, rule.brake) if role in ROLES else ()
    return frozenset(point.device for point in points)


_BLIND_WITHOUT: Final = {"rotor_temperature_degc": "inlet-flow"}
"""Derived quantity -> the role without which its alarm must take the worst to be so."""


def _first_out(alarms: list[Alarm], alarm: Alarm) -> bool:
    """Whether a rising alarm is the first of its brake and group that nobody has seen; one back again stays the first.

    What follows from another alarm is no first. A test is never the first, and takes that from nobody.
    """
    if alarm.trial is not None:
        return False
    if alarm.first_out and alarm.state in UNSEEN:
        return True
    group = alarm.rule.brake, alarm.rule.kind.group
    return alarm.cause is None and not any(
        other.state in UNSEEN and other.trial is None
        for other in alarms
        if (other.rule.brake, other.rule.kind.group) == group and other is not alarm
    )


def _leader(alarms: list[Alarm], alarm: Alarm, *, unknown: bool) -> Alarm | None:
    """The standing alarm that a rising one follows from, its own cause where that is known; None: it leads."""
    name = alarm.rule.kind.name
    may_lead = leaders(name) + alarm.practice.leads_too.get(name, ())
    kinds = [kind for kind in may_lead if unknown or kind not in BY_UNKNOWN]
    found = [
        other
        for other in alarms
        if other.rule.kind.name in kinds
        and other.state in ACTIVE
        and other.trial is None
        and (other.rule.brake is None or alarm.rule.brake in (None, other.rule.brake))
        and (other.rule.kind.scope is not Scope.DEVICE or other.rule.subject in alarm.devices)
    ]
    found.sort(key=lambda other: kinds.index(other.rule.kind.name))
    return found[0] if found else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """Where in the stream something happens."""

    run: int
    input: int
    t_ns: int
    utc_ns: int


def moment_of(command: Command) -> Moment:
    """Of a command."""
    return Moment(run=command.run, input=command.input, t_ns=command.t_ns, utc_ns=command.utc_ns)


@dataclass(slots=True, kw_only=True)
class Ledger:
    """Counts the events of a run and writes them."""

    rig: str
    count: int = 0
    flood: Flood = field(default_factory=Flood)

    def move(self, alarms: list[Alarm], alarm: Alarm, trigger: Trigger, moment: Moment, **said: Any) -> Event | None:
        """Move one alarm by a trigger; None where its state has no row for it.

        Args:
            alarms: all alarms, to tell whether this is the first out of its group and what it follows from.
            alarm: the one to move.
            trigger: what happened.
            moment: where in the stream.
            said: ``why``, ``actor`` and ``note`` of the event.
        """
        new = step(alarm.standing, trigger, latching=alarm.rule.latching)
        if new is None:
            return None
        if new.shown is State.UNACKNOWLEDGED:
            self._announce(alarms, alarm, moment, unknown=said["why"] == "unknown")
        if new.shown is State.LATCHED_ACKNOWLEDGED:
            alarm.silenced = False  # what rings back is another sound than the one that was silenced
        for mask in set(alarm.laid) - set(new.masks):
            del alarm.laid[mask]
        seen_again = new.shown is State.ACKNOWLEDGED and alarm.trial is None and bool(alarm.rule.realarm_ns)
        alarm.realarm_ns = moment.t_ns + (alarm.rule.realarm_ns or 0) if seen_again else None
        alarm.recall_ns = None
        alarm.by_hand = alarm.by_hand and new.shown is not State.NORMAL
        ends = alarm.standing.active and not new.active
        event = self.write(alarm, new, moment, **said)
        if ends and alarm.practice.frees_followers:
            self._free(alarms, alarm)
        came = new.shown is State.UNACKNOWLEDGED and trigger is not Trigger.RE_ALARM
        if came or new.shown is State.NORMAL or trigger in LAID_ON:
            alarm.since_utc_ns = moment.utc_ns
        if not new.active or new.masks:
            alarm.cause = None
        if new.shown is State.NORMAL or new.masks:
            alarm.first_out = False
        return event

    def end_trial(self, alarm: Alarm, moment: Moment, actor: str | None = None) -> list[Event]:
        """The test of an alarm is over; no event where it had not raised it yet."""
        events = []
        if alarm.state is not State.NORMAL:
            events.append(self.write(alarm, Standing(), moment, why=TESTED, actor=actor))
            alarm.since_utc_ns, alarm.realarm_ns = moment.utc_ns, None
        alarm.trial = None
        return events

    def _announce(self, alarms: list[Alarm], alarm: Alarm, moment: Moment, *, unknown: bool) -> None:
        """What it follows from, whether it is the first, and whether it sounds."""
        if alarm.trial is not None:
            alarm.cause, alarm.first_out, alarm.silenced = None, False, False
            return
        leader = self._lead(alarms, alarm, unknown=unknown)
        alarm.first_out = _first_out(alarms, alarm)
        flooded = self.flood.rise(moment.t_ns) and alarm.rule.priority == Priority.LOW
        # What the mechanic's book says is work for another day: it never sounds beside what the driller must hear.
        booked = alarm.rule.kind.group == BOOKED
        heard = leader is not None and _as_urgent(leader, alarm) and _quiet(leader)
        alarm.silenced = booked or flooded or (heard and alarm.rule.kind.name not in alarm.practice.escalates)

    def _lead(self, alarms: list[Alarm], alarm: Alarm, *, unknown: bool) -> Alarm | None:
        """Find and note what it follows from."""
        leader = _leader(alarms, alarm, unknown=unknown)
        alarm.cause = None if leader is None else leader.cause or leader.rule.key
        return leader

    def _free(self, alarms: list[Alarm], ended: Alarm) -> None:
        """Nothing follows any more from what is over; what else it follows from is looked for, near ones first."""
        followers = [one for one in alarms if one.cause == ended.rule.key and one.standing.active]
        for one in followers:
            one.cause = None
        for one in sorted(followers, key=lambda one: depth(one.rule.kind.name)):
            self._lead(alarms, one, unknown=one.memory.unmeasured)

    def measured(self, alarms: list[Alarm], alarm: Alarm, moment: Moment) -> Event | None:
        """What came as unknown is measured now: whoever has seen the one has not seen the other.

        One that nobody has seen yet goes on as it is, with the cause that it has now.
        """
        if alarm.state is State.UNACKNOWLEDGED:
            self._lead(alarms, alarm, unknown=False)
        return self.move(alarms, alarm, Trigger.RE_ALARM, moment, why="re-alarm")

    def write(
        self,
        alarm: Alarm,
        new: Standing,
        moment: Moment,
        *,
        why: str,
        actor: str | None = None,
        note: str | None = None,
    ) -> Event:
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
            was=alarm.standing.text,
            now=new.text,
            priority=rule.priority,
            value=value_of(rule, alarm.seen),
            reason=alarm.seen[1],
            setpoint=rule.setpoint,
            why=why if alarm.trial is None else TESTED,
            actor=actor,
            first_out=alarm.first_out,
            active=new.active,
            cause=alarm.cause,
            note=note,
        )
        alarm.standing = new
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


def _as_urgent(leader: Alarm, alarm: Alarm) -> bool:
    order = list(Priority)
    return order.index(Priority(leader.rule.priority)) <= order.index(Priority(alarm.rule.priority))


def _quiet(leader: Alarm) -> bool:
    """Nobody needs to hear of it again: silenced, or seen."""
    return leader.silenced or leader.state not in UNSEEN
