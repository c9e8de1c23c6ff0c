"""The engine's side of the one door: who asks, may they, is it still meant; then one function a verb.

A refusal changes nothing and says why.
"""

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from brakewater.alarms.lifecycle import UNSEEN, State
from brakewater.engine import alarm_commands, book_commands, hand_commands, hold_commands, tour_commands, trial_commands
from brakewater.engine.alarm import SETTLES_NS, Alarm, Ledger, moment_of
from brakewater.engine.asking import check_age
from brakewater.engine.book import Book
from brakewater.engine.byhand import Hands
from brakewater.engine.overlay import Overlay
from brakewater.engine.refusals import RefusedError, refused
from brakewater.engine.worked import Worked
from brakewater.rig import Rig
from brakewater.rig.people import standing
from brakewater.stream import Answer, ByHand, Command, Event, Request

LAMP_TEST_NS = 5_000_000_000


def mark(request: Request) -> str:
    """What a command is known by for ever: its actor's id, of one length however long that is."""
    return hashlib.sha256(f"{request.actor}\n{request.id}".encode()).hexdigest()[:16]


@dataclass(slots=True, kw_only=True)
class Desk:
    """What commands work on."""

    rig: Rig
    alarms: list[Alarm]
    ledger: Ledger
    hands: Hands
    overlay: Overlay
    gates: Mapping[str, bool]
    """By brake: whether it is watched, at the last scan."""
    book: Book | None = None
    """None where the rig file keeps no book."""
    worked: Mapping[str, Worked] = field(default_factory=dict)
    """By brake: what it has done."""
    test_until_ns: int = -(2**62)
    """Of the lamp test that this command begins."""


def carry_out(command: Command, desk: Desk) -> tuple[list[Event], Answer]:
    """Carry out one command, or refuse it with the reason."""
    request = command.request
    try:
        _check(command, desk.rig)
        events, says = _do(command, desk)
    except RefusedError as no:
        return [], Answer(id=request.id, actor=request.actor, ok=False, says=str(no), why=no.why, places=no.places)
    return events, Answer(id=request.id, actor=request.actor, ok=True, says=says)


def _check(command: Command, rig: Rig) -> None:
    """Known, fresh, and allowed."""
    request = command.request
    known = (*ALARMS, *SETTINGS, *DESK, *BY_HAND, *BOOKED)
    if request.do not in known:
        raise RefusedError(f"unknown command {request.do!r}; known: {', '.join(known)}")
    check_age(command)
    role, may = standing(rig, request.actor)
    if request.do not in may:
        can = ", ".join(verb for verb in known if verb in may) or "nothing"
        raise refused("may-not-do", who=repr(request.actor), role=role, do=request.do, may=can)


def _do(command: Command, desk: Desk) -> tuple[list[Event], str]:
    verb = command.request.do
    if verb in ALARMS:
        done = ALARMS[verb](command, alarm_commands.Bench(desk.rig, desk.alarms, desk.ledger, desk.gates))
        timeless = [alarm for alarm in desk.alarms if alarm.recall_ns is None]
        _recall(timeless, _last_end(command, desk))
        return done
    if verb in SETTINGS:
        return _setting(command, desk)
    if verb in DESK:
        return [], DESK[verb](command, desk)
    if verb in BOOKED:
        return [], BOOKED[verb](command, book_commands.Shelf(rig=desk.rig, book=desk.book, worked=desk.worked))
    desk.hands.end(command.t_ns)
    held, recalled = desk.hands.shown(), desk.hands.recalls()
    says = BY_HAND[verb](command, desk.rig, desk.hands)
    if set(recalled) - set(desk.hands.recalls()):
        _recall(desk.alarms, command.t_ns)
    elif desk.hands.recalls() != recalled:  # begun, or prolonged
        _recall(desk.alarms, _last_end(command, desk))
    return [], says + _left(set(held) - set(desk.hands.shown()), desk.alarms)


def _left(ended: set[ByHand], alarms: list[Alarm]) -> str:
    """What came while points were held by hand and nobody has seen yet: it does not go with what raised it."""
    since = min((one.since_utc_ns for one in ended), default=None)
    left = [
        alarm.rule.key
        for alarm in alarms
        if since is not None and alarm.trial is None and alarm.state in UNSEEN and alarm.since_utc_ns >= since
    ]
    return f"; raised meanwhile, and the crew must still acknowledge: {', '.join(left)}" if left else ""


def _last_end(command: Command, desk: Desk) -> int:
    """Steady time at which the last point held by hand is measured again."""
    return max(desk.hands.recalls().values(), default=command.t_ns)


def _recall(alarms: list[Alarm], ends_ns: int) -> None:
    """What was acknowledged because a point is held by hand asks once more if it outlives that: it is real then."""
    for alarm in alarms:
        if alarm.by_hand and alarm.state is State.ACKNOWLEDGED:
            alarm.recall_ns = ends_ns + alarm.delays.off_ns + SETTLES_NS


def _setting(command: Command, desk: Desk) -> tuple[list[Event], str]:
    key, note = SETTINGS[command.request.do](desk.overlay, command)
    alarm = next(alarm for alarm in desk.alarms if alarm.rule.key == key)
    alarm.follow(desk.overlay.rule(key))
    event = desk.ledger.write(
        alarm, alarm.standing, moment_of(command), why=command.request.do, actor=command.request.actor, note=note
    )
    return [event], f"{key}: {note}"


def _note(command: Command, _desk: Desk) -> str:
    text = command.request.args.get("text")
    if not isinstance(text, str) or not text.strip():
        raise RefusedError("a note needs a text")
    return "noted"


def _test(command: Command, desk: Desk) -> str:
    desk.test_until_ns = command.t_ns + LAMP_TEST_NS
    return f"every lamp is lit and the horn sounds for {LAMP_TEST_NS // 1_000_000_000} s"


ALARMS: dict[str, Callable[[Command, alarm_commands.Bench], tuple[list[Event], str]]] = {
    "acknowledge": alarm_commands.acknowledge,
    "silence": alarm_commands.silence,
    "reset": alarm_commands.reset,
    "shelve": alarm_commands.shelve,
    "unshelve": alarm_commands.unshelve,
    "out-of-service": alarm_commands.out_of_service,
    "return-to-service": alarm_commands.return_to_service,
    "test-alarm": trial_commands.begin,
    "test-end": trial_commands.end,
}
DESK: dict[str, Callable[[Command, Desk], str]] = {
    "test": _test,
    "note": _note,
    "hold": hold_commands.hold,
    "release-hold": hold_commands.release,
    "hand-over": tour_commands.hand_over,
}
SETTINGS: dict[str, Callable[[Overlay, Command], tuple[str, str]]] = {"set": Overlay.set, "unset": Overlay.unset}
BY_HAND: dict[str, Callable[[Command, Rig, Hands], str]] = {
    "substitute": hand_commands.substitute,
    "restore": hand_commands.restore,
    "check-begin": hand_commands.check_begin,
    "check-end": hand_commands.check_end,
    "loop-sheet": hand_commands.loop_sheet,
}
BOOKED: dict[str, Callable[[Command, book_commands.Shelf], str]] = {
    "log-round": book_commands.log_round,
    "change-part": book_commands.change_part,
    "sign-book": book_commands.sign_book,
}
