"""An alarm tripped by hand: it goes all the way, is marked as a test, hides nothing real, and ends by itself."""

from typing import Any

import pytest

import streams
from brakewater import render
from brakewater.engine import Engine
from brakewater.record.documents import event_doc
from brakewater.register_image import Links, Sight, health_word
from brakewater.stream import Answer, Event

RIG = streams.demo()
LOW, LOST, LEVEL = "aux.cooling-flow-low", "aux.cooling-lost", "aux.brake-level-high"
GPM = streams.GPM
SECOND = 5
"""Scans."""
CALM = 90 * GPM


class Desk:
    """A calm brake and a tech who tests its alarms."""

    def __init__(self, rig: streams.Rig = RIG) -> None:
        self.rig, self.engine, self.number = rig, Engine(), 0
        self.engine.feed(streams.start(rig))
        self.scans(20)

    def scans(self, n: int, **values: float) -> tuple[Event, ...]:
        named = {key.replace("_", "-"): value for key, value in values.items()}
        block = streams.scans(self.rig, n, first=self.number + 1, values=named)
        self.number += n
        return self.engine.feed(block).events

    def ask(self, do: str, actor: str = "tech", **args: Any) -> tuple[tuple[Event, ...], Answer]:
        after = streams.scans(self.rig, 1, first=self.number)
        self.number += 1
        outcome = self.engine.feed(streams.command(after, do, key=f"k{self.number}", actor=actor, **args))
        (answer,) = outcome.answers
        return outcome.events, answer

    def test(self, alarm: str = LOW, minutes: float = 0.5, reason: str = "commissioning") -> Answer:
        return self.ask("test-alarm", alarm=alarm, minutes=minutes, reason=reason)[1]

    def lamp(self, name: str = "cooling") -> dict[str, Any]:
        return render.lamps(self.rig, self.engine.picture())[name]

    def horn(self) -> dict[str, Any]:
        return render.horn_now(RIG, self.engine.picture())

    def now(self, key: str = LOW) -> dict[str, Any]:
        alarms = self.engine.picture().alarms
        return render.alarm_now(self.rig, next(one for one in alarms if f"{one.brake or 'rig'}.{one.alarm}" == key))

    def health(self) -> int:
        sight = Sight(picture=self.engine.picture(), beats=1, watching=True, links=Links())
        return health_word(sight)


def moves(events: tuple[Event, ...]) -> list[tuple[str, str, str, str | None]]:
    return [(event.was, event.now, event.why, event.actor) for event in events]


def test_it_comes_after_its_own_on_delay_shows_everywhere_and_ends_by_itself() -> None:
    desk = Desk()
    said = desk.test()
    assert said.ok
    assert "its on-delay of 2 s" in said.says
    assert desk.scans(2 * SECOND) == ()
    assert desk.now()["test"]["actor"] == "tech"
    (event,) = desk.scans(1)
    assert moves((event,)) == [("normal", "unacknowledged", "test", "tech")]
    assert (event.value, event.first_out) == (pytest.approx(90 * GPM, rel=1e-3), False)
    assert desk.lamp() == {"aspect": "flash", "colour": "red", "test": True}
    assert desk.horn() == {"sound": "alarm", "test": True}
    assert desk.now()["text"].startswith("TEST by tech until ")
    assert "not real" in desk.now()["text"]
    assert "Stop lowering" not in desk.now()["respond"]
    assert desk.health() >> 5 == 0b111
    ended = desk.scans(30 * SECOND)
    assert moves(ended) == [("unacknowledged", "normal", "test", None)]
    assert ended[0].input == 20 + 30 * SECOND  # half a minute after the scan that the command came with
    assert (desk.lamp(), desk.horn(), desk.now()["test"]) == (
        {"aspect": "off", "colour": "red"},
        {"sound": "off"},
        None,
    )
    assert desk.health() >> 5 == 0


