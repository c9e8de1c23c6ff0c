import pytest

import streams
from brakewater.engine import Engine
from brakewater.stream import Answer, Event

RIG = streams.demo()
LATCHED = streams.parse(
    streams.changed(RIG.text, ("[[lamp]]", '[[brake.alarm]]\nalarm = "cooling-lost"\nlatch = true\n[[lamp]]'))
)


class Desk:
    """An engine with a dry, loaded brake, and a driller who types."""

    def __init__(self, rig: streams.Rig = RIG) -> None:
        self.rig, self.engine, self.number = rig, Engine(), 0
        self.engine.feed(streams.start(rig))
        self.scans(20, 0.0)

    def scans(self, n: int, flow: float) -> tuple[Event, ...]:
        block = streams.scans(self.rig, n, first=self.number + 1, values={"aux-flow": flow})
        self.number += n
        return self.engine.feed(block).events

    def ask(self, do: str, key: str = "", actor: str = "driller", **args: object) -> tuple[tuple[Event, ...], Answer]:
        after = streams.scans(self.rig, 1, first=self.number)
        self.number += 1
        outcome = self.engine.feed(streams.command(after, do, key=key or f"k{self.number}", actor=actor, **args))
        (answer,) = outcome.answers
        return outcome.events, answer

    def state(self, alarm: str) -> str:
        return next(now.state for now in self.engine.alarms() if now.alarm == alarm)


def test_acknowledge_one_leaves_the_others() -> None:
    desk = Desk()
    (event,), answer = desk.ask("acknowledge", alarm="cooling-lost", brake="aux")
    assert (event.was, event.now, event.actor, event.why) == ("unacknowledged", "acknowledged", "driller", "command")
    assert (answer.ok, answer.says) == (True, "aux.cooling-lost is now acknowledged")
    assert desk.state("cooling-flow-low") == "unacknowledged"


@pytest.mark.parametrize("args", [{"alarm": "aux.cooling-lost"}, {"alarm": "cooling-lost", "brake": "aux"}])
def test_two_ways_to_name_an_alarm(args: dict[str, str]) -> None:
    desk = Desk()
    assert desk.ask("acknowledge", **args)[1].ok
    assert desk.state("cooling-lost") == "acknowledged"


def test_acknowledge_all_and_all_of_a_brake() -> None:
    assert len(Desk().ask("acknowledge", alarm="all")[0]) == 2
    assert len(Desk().ask("acknowledge", alarm="all", brake="aux")[0]) == 2
    assert (
        Desk().ask("acknowledge", alarm="all", brake="rig")[1].says
        == "nothing to acknowledge: none of 29 alarms waits for it"
    )


def test_only_what_a_screen_has_shown_is_acknowledged() -> None:
    desk = Desk()
    (event,), answer = desk.ask("acknowledge", alarms=["aux.cooling-lost", "aux.gone-with-the-reload", 7])
    assert (event.alarm, event.now, answer.ok) == ("cooling-lost", "acknowledged", True)
    assert desk.state("cooling-flow-low") == "unacknowledged"


@pytest.mark.parametrize("shown", [[], ["aux.water-lost"], ["aux.cooling-lots"], "aux.cooling-lost", 7])
def test_a_screen_that_showed_none_that_waits_acknowledges_none(shown: object) -> None:
    desk = Desk()
    events, answer = desk.ask("acknowledge", alarms=shown)
    assert (events, answer.ok) == ((), False)
    assert answer.says.startswith("nothing to acknowledge: ")


def test_the_horn_goes_on_for_what_a_screen_has_not_shown() -> None:
    desk = Desk()
    events, answer = desk.ask("silence", alarms=["aux.cooling-flow-low"])
    assert ([event.alarm for event in events], answer.ok) == (["cooling-flow-low"], True)
    events, answer = desk.ask("silence", alarms=[])
    assert (events, answer.says) == ((), "nothing to silence: no alarm sounds")
    assert [event.alarm for event in desk.ask("silence")[0]] == ["cooling-lost"]


def test_an_acknowledged_alarm_goes_only_with_its_condition() -> None:
    desk = Desk()
    desk.ask("acknowledge", alarm="all")
    assert desk.scans(200, 0.0) == ()
    assert desk.state("cooling-lost") == "acknowledged"
    assert {event.now for event in desk.scans(60, 90 * streams.GPM)} == {"normal"}


def test_a_second_acknowledgement_is_refused_with_the_state() -> None:
    desk = Desk()
    desk.ask("acknowledge", alarm="aux.cooling-lost")
    events, answer = desk.ask("acknowledge", alarm="aux.cooling-lost")
    assert events == ()
    assert (answer.ok, answer.says) == (False, "nothing to acknowledge: aux.cooling-lost is acknowledged")


