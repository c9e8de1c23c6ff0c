"""What a command does to the alarms; one function a verb. A refusal changes nothing."""

from collections.abc import Callable, Mapping
from typing import Any

from brakewater.alarms.lifecycle import UNSEEN, Trigger
from brakewater.engine.alarm import Alarm, Ledger, Moment
from brakewater.stream import Answer, Command, Event

Done = tuple[list[Event], bool, str]
"""Events, whether it was done, and what to say."""


def carry_out(command: Command, alarms: list[Alarm], ledger: Ledger) -> tuple[list[Event], Answer]:
    """Carry out one command, or refuse it with the reason."""
    request = command.request
    verb = VERBS.get(request.do)
    if verb is None:
        says = f"unknown command {request.do!r}; known: {', '.join(VERBS)}"
        return [], Answer(id=request.id, actor=request.actor, ok=False, says=says)
    events, ok, says = verb(command, alarms, ledger)
    return events, Answer(id=request.id, actor=request.actor, ok=ok, says=says)


def named(alarms: list[Alarm], args: Mapping[str, Any]) -> list[Alarm]:
    """The alarms a command names: ``all``, ``cooling-lost`` with ``brake``, or ``aux.cooling-lost``."""
    wanted = str(args.get("alarm", ""))
    brake = args.get("brake")
    if wanted == "all":
        return [alarm for alarm in alarms if brake in (None, alarm.rule.brake)]
    keys = {wanted, f"{brake or 'rig'}.{wanted}"}
    return [alarm for alarm in alarms if alarm.rule.key in keys]


def _acknowledge(command: Command, alarms: list[Alarm], ledger: Ledger) -> Done:
    return _move(command, alarms, ledger, Trigger.ACKNOWLEDGE)


def _reset(command: Command, alarms: list[Alarm], ledger: Ledger) -> Done:
    return _move(command, alarms, ledger, Trigger.RESET)


def _move(command: Command, alarms: list[Alarm], ledger: Ledger, trigger: Trigger) -> Done:
    request = command.request
    chosen = named(alarms, request.args)
    if not chosen:
        known = ", ".join(alarm.rule.key for alarm in alarms)
        return [], False, f"no alarm {request.args.get('alarm')!r}; known: all, {known}"
    moment = Moment(run=command.run, input=command.input, utc_ns=command.utc_ns)
    events = [
        event
        for alarm in chosen
        if (event := ledger.move(alarms, alarm, trigger, moment, why="command", actor=request.actor)) is not None
    ]
    if not events:
        return [], False, f"nothing to {trigger.value}: {_standing(chosen)}"
    return events, True, ", ".join(f"{event.alarm} is now {event.now}" for event in events)


def _standing(chosen: list[Alarm]) -> str:
    if len(chosen) == 1:
        return f"{chosen[0].rule.key} is {chosen[0].state.value}"
    waiting = sum(alarm.state in UNSEEN for alarm in chosen)
    return f"{waiting} of {len(chosen)} alarms wait for it"


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