def test_acknowledged_within_the_test_it_is_still_one() -> None:
    desk = Desk()
    desk.test()
    desk.scans(3 * SECOND)
    (event,), answer = desk.ask("acknowledge", "driller", alarm=LOW)
    assert answer.ok
    assert moves((event,)) == [("unacknowledged", "acknowledged", "test", "driller")]
    assert render.event_shown(RIG, event_doc(event))["text"].startswith(
        "TEST, not real: Cooling water low, acknowledged by driller"
    )
    assert desk.lamp() == {"aspect": "steady", "colour": "red", "test": True}
    assert desk.horn() == {"sound": "off"}
    assert moves(desk.scans(30 * SECOND)) == [("acknowledged", "normal", "test", None)]


@pytest.mark.parametrize("seen", [False, True])
def test_a_real_alarm_in_the_midst_of_its_test_rises_anew(seen: bool) -> None:  # noqa: FBT001
    """Nobody may take it for a test, and an acknowledgement of the test is none of the real one."""
    desk = Desk()
    desk.test(LOST)
    desk.scans(2 * SECOND)
    if seen:
        desk.ask("acknowledge", alarm="all")
        assert desk.horn() == {"sound": "off"}
    events = desk.scans(2, aux_flow=0.0)
    was = "acknowledged" if seen else "unacknowledged"
    assert moves(events) == [(was, "normal", "test", None), ("normal", "unacknowledged", "condition", None)]
    assert events[1].first_out
    assert desk.now(LOST)["test"] is None
    assert "Stop lowering" in desk.now(LOST)["respond"]
    assert (desk.lamp()["aspect"], desk.horn()) == ("flash", {"sound": "alarm"})
    assert "test" not in desk.lamp()
    assert desk.scans(60 * SECOND, aux_flow=0.0)[0].alarm == "cooling-flow-low"
    assert desk.now(LOST)["state"] == "unacknowledged"


def test_a_real_alarm_before_the_test_has_risen_ends_it_silently() -> None:
    desk = Desk()
    desk.test()
    events = desk.scans(3 * SECOND, aux_flow=70 * GPM)
    assert [(event.alarm, event.why) for event in events] == [("cooling-flow-low", "condition")]
    assert desk.now()["test"] is None


def test_another_real_alarm_of_the_same_lamp_is_heard_and_is_the_first_out() -> None:
    desk = Desk()
    desk.test(LOW)
    desk.scans(3 * SECOND)
    desk.ask("acknowledge", alarm="all")
    events = desk.scans(2, aux_flow=0.0)
    assert [(event.alarm, event.why, event.first_out) for event in events] == [("cooling-lost", "condition", True)]
    assert (desk.lamp(), desk.horn()) == ({"aspect": "flash", "colour": "red"}, {"sound": "alarm"})


def test_a_brake_out_of_service_can_be_tested() -> None:
    desk = Desk()
    out = {"aux_in_service": 0.0, "aux_flow": 0.0}
    minutes = RIG.brakes[0].rotor_cool_down / 60e9 + 1
    desk.scans(round(minutes * 60 * SECOND), **out)
    for event in [one for one in desk.engine.alarms() if one.state != "normal"]:
        desk.ask("acknowledge", alarm=f"{event.brake or 'rig'}.{event.alarm}")
    assert desk.now(LOST)["state"] == "normal"
    assert desk.test(LOST).ok
    assert [event.why for event in desk.scans(2 * SECOND, **out)] == ["test"]


def test_every_alarm_of_the_rig_can_be_tested() -> None:
    for rule in RIG.alarms:
        desk = Desk()
        minutes = rule.on_ns / 60e9 + 0.5
        assert desk.test(rule.key, minutes=minutes).ok
        events = desk.scans(round((minutes + 0.1) * 60 * SECOND))
        assert [(event.alarm, event.now, event.why) for event in events] == [
            (rule.name, "unacknowledged", "test"),
            (rule.name, "normal", "test"),
        ]


