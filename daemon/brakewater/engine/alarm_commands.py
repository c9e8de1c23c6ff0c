"""The commands that move alarms; each gives its events and what to say, or refuses and changes nothing.

What a command asks of several alarms it does to those that a row of the life cycle allows; one that moves none is
refused with the state they are in.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from brakewater.alarms.annunciator import Seen, Sound, horn
from brakewater.alarms.catalogue import PROTECTED
from brakewater.alarms.lifecycle import State, Trigger, step
from brakewater.engine.alarm import Alarm, Laid, Ledger, moment_of
from brakewater.engine.asking import ends, reason_of, until_of
from brakewater.engine.named import listed, named, unknown
from brakewater.engine.refusals import RefusedError
from brakewater.rig import Rig
from brakewater.stream import Command, Event, MaskNow
from brakewater.units import counted

Done = tuple[list[Event], str]


@dataclass(frozen=True, slots=True)
class Bench:
    """The rig, its alarms, the ledger, and by brake whether it is watched."""

    rig: Rig
    alarms: list[Alarm]
    ledger: Ledger
    gates: Mapping[str, bool]


def some(alarms: list[Alarm], args: Mapping[str, Any]) -> list[Alarm]:
    """The alarms that a command names.

    Raises:
        RefusedError: it names none; says which are near.
    """
    found = named(alarms, args)
    if not found:
        raise RefusedError(unknown(alarms, args))
    return found


def one(alarms: list[Alarm], args: Mapping[str, Any]) -> Alarm:
    """The one alarm that a command names.

    Raises:
        RefusedError: it names none, or all.
    """
    if args.get("alarm") == "all":
        raise RefusedError("one alarm at a time, so that each has its own reason")
    return some(alarms, args)[0]


def acknowledge(command: Command, bench: Bench) -> Done:
    """Somebody has seen them: what ``alarm`` names, or of ``alarms`` each key, as it stood on a screen.

    What came after that was shown stays unacknowledged.
    """
    args = command.request.args
    shown = listed(bench.alarms, args["alarms"]) if "alarms" in args and "alarm" not in args else None
    return _move(command, bench, Trigger.ACKNOWLEDGE, shown)


def reset(command: Command, bench: Bench) -> Done:
    """What is latched, seen and over goes back to normal; what is seen and was the first is the first no more."""
    chosen = some(bench.alarms, command.request.args)
    firsts = [alarm for alarm in chosen if alarm.state is State.ACKNOWLEDGED and _keeps_first(bench.rig, alarm)]
    events = []
    for alarm in firsts:
        alarm.first_out = False
        events.append(
            bench.ledger.write(
                alarm, alarm.standing, moment_of(command), why="command", actor=command.request.actor, note="first-out"
            )
        )
    if events and not any(alarm.state is State.LATCHED_ACKNOWLEDGED for alarm in chosen):
        return events, f"{', '.join(alarm.rule.key for alarm in firsts)} is the first-out no more"
    moved, says = _move(command, bench, Trigger.RESET)
    return events + moved, says


def silence(command: Command, bench: Bench) -> Done:
    """The horn falls silent for what sounds now, of ``alarms`` where it names some; nothing is acknowledged by it."""
    args = command.request.args
    shown = listed(bench.alarms, args["alarms"]) if "alarms" in args else bench.alarms
    sounding = [alarm for alarm in shown if sounds(bench.rig, alarm)]
    if not sounding:
        raise RefusedError("nothing to silence: no alarm sounds")
    events = []
    for alarm in sounding:
        alarm.silenced = True
        events.append(
            bench.ledger.write(alarm, alarm.standing, moment_of(command), why="silence", actor=command.request.actor)
        )
    return events, f"the horn is silent for {counted(len(events), 'alarm')}; nothing is acknowledged by it"


def _keeps_first(rig: Rig, alarm: Alarm) -> bool:
    """Whether a window shows that it was the first though it has been seen."""
    return alarm.first_out and any(sequence.startswith("F3") for sequence in rig.sequences_of(alarm.rule.name))


def sounds(rig: Rig, alarm: Alarm) -> bool:
    """Whether the horn sounds for an alarm, a real one or one under test."""
    seen = Seen(state=alarm.state, first_out=alarm.first_out, silenced=alarm.silenced)
    return horn((sequence, seen) for sequence in rig.sequences_of(alarm.rule.name)) is not Sound.OFF


def shelve(command: Command, bench: Bench) -> Done:
    """Out of sight for a while; it comes back by itself."""
    until_ns = until_of(command)
    return _lay(command, bench, Trigger.SHELVE, until_ns)


def unshelve(command: Command, bench: Bench) -> Done:
    """Back before its time."""
    return _move(command, bench, Trigger.UNSHELVE)


def out_of_service(command: Command, bench: Bench) -> Done:
    """Out of sight for maintenance, until somebody returns it."""
    timed = {"minutes", "until"} & set(command.request.args)
    return _lay(command, bench, Trigger.OUT_OF_SERVICE, until_of(command) if timed else None)


def return_to_service(command: Command, bench: Bench) -> Done:
    """Watched again."""
    return _move(command, bench, Trigger.RETURN_TO_SERVICE)


_MASK: Final = {Trigger.SHELVE: State.SHELVED, Trigger.OUT_OF_SERVICE: State.OUT_OF_SERVICE}


def _lay(command: Command, bench: Bench, trigger: Trigger, until_ns: int | None) -> Done:
    args = command.request.args
    alarm, reason, mask = one(bench.alarms, args), reason_of(args), _MASK[trigger]
    if alarm.rule.kind.name in PROTECTED and bench.gates[alarm.rule.brake or ""]:
        raise RefusedError(
            f"{alarm.rule.key} cannot be {mask.value}: brake {alarm.rule.brake} is in service, or its rotor may be hot"
        )
    if alarm.trial is not None:
        raise RefusedError(f"{alarm.rule.key} is under test by {alarm.trial.shown.actor}; end that first: test-end")
    if step(alarm.standing, trigger, latching=alarm.rule.latching) is None:
        raise RefusedError(f"{alarm.rule.key} is {alarm.standing.text} already")
    until_utc_ns = None if until_ns is None else command.utc_ns + until_ns - command.t_ns
    now = MaskNow(
        mask=mask.value,
        actor=command.request.actor,
        reason=reason,
        since_utc_ns=command.utc_ns,
        until_utc_ns=until_utc_ns,
    )
    alarm.laid[mask] = Laid(now=now, until_ns=until_ns)
    event = bench.ledger.move(
        bench.alarms, alarm, trigger, moment_of(command), why="command", actor=command.request.actor, note=reason
    )
    assert event is not None
    end = "until it is returned" if until_ns is None else f"until {ends(command, until_ns)}"
    return [event], f"{alarm.rule.key} is {alarm.standing.text} {end}"


def _move(command: Command, bench: Bench, trigger: Trigger, shown: list[Alarm] | None = None) -> Done:
    chosen = some(bench.alarms, command.request.args) if shown is None else shown
    moment, actor = moment_of(command), command.request.actor
    events = [
        event
        for alarm in chosen
        if (event := bench.ledger.move(bench.alarms, alarm, trigger, moment, why="command", actor=actor)) is not None
    ]
    if not events:
        raise RefusedError(f"nothing to {trigger.value}: {_standing(chosen)}")
    return events, ", ".join(f"{event.key} is now {event.now}" for event in events)


def _standing(chosen: list[Alarm]) -> str:
    if len(chosen) == 1:
        return f"{chosen[0].rule.key} is {chosen[0].standing.text}"
    return f"none of {len(chosen)} alarms waits for it"
