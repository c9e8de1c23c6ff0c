"""Which alarms were tripped through to lamp and horn, computed from the record: the last test of each counts.

Tripped alone proves nothing: somebody must have seen the lamp and heard the horn, and said so by acknowledging the
alarm while it was under test; a horn that sounded already proves nothing either. A proof stands for the alarm as it was
defined then, setpoint, delays and signal, for the lamps that show it, and for where PLCs and topics have them; a change
of any of these voids it.
"""

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from brakewater.alarms.annunciator import Seen, Sound, horn
from brakewater.alarms.catalogue import BOOKED, CATALOGUE
from brakewater.alarms.lifecycle import UNSEEN, State, shown_of
from brakewater.engine.alarm import definition
from brakewater.errors import DamagedRecordError, RigFileError
from brakewater.record.reader import Record
from brakewater.review.proofs import note_damage, said
from brakewater.rig import AlarmRule, Rig, parse
from brakewater.stream import TESTED, Event, Start
from brakewater.units import utc_text


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmProof:
    """How an alarm stands."""

    alarm: str
    """With its brake, ``aux.cooling-lost``."""
    status: Literal["proved", "unseen", "unheard", "void", "never"]
    tripped: str | None = None
    """When its last test raised it, UTC."""
    void_since: str | None = None
    """When a changed definition was first watched, UTC; None where it stands only in the rig file so far."""
    by: str | None = None
    """Who tripped it."""
    seen_by: str | None = None
    """Who acknowledged it while it was under test."""

    @property
    def says(self) -> str:
        """For people."""
        day = _day(self.tripped)
        match self.status:
            case "proved":
                return f"tripped and seen on {day}"
            case "unseen":
                return f"tripped on {day}, but nobody acknowledged it"
            case "unheard":
                return f"tripped on {day}, but the horn sounded already: test it again"
            case "void":
                return f"void since {_day(self.void_since) or 'this rig file'} (tripped on {day})"
            case "never":
                return "never"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trip:
    definition: str
    at: str
    by: str | None
    heard: bool = True
    """The horn was silent before it came."""
    seen_by: str | None = None
    void_since: str | None = None


def _day(t: str | None) -> str:
    return (t or "")[:16].replace("T", " ")


def alarm_hashes(rig: Rig) -> dict[str, str]:
    """Alarm -> what a proof of it stands for."""
    return {rule.key: _hash(rig, rule) for rule in rig.alarms}


def _hash(rig: Rig, rule: AlarmRule) -> str:
    by_place = rig.registers is not None or bool(rig.mailboxes)  # there a lamp has no name, only a register
    lamps = [
        [one.name, one.colour, one.sequence, rig.windows.index(one.name) if by_place else None]
        for one in rig.lamps
        if {rule.name, rule.kind.name} & set(one.alarms)
    ]
    return hashlib.sha256(json.dumps([definition(rig, rule), lamps, _ways_out(rig)]).encode()).hexdigest()[:16]


def _ways_out(rig: Rig) -> list[object]:
    """By which a lamp or the horn hears of an alarm."""
    devices = {device.name: device for device in rig.devices}
    mailboxes = [[devices[one.device].line, devices[one.device].unit, one.address] for one in rig.mailboxes]
    outstation = None if rig.registers is None else [rig.registers.port, rig.registers.unit]
    return [mailboxes, outstation, None if rig.mqtt is None else rig.root]


def alarm_proofs(rig: Rig, folder: Path, damage: list[str] | None = None) -> list[AlarmProof]:
    """How every alarm of a rig stands, in its order; all ``never`` where there is no record.

    Args:
        rig: whose alarms.
        folder: of the record.
        damage: gets what could not be read, a newer test perhaps; None: that is an error.

    Raises:
        StorageError: the record cannot be read.
    """
    trips: dict[str, _Trip] = {}
    for start, tests in _runs(folder, _Horn(rig), damage):
        if trips or tests:
            _watch(start, tests, trips)
    return [_proof(key, trips.get(key), now) for key, now in alarm_hashes(rig).items()]


class _Horn:
    """What sounds, as the events before tell.

    Where they do not tell why an alarm made no sound (a flood, a leader that was seen), it counts as sounding: a test
    too many does no harm.
    """

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._heard: dict[str, tuple[str, Seen]] = {}

    def silent_but_for(self, event: Event) -> bool:
        """Whether nothing else than an event's alarm sounds; the event is heard."""
        key, moved = event.key, event.was != event.now
        before = self._heard.pop(key, None)
        rest = horn(
            (sequence, seen) for name, seen in self._heard.values() for sequence in self._rig.sequences_of(name)
        )
        kind = CATALOGUE.get(event.alarm.partition(":")[0])
        anew = moved and shown_of(event.now) is State.UNACKNOWLEDGED
        kept = before is not None and before[1].silenced and not anew
        silenced = (
            kept or (not moved and event.why in ("silence", TESTED)) or (kind is not None and kind.group == BOOKED)
        )
        seen = Seen(state=shown_of(event.now), first_out=event.first_out, silenced=silenced)
        if seen.state in UNSEEN:
            self._heard[key] = event.alarm, seen
        return rest is Sound.OFF


def _runs(folder: Path, horn_then: _Horn, damage: list[str] | None) -> Iterator[tuple[Start, list[tuple[Event, bool]]]]:
    """Each run's Start, and its events that belong to tests, each with whether the horn was silent but for it."""
    tests: dict[int, list[tuple[Event, bool]]] = {}
    for one in _events(folder, damage):
        silent = horn_then.silent_but_for(one)
        if one.why == TESTED:
            tests.setdefault(one.run, []).append((one, silent))
    for item in said(folder, damage):
        if isinstance(item, Start):
            yield item, tests.get(item.run, [])


def _events(folder: Path, damage: list[str] | None) -> Iterator[Event]:
    """Of every run as far as it can be read."""
    record = Record(folder)
    for run in record.runs():
        try:
            for one in record.events(after=(run, 0), to_run=run):
                yield one.event
        except DamagedRecordError as error:
            note_damage(error, damage)


def _watch(start: Start, tests: list[tuple[Event, bool]], trips: dict[str, _Trip]) -> None:
    try:
        watched = alarm_hashes(parse(start.rig_toml, "the recorded rig file"))
    except RigFileError:
        return  # written for another version of the program; the next Start will tell
    for key, trip in trips.items():
        void = trip.definition != watched.get(key)
        trips[key] = replace(trip, void_since=(trip.void_since or utc_text(start.utc_ns)) if void else None)
    for event, silent in tests:
        key = event.key
        if event.now == event.was:
            continue  # silenced
        if event.now == State.UNACKNOWLEDGED:
            trips[key] = _Trip(definition=watched.get(key, ""), at=utc_text(event.utc_ns), by=event.actor, heard=silent)
        elif event.now == State.ACKNOWLEDGED and key in trips:
            trips[key] = replace(trips[key], seen_by=event.actor)


def _proof(key: str, trip: _Trip | None, now: str) -> AlarmProof:
    if trip is None:
        return AlarmProof(alarm=key, status="never")
    void = trip.definition != now
    return AlarmProof(
        alarm=key,
        status="void" if void else "unseen" if not trip.seen_by else "proved" if trip.heard else "unheard",
        tripped=trip.at,
        void_since=trip.void_since if void else None,
        by=trip.by,
        seen_by=trip.seen_by,
    )
