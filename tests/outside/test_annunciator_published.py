"""Annunciator sequences row by row against ANSI/ISA-18.1-1979 (R2004).

The standard was not read: the rows are from memory, A and M agreeing with secondary extracts. Colours against
IEC 60073 by meaning (secondary extracts).
"""

import pytest

from brakewater.alarms.annunciator import BY_HAND, SEQUENCES, Aspect, Colour, Seen, Sound, cell
from brakewater.alarms.lifecycle import Standing, State, Trigger, step
from brakewater.rig import load
from streams import DEMO

RISE, GONE, ACK, RESET = Trigger.RAISE, Trigger.CLEAR, Trigger.ACKNOWLEDGE, Trigger.RESET
OFF, ON, FLASH, SLOW, FIRST = Aspect.OFF, Aspect.STEADY, Aspect.FLASH, Aspect.SLOW_FLASH, Aspect.FIRST_FLASH
QUIET, HORN, RING = Sound.OFF, Sound.ALARM, Sound.RINGBACK

ROWS = {
    "all 1 normal": ("A", [], True, OFF, QUIET),
    "A 2 abnormal": ("A", [RISE], True, FLASH, HORN),
    "A 2 locks in": ("A", [RISE, GONE], True, FLASH, HORN),
    "A 3A acknowledged": ("A", [RISE, ACK], True, ON, QUIET),
    "A 3B acknowledged, already normal": ("A", [RISE, GONE, ACK], True, OFF, QUIET),
    "A 4 normal after acknowledge": ("A", [RISE, ACK, GONE], True, OFF, QUIET),
    "M 2 abnormal": ("M", [RISE], True, FLASH, HORN),
    "M 2 locks in": ("M", [RISE, GONE], True, FLASH, HORN),
    "M 3 acknowledged, abnormal": ("M", [RISE, ACK], True, ON, QUIET),
    "M 3 acknowledged, normal": ("M", [RISE, GONE, ACK], True, ON, QUIET),
    "M 4 reset": ("M", [RISE, ACK, GONE, RESET], True, OFF, QUIET),
    "M reset before acknowledge": ("M", [RISE, GONE, RESET], True, FLASH, HORN),
    "R 2 abnormal": ("R", [RISE], True, FLASH, HORN),
    "R 3A acknowledged": ("R", [RISE, ACK], True, ON, QUIET),
    "R 4 normal after acknowledge": ("R", [RISE, ACK, GONE], True, SLOW, RING),
    "R 3B acknowledged, already normal": ("R", [RISE, GONE, ACK], True, SLOW, RING),
    "R 5 reset": ("R", [RISE, ACK, GONE, RESET], True, OFF, QUIET),
    "F1A 2A first": ("F1A", [RISE], True, FLASH, HORN),
    "F1A 2B later": ("F1A", [RISE], False, ON, QUIET),
    "F1A 3 acknowledged": ("F1A", [RISE, ACK], True, ON, QUIET),
    "F1A 4 normal after acknowledge": ("F1A", [RISE, ACK, GONE], True, OFF, QUIET),
    "F1M holds until reset": ("F1M", [RISE, ACK, GONE], True, ON, QUIET),
    "F1M reset": ("F1M", [RISE, ACK, GONE, RESET], True, OFF, QUIET),
    "F2A first": ("F2A", [RISE], True, FLASH, HORN),
    "F2A later": ("F2A", [RISE], False, ON, HORN),
    "F3A first": ("F3A", [RISE], True, FIRST, HORN),
    "F3A later": ("F3A", [RISE], False, FLASH, HORN),
    "F3A first, acknowledged": ("F3A", [RISE, ACK], True, SLOW, QUIET),
    "F3A first, after first-out reset": ("F3A", [RISE, ACK], False, ON, QUIET),
    "F3A normal after acknowledge": ("F3A", [RISE, ACK, GONE], True, OFF, QUIET),
}


@pytest.mark.parametrize("row", ROWS)
def test_row(row: str) -> None:
    sequence, triggers, first, aspect, sound = ROWS[row]
    standing = Standing()
    for trigger in triggers:
        standing = step(standing, trigger, latching=sequence in BY_HAND) or standing
    found = cell(sequence, Seen(state=standing.shown, first_out=first))
    assert (found.aspect, found.sound) == (aspect, sound)


@pytest.mark.parametrize("sequence", SEQUENCES)
def test_what_is_masked_is_dark_and_silent_and_nothing_else_hides(sequence: str) -> None:
    for state in State:
        for first in (False, True):
            found = cell(sequence, Seen(state=state, first_out=first))
            if state in (State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE, State.NORMAL):
                assert (found.aspect, found.sound) == (OFF, QUIET)
            elif state not in (State.RETURNED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED):
                assert found.aspect is not OFF


def test_colours_by_meaning() -> None:
    """Red: emergency; yellow: abnormal, impending critical; green: normal, safe; white: no meaning of its own."""
    rig = load(DEMO)
    critical = {rule.name for rule in rig.alarms if rule.priority == "critical"}
    for lamp in rig.lamps:
        if any(lamp.shows(alarm) for alarm in critical):
            assert lamp.colour == Colour.RED
