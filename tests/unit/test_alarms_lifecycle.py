from pathlib import Path

import pytest

from brakewater.alarms.annunciator import SEQUENCES, Aspect, Seen, Sound, horn, lamp
from brakewater.alarms.grouping import CONSEQUENCES, depth
from brakewater.alarms.lifecycle import MASKS, TEXTS, UNSEEN, State, diagram, shown_of

PAGE = Path(__file__).parents[2] / "deploy" / "alarm-states.md"


def test_the_diagram_on_the_page_is_the_table() -> None:
    """To renew it, put what ``lifecycle.diagram()`` returns between the fences."""
    before, _, rest = PAGE.read_text(encoding="utf-8").partition("```mermaid\n")
    drawn, _, after = rest.partition("```")
    assert before
    assert after
    assert drawn == diagram()


def test_every_state_is_drawn() -> None:
    assert all(state.name in diagram() for state in State)


def seen(*states: State, **more: bool) -> list[Seen]:
    return [Seen(state=state, **more) for state in states]


def test_a_window_shows_the_most_urgent_of_its_alarms() -> None:
    assert lamp("A", []) is Aspect.OFF
    assert lamp("A", seen(State.NORMAL, State.ACKNOWLEDGED)) is Aspect.STEADY
    assert lamp("A", seen(State.ACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED)) is Aspect.FLASH


def test_lamp_test_lights_all_and_hides_nothing() -> None:
    assert lamp("A", [], test=True) is Aspect.STEADY
    assert lamp("A", seen(State.UNACKNOWLEDGED), test=True) is Aspect.FLASH
    assert horn([], test=True) is Sound.ALARM


def test_the_horn_sounds_until_all_is_seen() -> None:
    def heard(*states: State, **more: bool) -> Sound:
        return horn(("A", one) for one in seen(*states, **more))

    assert heard() is Sound.OFF
    assert heard(State.NORMAL, State.ACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED, *MASKS) is Sound.OFF
    for state in UNSEEN:
        assert heard(State.ACKNOWLEDGED, state) is Sound.ALARM
        assert heard(state, silenced=True) is Sound.OFF


def test_an_alarm_outdoes_a_ringback() -> None:
    back, new = seen(State.LATCHED_ACKNOWLEDGED, State.UNACKNOWLEDGED)
    assert horn([("R", back)]) is Sound.RINGBACK
    assert horn([("R", back), ("A", new)]) is Sound.ALARM


@pytest.mark.parametrize("sequence", SEQUENCES)
def test_a_sequence_has_a_row_for_every_state(sequence: str) -> None:
    assert set(SEQUENCES[sequence]) == set(State)


def test_texts_lead_back_to_what_is_shown() -> None:
    assert len(set(TEXTS)) == 13
    assert {shown_of(text) for text in TEXTS} == set(State)
    assert shown_of("shelved+out-of-service") is State.OUT_OF_SERVICE


def test_leading_is_no_circle_and_names_alarms_that_there_are() -> None:
    for leader, follow in CONSEQUENCES.items():
        assert all(depth(kind) > depth(leader) for kind in follow)
