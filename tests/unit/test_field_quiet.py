"""The silence of an RTU line, with a clock that the test turns."""

import pytest

from brakewater.field import quiet as module
from brakewater.field.quiet import Quiet

PAUSE, LATENCY, CHARACTER = 0.005, 1.0, 0.001


class Clock:
    now = 100.0


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    monkeypatch.setattr(module, "monotonic", lambda: clock.now)
    return clock


def quiet() -> Quiet:
    return Quiet(pause_s=PAUSE, latency_s=LATENCY, character_s=CHARACTER)


def calm(clock: Clock) -> Quiet:
    """A line on which a request was answered just now."""
    line = quiet()
    clock.now += LATENCY
    line.sending(8)
    clock.now += 0.05
    line.answered()
    return line


def test_a_line_is_in_doubt_from_the_start(clock: Clock) -> None:
    line = quiet()
    assert line.left_s() == LATENCY
    clock.now += LATENCY
    assert line.left_s() == 0


def test_after_an_answer_a_pause_is_enough(clock: Clock) -> None:
    assert calm(clock).left_s() == pytest.approx(PAUSE)


def test_a_given_up_request_keeps_the_line_quiet_for_the_latency_from_its_end(clock: Clock) -> None:
    line = calm(clock)
    line.sending(8)
    clock.now += 0.15
    line.gave_up()
    assert line.left_s() == pytest.approx(LATENCY - 0.15 + 8 * CHARACTER)
    assert not line.late


def test_a_late_answer_begins_the_silence_anew_and_is_remembered(clock: Clock) -> None:
    line = calm(clock)
    line.sending(8)
    clock.now += 0.9
    line.gave_up()
    line.heard(25)
    assert line.left_s() == pytest.approx(LATENCY)
    assert line.late
    assert not line.babbles
    clock.now += LATENCY
    line.sending(8)
    assert not line.late


def test_unasked_bytes_after_a_good_answer_are_doubt_but_no_late_answer(clock: Clock) -> None:
    line = calm(clock)
    line.heard(1)
    assert line.left_s() == pytest.approx(LATENCY)
    assert not line.late


def test_more_than_one_frame_is_babble(clock: Clock) -> None:
    line = calm(clock)
    line.heard(256)
    assert not line.babbles
    line.heard(1)
    assert line.babbles
    line.sending(8)
    assert not line.babbles


def test_a_fresh_opening_settles_whatever_time_has_passed(clock: Clock) -> None:
    line = quiet()
    clock.now += 100 * LATENCY
    line.opened(0.05)
    assert line.left_s() == pytest.approx(0.05)
    line.sending(8)
    line.gave_up()
    line.opened(0.05)
    assert line.left_s() == pytest.approx(LATENCY + 8 * CHARACTER)  # the longer of both


def test_a_latency_below_the_pause_is_the_pause(clock: Clock) -> None:
    line = Quiet(pause_s=PAUSE, latency_s=0.0, character_s=CHARACTER)
    assert line.left_s() == pytest.approx(PAUSE)
    clock.now += PAUSE
    assert line.left_s() == pytest.approx(0, abs=1e-9)
