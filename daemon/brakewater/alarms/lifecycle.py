"""The life cycle of an alarm as one table with one interpreter.

Theory of operation. An alarm is in one of six states (ANSI/ISA-18.2-2016 and IEC 62682, states A to F; letters from
memory). Four triggers move it: its condition comes (``raise``) or goes (``clear``), a person acknowledges or resets.
Two rules stand behind the table:

1. Acknowledging never clears an alarm whose condition still holds; it only says that someone has seen it.
2. A trigger that a state has no row for changes nothing; from a person it is refused with the reason.

A latching alarm waits for a reset after its condition has gone. On top lie masks (shelved, suppressed by design, out
of service), which the core does not know.
"""

from enum import StrEnum


class State(StrEnum):
    """The six-state core."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned-unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"


class Trigger(StrEnum):
    """What moves an alarm."""

    RAISE = "raise"
    CLEAR = "clear"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"


PLAIN: dict[tuple[State, Trigger], State] = {
    (State.NORMAL, Trigger.RAISE): State.UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.CLEAR): State.RETURNED_UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.ACKNOWLEDGE): State.ACKNOWLEDGED,
    (State.ACKNOWLEDGED, Trigger.CLEAR): State.NORMAL,
    (State.RETURNED_UNACKNOWLEDGED, Trigger.RAISE): State.UNACKNOWLEDGED,
    (State.RETURNED_UNACKNOWLEDGED, Trigger.ACKNOWLEDGE): State.NORMAL,
}

LATCHING: dict[tuple[State, Trigger], State] = {
    (State.NORMAL, Trigger.RAISE): State.UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.CLEAR): State.LATCHED_UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.ACKNOWLEDGE): State.ACKNOWLEDGED,
    (State.ACKNOWLEDGED, Trigger.CLEAR): State.LATCHED_ACKNOWLEDGED,
    (State.LATCHED_UNACKNOWLEDGED, Trigger.RAISE): State.UNACKNOWLEDGED,
    (State.LATCHED_UNACKNOWLEDGED, Trigger.ACKNOWLEDGE): State.LATCHED_ACKNOWLEDGED,
    (State.LATCHED_ACKNOWLEDGED, Trigger.RAISE): State.UNACKNOWLEDGED,
    (State.LATCHED_ACKNOWLEDGED, Trigger.RESET): State.NORMAL,
}

UNSEEN = frozenset({State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED})
"""States that wait for an acknowledgement."""


def step(state: State, trigger: Trigger, *, latching: bool) -> State | None:
    """The next state, or None where the table has no row for this trigger.

    Args:
        state: where the alarm is.
        trigger: what happened.
        latching: whether the alarm waits for a reset.
    """
    return (LATCHING if latching else PLAIN).get((state, trigger))


def diagram() -> str:
    """Both tables as a Mermaid state diagram; ``deploy/alarm-states.md`` is this text, held equal by a test."""
    lines = ["stateDiagram-v2", f"    [*] --> {State.NORMAL.name}"]
    for name, table in (("", PLAIN), (" (latching)", LATCHING)):
        lines += [
            f"    {state.name} --> {new.name}: {trigger.value}{name}"
            for (state, trigger), new in table.items()
            if not name or PLAIN.get((state, trigger)) != new
        ]
    return "\n".join(lines) + "\n"
