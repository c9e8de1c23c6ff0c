from pathlib import Path

from brakewater.alarms import annunciator
from brakewater.alarms.annunciator import Aspect, Sound
from brakewater.alarms.lifecycle import State, diagram

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


def test_a_window_shows_the_most_urgent_of_its_alarms() -> None:
    assert annunciator.lamp([]) is Aspect.OFF
    assert annunciator.lamp([State.NORMAL, State.ACKNOWLEDGED]) is Aspect.STEADY
    assert annunciator.lamp([State.ACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED]) is Aspect.FLASH


def test_the_horn_sounds_until_all_is_seen() -> None:
    assert annunciator.horn([]) is Sound.OFF
    assert annunciator.horn([State.NORMAL, State.ACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED]) is Sound.OFF
    for state in (State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED):
        assert annunciator.horn([State.ACKNOWLEDGED, state]) is Sound.ALARM


def test_sequence_a_has_a_row_for_every_state() -> None:
    assert set(annunciator.SEQUENCE_A) == set(State)
