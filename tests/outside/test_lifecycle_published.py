"""The life cycle against ANSI/ISA-18.2-2016 / IEC 62682, states A to F, as TRADE.md section 5.1 holds them.

The standards themselves were not read: letters and transitions there are from memory, the meaning of latched from
OPC 10000-9 section 4.8. The optional re-alarm timer (C to B) and ringback are not built.
"""

import pytest

from brakewater.alarms.lifecycle import UNSEEN, State, Trigger, step

A, B, C = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED
D, E, F = State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED
OCCURS, RETURNS, ACK, RESET = Trigger.RAISE, Trigger.CLEAR, Trigger.ACKNOWLEDGE, Trigger.RESET

ROWS = {
    "A: alarm occurs -> B": (A, OCCURS, B, B),
    "B: ack -> C": (B, ACK, C, C),
    "B: returns to normal -> D (latching: E)": (B, RETURNS, D, E),
    "C: returns to normal -> A (latching: F)": (C, RETURNS, A, F),
    "D: ack -> A": (D, ACK, A, None),
    "D: alarm recurs -> B": (D, OCCURS, B, None),
    "E: ack -> F": (E, ACK, None, F),
    "E: alarm recurs -> B": (E, OCCURS, None, B),
    "F: operator reset -> A": (F, RESET, None, A),
    "F: alarm recurs -> B": (F, OCCURS, None, B),
}
ACTIVE = (B, C)
"""States in which the condition holds (5.1, column Condition)."""


@pytest.mark.parametrize("row", ROWS)
def test_row(row: str) -> None:
    state, trigger, plain, latching = ROWS[row]
    assert step(state, trigger, latching=False) is plain
    assert step(state, trigger, latching=True) is latching


@pytest.mark.parametrize("latching", [False, True])
@pytest.mark.parametrize("trigger", Trigger)
@pytest.mark.parametrize("state", State)
def test_nothing_moves_but_by_a_row(state: State, trigger: Trigger, latching: bool) -> None:  # noqa: FBT001
    wanted = [row[3] if latching else row[2] for row in ROWS.values() if row[:2] == (state, trigger)]
    assert step(state, trigger, latching=latching) is (wanted[0] if wanted else None)


@pytest.mark.parametrize("latching", [False, True])
def test_acknowledging_never_clears_an_active_alarm(latching: bool) -> None:  # noqa: FBT001 - both tables
    for state in ACTIVE:
        for trigger in (ACK, RESET):
            assert step(state, trigger, latching=latching) in (None, *ACTIVE)


def test_reset_works_in_f_alone() -> None:
    found = [
        (state, latching) for state in State for latching in (False, True) if step(state, RESET, latching=latching)
    ]
    assert found == [(F, True)]


def test_unseen_states_wait_for_an_acknowledgement() -> None:
    assert frozenset({B, D, E}) == UNSEEN
    for state in State:
        moved = {step(state, ACK, latching=latching) for latching in (False, True)} - {None}
        assert bool(moved) == (state in UNSEEN)