def test_reset_of_a_latched_alarm() -> None:
    desk = Desk(LATCHED)
    assert desk.ask("reset", alarm="aux.cooling-lost")[1].says == "nothing to reset: aux.cooling-lost is unacknowledged"
    desk.scans(60, 90 * streams.GPM)
    assert desk.state("cooling-lost") == "latched-unacknowledged"
    assert not desk.ask("reset", alarm="aux.cooling-lost")[1].ok
    desk.ask("acknowledge", alarm="aux.cooling-lost")
    assert desk.state("cooling-lost") == "latched-acknowledged"
    (event,), _ = desk.ask("reset", alarm="aux.cooling-lost")
    assert event.now == "normal"


REFUSALS = {
    (
        "dance",
        (),
    ): "unknown command 'dance'; known: acknowledge, silence, reset, shelve, unshelve, out-of-service, "
    "return-to-service, test-alarm, test-end, set, unset, test, note, hold, release-hold, hand-over, substitute, "
    "restore, check-begin, check-end, loop-sheet, log-round, change-part, sign-book",
    ("acknowledge", (("alarm", "coling-lost"), ("brake", "aux"))): 'no alarm "aux.coling-lost"; nearest: '
    'aux.cooling-lost, aux.cooling-flow-low, aux.cooling-margin-low; or "all"',
    ("acknowledge", ()): 'say which alarm: "all", or for example "aux.cooling-lost"',
    ("acknowledge", (("alarm", "all"), ("brake", "axu"))): 'no brake "axu"; there is aux, rig',
    ("note", ()): "a note needs a text",
    ("note", (("text", "  "),)): "a note needs a text",
}


@pytest.mark.parametrize(("do", "args"), REFUSALS)
def test_refusals_say_what_to_do(do: str, args: tuple[tuple[str, str], ...]) -> None:
    desk = Desk()
    before = desk.engine.alarms()
    events, answer = desk.ask(do, **dict(args))
    assert events == ()
    assert (answer.ok, answer.says) == (False, REFUSALS[do, args])
    assert desk.engine.alarms() == before


@pytest.mark.parametrize("odd", [None, 7, [], ["a"], {}, {"a": 1}, True, 1e300, "", "\x00", "all.all"])
def test_odd_arguments_are_refused_like_any_other(odd: object) -> None:
    desk = Desk()
    for args in (
        {"alarm": odd},
        {"alarm": "all", "brake": odd},
        {"alarm": "cooling-lost", "brake": odd},
        {"text": odd},
    ):
        for do in ("acknowledge", "reset", "note"):
            assert desk.ask(do, **args)[1].says


def test_a_note_is_taken() -> None:
    assert Desk().ask("note", text="strainer cleaned")[1] == Answer(id="k21", actor="driller", ok=True, says="noted")


def test_no_command_is_carried_out_twice() -> None:
    desk = Desk()
    assert desk.ask("acknowledge", key="a", alarm="aux.cooling-lost")[1].ok
    events, answer = desk.ask("acknowledge", key="a", alarm="aux.cooling-flow-low")
    assert events == ()
    assert (answer.ok, answer.says, answer.why) == (False, "this command was carried out before", "carried-before")
    assert desk.state("cooling-flow-low") == "unacknowledged"


def test_ids_are_each_actors_own() -> None:
    desk = Desk()
    assert desk.ask("acknowledge", key="1", alarm="aux.cooling-lost")[1].ok
    assert desk.ask("acknowledge", key="1", actor="tech", alarm="aux.cooling-flow-low")[1].ok


@pytest.mark.parametrize(
    ("setting", "value", "says"),
    [
        ("aux.cooling-flow-low.on-delay", "1e300 s", "at most 24 h"),
        ("aux.cooling-flow-low.off-delay", "1e200 s", "at most 24 h"),
        ("aux.cooling-flow-low.setpoint", "1e309 gal/min", "a number that a computer can hold"),
        ("aux.brake-level-rising.deadband", "1 mm", "nothing: aux.brake-level-rising has no deadband"),
    ],
)
def test_a_setting_that_hides_an_alarm_or_breaks_the_watch_is_refused(setting: str, value: str, says: str) -> None:
    desk = Desk()
    _, answer = desk.ask("set", actor="engineer", setting=setting, value=value, reason="trial")
    assert not answer.ok
    assert says in answer.says, answer.says


@pytest.mark.parametrize("end", ["now", "today", "9999-12-31", "2500-01-01", "2031-02-03T06:00:00+02:00"])
def test_a_hold_says_its_window_in_utc_and_knows_no_clock(end: str) -> None:
    desk = Desk()
    _, answer = desk.ask("hold", actor="engineer", reason="incident", **{"from": "2031-02-03T04:00:00Z", "to": end})
    assert not answer.ok
    assert f"to {end!r}; allowed: UTC" in answer.says