@pytest.mark.parametrize(
    ("args", "says"),
    [
        ({}, "say which alarm"),
        ({"alarm": "aux.coling-lost"}, "nearest: aux.cooling-lost"),
        ({"alarm": "all"}, "one alarm at a time"),
        ({"alarm": LOW}, "a reason is needed"),
        ({"alarm": LOW, "reason": "x"}, "an end is needed"),
        ({"alarm": LOW, "reason": "x", "minutes": 16}, "at most 15 min"),
        ({"alarm": LOW, "reason": "x", "minutes": 0}, "must lie ahead"),
        ({"alarm": LOW, "reason": "x", "minutes": 2 / 60}, "must outlast its on-delay of 2 s"),
    ],
)
def test_refusals(args: dict[str, Any], says: str) -> None:
    desk = Desk()
    events, answer = desk.ask("test-alarm", **args)
    assert (events, answer.ok) == ((), False)
    assert says in answer.says
    assert desk.scans(60 * SECOND) == ()


def test_an_alarm_that_stands_is_not_tested() -> None:
    desk = Desk()
    desk.scans(3 * SECOND, aux_flow=0.0)
    assert desk.test(LOST).says == f"{LOST} is unacknowledged: an alarm that stands is real and is not tested"
    desk.ask("acknowledge", alarm=LOST)
    assert not desk.test(LOST).ok


def test_one_test_at_a_time_ended_early_by_whoever_says_so() -> None:
    desk = Desk()
    assert desk.ask("test-end", alarm=LOW)[1].says == "no test is under way there"
    desk.test()
    assert desk.test().says == f"{LOW} is under test by tech already"
    assert desk.ask("test-end", alarm=LOW)[0] == ()  # not risen yet
    desk.test()
    desk.test(LOST)
    desk.scans(3 * SECOND)
    events, answer = desk.ask("test-end", "driller", alarm="all")
    assert moves(events) == [("unacknowledged", "normal", "test", "driller")] * 2
    assert answer.ok
    assert desk.scans(60 * SECOND) == ()


def test_a_test_goes_on_over_a_restart_and_ends_in_time() -> None:
    desk = Desk()
    desk.test()
    desk.scans(SECOND)
    t = (desk.number + 2) * RIG.scan_ns
    engine = Engine()
    assert engine.feed(streams.start(RIG, run=2, t_ns=t, snapshot=desk.engine.state())).events == ()
    assert engine.state() == desk.engine.state()
    played = streams.play([streams.scans(RIG, 40 * SECOND, run=2, t0=t)], engine)
    assert [(event.now, event.why) for event in played.events] == [("unacknowledged", "test"), ("normal", "test")]
    late = streams.play([streams.start(RIG, run=2, t_ns=t, snapshot=desk.engine.state())])
    assert late.events == []


def test_a_test_of_which_the_end_passed_while_nothing_ran_raises_nothing() -> None:
    desk = Desk()
    desk.test()
    t = 3600 * 10**9
    begin = streams.start(RIG, run=2, t_ns=t, snapshot=desk.engine.state())
    assert streams.play([begin, streams.scans(RIG, 20, run=2, t0=t)]).events == []


def test_a_snapshot_without_a_test_is_as_it_was_before_there_were_tests() -> None:
    """Else every older record would seem to drift."""
    assert b'"test"' not in Desk().engine.state()


def test_a_shelved_alarm_is_not_tested_in_the_dark() -> None:
    desk = Desk()
    assert desk.ask("shelve", alarm=LOW, minutes=5, reason="x")[1].ok
    assert "its lamp would stay dark" in desk.test().says


def test_a_horn_that_sounds_already_is_named_for_it_proves_nothing() -> None:
    desk = Desk()
    desk.scans(3 * SECOND, aux_level=0.9)
    said = desk.test()
    assert said.ok
    assert "The horn sounds already for" in said.says
    assert LEVEL in said.says
    assert "that proves it" not in said.says
    desk.ask("test-end", alarm=LOW)
    desk.ask("silence", "driller")
    assert "sounds already" not in desk.test().says


def test_whoever_silences_a_test_is_not_called_the_one_who_tests() -> None:
    desk = Desk()
    desk.test()
    desk.scans(3 * SECOND)
    (event,) = desk.ask("silence", actor="driller")[0]
    assert moves((event,)) == [("unacknowledged", "unacknowledged", "test", "driller")]
    text = render.event_shown(desk.rig, event_doc(event))["text"]
    assert text == "TEST, not real: Cooling water low: horn silenced by driller; not acknowledged by it."
