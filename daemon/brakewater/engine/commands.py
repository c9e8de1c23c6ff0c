"""What a command does to alarms and points; one function a verb. A refusal changes nothing."""

import difflib
import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from brakewater.alarms.lifecycle import Trigger
from brakewater.engine import hand_commands
from brakewater.engine.alarm import Alarm, Ledger, Moment
from brakewater.engine.byhand import Hands
from brakewater.rig import Rig
from brakewater.stream import Answer, Command, Event, Request

Done = tuple[list[Event], bool, str]
"""Events, whether it was done, and what to say."""


def mark(request: Request) -> str:
    """What a command is known by for ever: its actor's id, of one length however long that is."""
    return hashlib.sha256(f"{request.actor}\n{request.id}".encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What commands work on."""

    rig: Rig
    alarms: list[Alarm]
    ledger: Ledger
    hands: Hands


def carry_out(command: Command, desk: Desk) -> tuple[list[Event], Answer]:
    """Carry out one command, or refuse it with the reason."""
    request = command.request
    if request.do in VERBS:
        events, ok, says = VERBS[request.do](command, desk.alarms, desk.ledger)
    elif request.do in BY_HAND:
        events, (ok, says) = [], _by_hand(command, desk)
    else:
        events, ok = [], False
        says = f"unknown command {request.do!r}; known: {', '.join((*VERBS, *BY_HAND))}"
    return events, Answer(id=request.id, actor=request.actor, ok=ok, says=says)


def named(alarms: list[Alarm], args: Mapping[str, Any]) -> list[Alarm]:
    """The alarms a command names: ``all``, ``cooling-lost`` with ``brake``, or ``aux.cooling-lost``."""
    wanted = str(args.get("alarm", ""))
    brake = args.get("brake")
    if wanted == "all":
        return [alarm for alarm in alarms if brake in (None, alarm.rule.brake or "rig")]
    keys = {wanted, f"{brake or 'rig'}.{wanted}"}
    return [alarm for alarm in alarms if alarm.rule.key in keys]


def _unknown(alarms: list[Alarm], args: Mapping[str, Any]) -> str:
    """Why a command names nothing, with the nearest names there are."""
    brakes = sorted({alarm.rule.brake or "rig" for alarm in alarms})
    if args.get("brake") is not None and args["brake"] not in brakes:
        return f'no brake "{args["brake"]}"; there is {", ".join(brakes)}'
    asked = ".".join(str(args[key]) for key in ("brake", "alarm") if args.get(key) is not None)
    if not asked:
        return 'say which alarm: "all", or for example ' + ", ".join(f'"{a.rule.key}"' for a in alarms[:1])
    names = [alarm.rule.key for alarm in alarms]
    close = difflib.get_close_matches(asked, names, n=3, cutoff=0.0)
    return f'no alarm "{asked}"; nearest: {", ".join(close)}; or "all"'


def _acknowledge(command: Command, alarms: list[Alarm], ledger: Ledger) -> Done:
    return _move(command, alarms, ledger, Trigger.ACKNOWLEDGE)


def _reset(command: Command, alarms: list[Alarm], ledger: Ledger) -> Done:
    return _move(command, alarms, ledger, Trigger.RESET)


def _move(command: Command, alarms: list[Alarm], ledger: Ledger, trigger: Trigger) -> Done:
    request = command.request
    chosen = named(alarms, request.args)
    if not chosen:
        return [], False, _unknown(alarms, request.args)
    moment = Moment(run=command.run, input=command.input, utc_ns=command.utc_ns)
    events = [
        event
        for alarm in chosen
        if (event := ledger.move(alarms, alarm, trigger, moment, why="command", actor=request.actor)) is not None
    ]
    if not events:
        return [], False, f"nothing to {trigger.value}: {_standing(chosen)}"
    return events, True, ", ".join(f"{event.brake or 'rig'}.{event.alarm} is now {event.now}" for event in events)


def _standing(chosen: list[Alarm]) -> str:
    if len(chosen) == 1:
        return f"{chosen[0].rule.key} is {chosen[0].state.value}"
    return f"none of {len(chosen)} alarms waits for it"


def _note(command: Command, _alarms: list[Alarm], _ledger: Ledger) -> Done:
    text = command.request.args.get("text")
    if not isinstance(text, str) or not text.strip():
        return [], False, "a note needs a text"
    return [], True, "noted"


VERBS: dict[str, Callable[[Command, list[Alarm], Ledger], Done]] = {
    "acknowledge": _acknowledge,
    "reset": _reset,
    "note": _note,
}
BY_HAND: dict[str, Callable[[Command, Rig, Hands], str]] = {
    "substitute": hand_commands.substitute,
    "restore": hand_commands.restore,
    "check-begin": hand_commands.check_begin,
    "check-end": hand_commands.check_end,
    "loop-sheet": hand_commands.loop_sheet,
}


def _by_hand(command: Command, desk: Desk) -> tuple[bool, str]:
    desk.hands.end(command.t_ns)
    try:
        return True, BY_HAND[command.request.do](command, desk.rig, desk.hands)
    except hand_commands.RefusedError as refusal:
        return False, str(refusal)
