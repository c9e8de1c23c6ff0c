"""What a command does to alarms and points; one function a verb. A refusal changes nothing."""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass

from brakewater.alarms.lifecycle import Trigger
from brakewater.engine import hand_commands, trial_commands
from brakewater.engine.alarm import Alarm, Ledger, Moment
from brakewater.engine.byhand import Hands
from brakewater.engine.named import named, unknown
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
    elif request.do in TESTS:
        events, ok, says = _tested(command, desk)
    elif request.do in BY_HAND:
        events, (ok, says) = [], _by_hand(command, desk)
    else:
        events, ok = [], False
        says = f"unknown command {request.do!r}; known: {', '.join((*VERBS, *TESTS, *BY_HAND))}"
    return events, Answer(id=request.id, actor=request.actor, ok=ok, says=says)


def _acknowledge(command: Command, alarms: list[Alarm], ledger: Ledger) -> Done:
    return _move(command, alarms, ledger, Trigger.ACKNOWLEDGE)


def _reset(command: Command, alarms: list[Alarm], ledger: Ledger) -> Done:
    return _move(command, alarms, ledger, Trigger.RESET)


def _move(command: Command, alarms: list[Alarm], ledger: Ledger, trigger: Trigger) -> Done:
    request = command.request
    chosen = named(alarms, request.args)
    if not chosen:
        return [], False, unknown(alarms, request.args)
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
TESTS: dict[str, Callable[[Command, list[Alarm], Ledger], tuple[list[Event], str]]] = {
    "test-alarm": trial_commands.begin,
    "test-end": trial_commands.end,
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


def _tested(command: Command, desk: Desk) -> Done:
    try:
        events, says = TESTS[command.request.do](command, desk.alarms, desk.ledger)
    except hand_commands.RefusedError as refusal:
        return [], False, str(refusal)
    return events, True, says
