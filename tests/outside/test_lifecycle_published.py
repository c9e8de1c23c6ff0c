"""The life cycle against ANSI/ISA-18.2-2016 / IEC 62682, states A to F.

The standards themselves were not read: letters and transitions there are from memory, the meaning of latched from
OPC 10000-9 section 4.8.
"""

import pytest

from brakewater.alarms.lifecycle import LAID_ON, MASKS, TAKEN_OFF, UNSEEN, Standing, State, Trigger, step

A, B, C = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED
D, E, F = State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED
OCCURS, RETURNS, ACK, RESET, TIMER = (
    Trigger.RAISE, Trigger.CLEAR, Trigger.ACKNOWLEDGE, Trigger.RESET, Trigger.RE_ALARM,
)  # fmt: skip
CORE = (A, B, C, D, E, F)
OF_CORE = (OCCURS, RETURNS, ACK, RESET, TIMER)

ROWS = {
    "A: alarm occurs -> B": (A, OCCURS, B, B),
    "B: ack -> C": (B, ACK, C, C),
    "B: returns to normal -> D (latching: E)": (B, RETURNS, D, E),
    "C: returns to normal -> A (latching: F)": (C, RETURNS, A, F),
    "C: re-alarm timer -> B": (C, TIMER, B, B),
    "D: ack -> A": (D, ACK, A, None),
    "D: alarm recurs -> B": (D, OCCURS, B, None),
    "E: ack -> F": (E, ACK, None, F),
    "E: alarm recurs -> B": (E, OCCURS, None, B),
    "F: operator reset -> A": (F, RESET, None, A),
    "F: alarm recurs -> B": (F, OCCURS, None, B),
}
ACTIVE = (B, C)
"""States in which the condition holds (5.1, column Condition)."""


def core(state: State, trigger: Trigger, *, latching: bool) -> State | None:
    new = step(Standing(state), trigger, latching=latching)
    assert new is None or new.masks == ()
    return None if new is None else new.core


@pytest.mark.parametrize("row", ROWS)
def test_row(row: str) -> None:
    state, trigger, plain, latching = ROWS[row]
    assert core(state, trigger, latching=False) is plain
    assert core(state, trigger, latching=True) is latching


@pytest.mark.parametrize("latching", [False, True])
@pytest.mark.parametrize("trigger", OF_CORE)
@pytest.mark.parametrize("state", CORE)
def test_nothing_moves_but_by_a_row(state: State, trigger: Trigger, latching: bool) -> None:  # noqa: FBT001
    wanted = [row[3] if latching else row[2] for row in ROWS.values() if row[:2] == (state, trigger)]
    assert core(state, trigger, latching=latching) is (wanted[0] if wanted else None)


@pytest.mark.parametrize("latching", [False, True])
def test_acknowledging_never_clears_an_active_alarm(latching: bool) -> None:  # noqa: FBT001 - both tables
    for state in ACTIVE:
        for trigger in (ACK, RESET):
            assert core(state, trigger, latching=latching) in (None, *ACTIVE)


def test_reset_works_in_f_alone() -> None:
    found = [(state, latching) for state in CORE for latching in (False, True) if core(state, RESET, latching=latching)]
    assert found == [(F, True)]


def test_unseen_states_wait_for_an_acknowledgement() -> None:
    assert frozenset({B, D, E}) == UNSEEN
    for state in CORE:
        moved = {core(state, ACK, latching=latching) for latching in (False, True)} - {None}
        assert bool(moved) == (state in UNSEEN)


@pytest.mark.parametrize("latching", [False, True])
@pytest.mark.parametrize("state", CORE)
@pytest.mark.parametrize(("on", "off"), list(zip(LAID_ON, TAKEN_OFF, strict=True)))
def test_g_h_and_i_are_left_for_a_or_b_by_the_condition(
    on: Trigger,
    off: Trigger,
    state: State,
    latching: bool,  # noqa: FBT001 - both tables
) -> None:
    """5.1 rows G, H, I; an alarm active at release enters B, not C."""
    masked = step(Standing(state), on, latching=latching)
    assert masked is not None
    assert masked.shown is LAID_ON[on] is TAKEN_OFF[off]
    back = step(masked, off, latching=latching)
    assert back == Standing(B if state in ACTIVE else A)
    for trigger, wanted in ((OCCURS, B), (RETURNS, A)):  # the condition goes on being watched under the mask
        under = step(masked, trigger, latching=latching) or masked
        assert step(under, off, latching=latching) == Standing(wanted)


@pytest.mark.parametrize("trigger", [ACK, RESET, TIMER])
def test_under_a_mask_nothing_else_moves(trigger: Trigger) -> None:
    for mask in MASKS:
        for state in (A, B):
            assert step(Standing(state, (mask,)), trigger, latching=False) is None


def test_masks_lie_on_each_other_in_any_order_and_each_only_once() -> None:
    one = step(Standing(C), Trigger.OUT_OF_SERVICE, latching=False)
    assert one is not None
    two = step(one, Trigger.SHELVE, latching=False)
    assert two == Standing(B, (State.SHELVED, State.OUT_OF_SERVICE))
    assert two.text == "shelved+out-of-service"
    assert step(two, Trigger.SHELVE, latching=False) is None
    assert step(two, Trigger.UNSUPPRESS, latching=False) is None
    assert step(two, Trigger.RETURN_TO_SERVICE, latching=False) == Standing(B, (State.SHELVED,))
