"""Points taken out of measuring by hand: who may, for how long, what it does to alarms, and that it is never silent."""

import numpy as np
import pytest

import streams
from brakewater.engine import Engine
from brakewater.quality import Reason, Status
from brakewater.stream import Answer, ByHand, Event

RIG = streams.demo()
GPM = streams.GPM
MINUTE = 60 * 10**9
GOOD = {"point": "aux-flow", "value": "80 gal/min", "minutes": 1, "reason": "meter out for cleaning"}


class Shift:
    """A tech at a loaded brake; 300 scans are a minute."""

    def __init__(self, rig: streams.Rig = RIG, version: str = "0") -> None:
        self.rig, self.engine, self.run, self.number, self.t_ns = rig, Engine(), 1, 0, 0
        self.version = version
        self.engine.feed(streams.start(rig, version=version))
        self.events: list[Event] = []
        self.codes: dict[str, list[int]] = {}
        self.watch(5)

    def watch(self, n: int, **what: object) -> "Shift":
        block = streams.scans(
            self.rig,
            n,
            run=self.run,
            first=self.number + 1,
            t0=self.t_ns + self.rig.scan_ns,
            **what,  # type: ignore[arg-type]
        )
        outcome = self.engine.feed(block)
        self.number, self.t_ns = int(block.input[-1]), int(block.t_ns[-1])
        self.events += outcome.events
        for name, column in outcome.readings.items():
            self.codes.setdefault(name, []).extend(column.codes.tolist())
        return self

    def ask(self, do: str, **args: object) -> Answer:
        after = streams.scans(self.rig, 1, run=self.run, first=self.number, t0=self.t_ns)
        self.number += 1
        (answer,) = self.engine.feed(
            streams.command(after, do, key=f"k{self.run}.{self.number}", actor="tech", **args)
        ).answers
        return answer

    def restart(self, rig: streams.Rig | None = None) -> None:
        state, self.run, self.number = self.engine.state(), self.run + 1, 0
        self.rig = rig or self.rig
        self.engine = Engine()
        self.engine.feed(streams.start(self.rig, run=self.run, t_ns=self.t_ns, snapshot=state, version=self.version))

    def reading(self, point: str) -> tuple[float, int]:
        return self.engine.picture().readings[point]

    def held(self) -> list[tuple[str, str]]:
        return [(one.point, one.what) for one in self.engine.picture().substitutions]

    def state_of(self, alarm: str) -> str:
        return next(one.state for one in self.engine.alarms() if one.alarm == alarm)

    def raised(self) -> dict[str, int]:
        return {event.alarm: event.reason for event in self.events if event.now == "unacknowledged"}


def test_a_value_stands_in_for_a_dead_sensor() -> None:
    shift = Shift()
    answer = shift.ask("substitute", point="aux-inlet", value="86 degF", minutes=30, reason="RTD replaced")
    assert (answer.ok, answer.says) == (
        True,
        f"aux-inlet is substituted until {_text(shift, 30)}; it counts as uncertain",
    )
    shift.watch(40, status={"aux-inlet": 0x82})
    assert shift.reading("aux-inlet") == (pytest.approx(30.0), Reason.SUBSTITUTED)
    assert shift.engine.picture().derived["aux", "heat_w"][1] == Reason.SUBSTITUTED
    assert shift.raised() == {"signal-doubtful:aux-inlet": Reason.SUBSTITUTED}


def _text(shift: Shift, minutes: int) -> str:
    utc = streams.UTC + shift.t_ns + minutes * MINUTE
    return str(np.datetime64(utc // 1_000_000, "ms")) + "Z"


def test_the_picture_says_who_what_why_and_how_long() -> None:
    shift = Shift()
    shift.ask("substitute", **GOOD)
    utc = streams.UTC + shift.t_ns
    assert shift.engine.picture().substitutions == (
        ByHand(
            point="aux-flow", what="substituted", value=pytest.approx(80 * GPM), actor="tech",
            reason="meter out for cleaning", since_utc_ns=utc, until_utc_ns=utc + MINUTE,
        ),
    )  # fmt: skip


def test_a_substituted_flow_counts_as_unknown_with_the_brake_in_service() -> None:
    shift = Shift()
    shift.ask("substitute", **GOOD)
    shift.watch(30)
    assert shift.raised() == {
        "cooling-lost": Reason.SUBSTITUTED,
        "signal-doubtful:aux-flow": Reason.SUBSTITUTED,
    }


def test_out_of_service_a_substituted_flow_is_no_lost_flow() -> None:
    idle = {"aux-in-service": 0.0}
    shift = Shift(streams.parse(RIG.text.replace('meter = "inlet"', 'meter = "inlet"\nrotor-cool-down = "1 s"')))
    shift.watch(20, values=idle)
    shift.ask("substitute", **GOOD)
    shift.watch(60, values=idle)
    assert set(shift.raised()) == {"signal-doubtful:aux-flow"}


def test_a_brake_cannot_be_taken_out_of_service_by_a_substituted_contact() -> None:
    shift = Shift()
    assert shift.ask("substitute", **{**GOOD, "point": "aux-in-service", "value": "off"}).ok
    shift.watch(10, values={"aux-flow": 0.0})
    assert shift.reading("aux-in-service") == (0.0, Reason.SUBSTITUTED)
    assert "cooling-lost" in shift.raised()


def test_a_substitution_still_alarms_by_its_value() -> None:
    shift = Shift()
    shift.ask("substitute", **{**GOOD, "point": "aux-inlet", "value": "120 degF"})
    shift.watch(40)
    assert "inlet-temperature-high" in shift.raised()


@pytest.mark.parametrize("do", ["substitute", "check-begin"])
def test_it_ends_by_itself(do: str) -> None:
    shift = Shift()
    shift.ask(do, **{**GOOD, "point": "tank-temperature", "value": "30 degC"})
    shift.watch(400)
    held = Reason.SUBSTITUTED if do == "substitute" else Reason.FUNCTION_CHECK
    assert shift.codes["tank-temperature"] == [0] * 5 + [held] * 299 + [0] * 101
    assert shift.held() == []


def test_it_ends_in_steady_time_whatever_the_wall_clock_does() -> None:
    shift = Shift()
    shift.ask("substitute", **GOOD)
    shift.watch(250, utc0=streams.UTC - 10**15)
    assert shift.held() == [("aux-flow", "substituted")]
    shift.watch(60, utc0=streams.UTC + 10**16)
    assert shift.held() == []


def test_until() -> None:
    shift = Shift()
    ahead = str(np.datetime64((streams.UTC + shift.t_ns + 30 * 10**9) // 10**9, "s")) + "Z"
    assert shift.ask("substitute", **{**_without("minutes"), "until": ahead}).ok
    shift.watch(160)
    assert 140 <= shift.codes["aux-flow"].count(Reason.SUBSTITUTED) <= 150


def test_restore_ends_it_early() -> None:
    shift = Shift()
    shift.ask("substitute", **GOOD)
    shift.watch(3)
    answer = shift.ask("restore", point="aux-flow")
    assert (answer.ok, answer.says) == (True, "aux-flow is measured again")
    shift.watch(3)
    assert shift.codes["aux-flow"] == [0] * 5 + [Reason.SUBSTITUTED] * 3 + [0] * 3
    assert not shift.ask("restore", point="aux-flow").ok


def test_a_second_value_takes_the_place_of_the_first() -> None:
    shift = Shift()
    shift.ask("substitute", **GOOD)
    assert shift.ask("substitute", **{**GOOD, "value": "60 gal/min"}).ok
    shift.watch(2)
    assert shift.reading("aux-flow")[0] == pytest.approx(60 * GPM)
    assert len(shift.held()) == 1


def test_a_loop_under_check_is_bad_and_its_alarms_say_so() -> None:
    shift = Shift()
    answer = shift.ask("check-begin", point="aux-flow", minutes=10, reason="loop check")
    assert "under function check until" in answer.says
    shift.watch(60, values={"aux-flow": 0.0})
    assert shift.reading("aux-flow") == (0.0, Reason.FUNCTION_CHECK)
    assert shift.raised() == {
        "cooling-lost": Reason.FUNCTION_CHECK,
        "signal-bad:aux-flow": Reason.FUNCTION_CHECK,
    }
    assert shift.held() == [("aux-flow", "function-check")]
    assert shift.ask("check-end", point="aux-flow").says.startswith("aux-flow is measured again; raised meanwhile")
    shift.watch(1)
    assert shift.reading("aux-flow")[1] == 0


def test_a_worse_reason_shows_through_a_check() -> None:
    shift = Shift()
    shift.ask("check-begin", point="aux-flow", minutes=10, reason="loop check")
    shift.watch(3, status={"plc1": Status.SILENT})
    assert shift.reading("aux-flow")[1] == Reason.NO_ANSWER


def test_a_value_stands_in_for_a_point_of_a_silent_device_and_is_seen() -> None:
    shift = Shift()
    shift.ask("substitute", **{**GOOD, "point": "aux-inlet", "value": "30 degC"})
    shift.watch(60, status={"plc1": Status.SILENT})
    assert shift.raised().keys() == {"device-silent:plc1", "cooling-lost", "signal-doubtful:aux-inlet"}


REFUSALS = {
    "no point": ({"point": None}, "say which point"),
    "unknown point": ({"point": "aux-flwo"}, 'no point "aux-flwo"; nearest: aux-flow'),
    "own point": ({"point": "self.broker"}, "the watch's own"),
    "no reason": ({"reason": None}, "a reason is needed"),
    "blank reason": ({"reason": "  "}, "a reason is needed"),
    "long reason": ({"reason": "x" * 501}, "at most 500"),
    "no value": ({"value": None}, "a value with its unit"),
    "bare number": ({"value": 80}, "a value with its unit"),
    "no unit": ({"value": "80"}, "without a unit"),
    "other unit": ({"value": "80 degF"}, "gal/min"),
    "ambiguous": ({"value": "80 gal"}, "imp gal/min"),
    "no end": ({"minutes": None}, "an end is needed"),
    "two ends": ({"until": "2031-02-03T06:00:00Z"}, "one of them"),
    "over 8 h": ({"minutes": 481}, "at most 8 h"),
    "zero": ({"minutes": 0}, "must lie ahead"),
    "negative": ({"minutes": -5}, "must lie ahead"),
    "not a number": ({"minutes": "soon"}, "minutes 'soon'"),
    "nan": ({"minutes": float("nan")}, "minutes nan"),
    "endless": ({"minutes": float("inf")}, "minutes inf"),
    "true": ({"minutes": True}, "minutes True"),
    "a list": ({"minutes": [5]}, "minutes [5]"),
    "past": ({"minutes": None, "until": "2020-01-01T00:00:00Z"}, "must lie ahead"),
    "far": ({"minutes": None, "until": "2199-01-01T00:00:00Z"}, "at most 8 h"),
    "today": ({"minutes": None, "until": "now"}, "until 'now'"),
    "no such day": ({"minutes": None, "until": "2031-06-31T00:00:00Z"}, "until '2031-06-31"),
    "a contact": ({"point": "aux-in-service", "value": "1.0"}, '"on" or "off"'),
    "beyond the sensor": ({"point": "aux-inlet", "value": "300 degC"}, "outside of what the sensor"),
}


def _without(*keys: str, **more: object) -> dict[str, object]:
    found = {**GOOD, **more}
    return {key: value for key, value in found.items() if key not in keys and value is not None}


@pytest.mark.parametrize("why", REFUSALS)
def test_refusals_say_what_to_do_and_change_nothing(why: str) -> None:
    changes, says = REFUSALS[why]
    shift = Shift()
    answer = shift.ask("substitute", **_without(**changes))  # type: ignore[arg-type]
    assert not answer.ok
    assert says in answer.says
    assert len(answer.says) < 500
    assert shift.held() == []
    shift.watch(1)
    assert shift.reading("aux-flow")[1] == 0


@pytest.mark.parametrize("args", [{"point": "aux-flow", "minutes": 5}, {"point": "aux-flow", "reason": "x"}, {}])
def test_a_check_needs_its_reason_and_its_end(args: dict[str, object]) -> None:
    assert not Shift().ask("check-begin", **args).ok


def test_one_thing_at_a_time() -> None:
    shift = Shift()
    shift.ask("check-begin", point="aux-flow", minutes=5, reason="x")
    assert "under function check by tech" in shift.ask("substitute", **GOOD).says
    assert not shift.ask("restore", point="aux-flow").ok
    shift.ask("check-end", point="aux-flow")
    shift.ask("substitute", **GOOD)
    assert "substituted by tech" in shift.ask("check-begin", point="aux-flow", minutes=5, reason="x").says
    assert not shift.ask("check-end", point="aux-flow").ok


def test_an_ended_one_stands_in_nobodys_way() -> None:
    shift = Shift()
    shift.ask("check-begin", point="aux-flow", minutes=0.01, reason="x")
    shift.watch(4)
    assert shift.ask("substitute", **GOOD).ok


def test_it_goes_on_over_a_restart() -> None:
    shift = Shift()
    shift.ask("substitute", **GOOD)
    shift.watch(100)
    before = shift.engine.picture().substitutions
    shift.restart()
    assert shift.engine.picture().substitutions == before
    shift.watch(199)
    assert shift.held()
    shift.watch(2)
    assert not shift.held()


def test_it_goes_on_over_new_wiring_and_ends_with_its_point() -> None:
    shift = Shift()
    shift.ask("substitute", **{**GOOD, "point": "tank-temperature", "value": "30 degC"})
    shift.restart(streams.parse(RIG.text.replace("address = 10", "address = 20")))
    assert shift.held() == [("tank-temperature", "substituted")]
    shift.restart(streams.parse(RIG.text.replace('"tank-temperature"\nrole', '"tank"\nrole')))
    assert shift.held() == []


def test_what_a_check_raised_is_named_at_its_end() -> None:
    """It does not go with the check: the crew acknowledges it, so whoever ends the check must hear of it."""
    shift = Shift().watch(20, values={"aux-inlet": 45.0})  # raised before: no work of the check's
    shift.watch(60, values={"aux-inlet": 45.0})
    assert "inlet-temperature-high" in shift.raised()
    shift.ask("check-begin", point="aux-flow", minutes=10, reason="loop check")
    shift.watch(50)
    assert shift.ask("check-end", point="aux-flow").says == (
        "aux-flow is measured again; raised meanwhile, and the crew must still acknowledge: aux.cooling-lost,"
        " rig.signal-bad:aux-flow"
    )
    shift.ask("acknowledge", alarm="all")
    shift.ask("check-begin", point="aux-flow", minutes=10, reason="again, all acknowledged")
    shift.watch(1)
    assert shift.ask("check-end", point="aux-flow").says == "aux-flow is measured again"


def test_who_takes_the_place_of_another_is_told() -> None:
    shift = Shift()
    assert "takes the place" not in shift.ask("substitute", **GOOD).says
    assert shift.ask("substitute", **GOOD).says.endswith("it takes the place of what tech entered")
    assert shift.ask("restore", point="aux-flow").ok
    assert "takes the place" not in shift.ask("check-begin", **CHECKED).says
    assert shift.ask("check-begin", **CHECKED).says.endswith("whoever ends one ends both")


# ---- what outlives it is real

LOST = {"aux-flow": 0.0}
BEFORE = "0.2.0"
"""The last version that knew nothing of a loss that came as unknown and was measured afterwards."""
CHECKED = {"point": "aux-flow", "minutes": 1, "reason": "loop check"}


def begun(verb: str, version: str = "0", **more: object) -> Shift:
    """The cooling lost by hand, and nobody has seen it yet."""
    shift = Shift(version=version)
    args = GOOD if verb == "substitute" else CHECKED
    assert shift.ask(verb, **{**args, **more}).ok
    shift.watch(25)
    assert shift.state_of("cooling-lost") == "unacknowledged"
    return shift


def recalled(shift: Shift) -> list[tuple[str, float | None, int]]:
    found = [event for event in shift.events if event.why == "re-alarm"]
    return [(event.alarm, event.value, event.reason) for event in found]


@pytest.mark.parametrize(("verb", "end"), [("check-begin", "check-end"), ("substitute", "restore")])
@pytest.mark.parametrize("seen", ["during", "after"])
@pytest.mark.parametrize("restarts", [False, True])
def test_water_lost_behind_a_point_held_by_hand_sounds_again(verb: str, end: str, seen: str, *, restarts: bool) -> None:
    """The crew acknowledged it for the check. What it shows when that is over is measured, and nobody has heard it."""
    shift = begun(verb, recall=True)
    if seen == "during":
        assert shift.ask("acknowledge", alarm="all").ok
    if restarts:
        shift.restart()
    shift.watch(5, values=LOST)
    assert shift.ask(end, point="aux-flow").ok
    if seen == "after":
        assert shift.ask("acknowledge", alarm="all").ok
    if restarts:
        shift.restart()
    shift.watch(60, values=LOST)
    assert recalled(shift) == [("cooling-lost", 0.0, Reason.GOOD)]
    assert shift.state_of("cooling-lost") == "unacknowledged"
    assert shift.ask("acknowledge", alarm="all").ok
    shift.watch(600, values=LOST)
    assert len(recalled(shift)) == 1


def test_an_alarm_that_never_re_alarms_is_recalled_all_the_same() -> None:
    """Only what is critical asks again after half an hour; what outlives a hand is heard once more whatever it is."""
    shift, hot = Shift(), {"aux-inlet": 45.0}
    assert shift.ask("substitute", point="aux-inlet", value="45 degC", minutes=10, reason="x", recall=True).ok
    shift.watch(60, values=hot)
    assert shift.state_of("inlet-temperature-high") == "unacknowledged"
    assert shift.ask("acknowledge", alarm="all").ok
    assert shift.ask("restore", point="aux-inlet").ok
    shift.watch(60, values=hot)
    assert [(alarm, reason) for alarm, _, reason in recalled(shift)] == [("inlet-temperature-high", Reason.GOOD)]


def test_what_outlives_a_hand_does_not_wait_for_its_re_alarm_nor_that_for_it() -> None:
    """Whichever is due first."""
    for re_alarm, wait_s in (("24 h", 6.0), ("1 min", 2.0)):
        more = f'[[brake.alarm]]\nalarm = "inlet-temperature-high"\nre-alarm = "{re_alarm}"\n[[lamp]]'
        shift, hot = Shift(streams.parse(streams.changed(RIG.text, ("[[lamp]]", more)))), {"aux-inlet": 45.0}
        assert shift.ask("substitute", point="aux-inlet", value="45 degC", minutes=10, reason="x", recall=True).ok
        shift.watch(60, values=hot)
        assert shift.ask("acknowledge", alarm="all").ok
        shift.watch(round((60.0 - wait_s) * 5), values=hot)
        assert not recalled(shift)
        if re_alarm == "24 h":
            assert shift.ask("restore", point="aux-inlet").ok
        shift.watch(60, values=hot)
        assert [alarm for alarm, _, _ in recalled(shift)] == ["inlet-temperature-high"]


def test_it_sounds_again_where_the_time_ran_out_too() -> None:
    shift = begun("check-begin", recall=True)
    assert shift.ask("acknowledge", alarm="all").ok
    shift.watch(250)
    assert not recalled(shift)
    shift.watch(60, values=LOST)
    assert recalled(shift) == [("cooling-lost", 0.0, Reason.GOOD)]


def test_a_check_that_is_prolonged_recalls_at_its_new_end() -> None:
    shift = begun("check-begin", recall=True)
    assert shift.ask("acknowledge", alarm="all").ok
    assert shift.ask("check-begin", **{**CHECKED, "minutes": 3, "recall": True}).ok
    shift.watch(600)
    assert not recalled(shift)
    shift.watch(400, values=LOST)
    assert recalled(shift) == [("cooling-lost", 0.0, Reason.GOOD)]


def test_the_end_of_one_check_does_not_wait_for_another() -> None:
    shift = begun("check-begin", recall=True)
    assert shift.ask("check-begin", point="aux-level", minutes=60, reason="x", recall=True).ok
    assert shift.ask("acknowledge", alarm="all").ok
    assert shift.ask("check-end", point="aux-flow").ok
    shift.watch(5, values=LOST)
    shift.ask("silence")
    assert shift.ask("loop-sheet", point="aux-flow", sheet={}).ok
    shift.watch(40, values=LOST)
    assert recalled(shift) == [("cooling-lost", 0.0, Reason.GOOD)]


def recalled_however_cut(apart: Shift, whole: Shift, scans: int) -> None:
    """Two of the same past: scan by scan and in one block the lost water sounds again at the same scan."""
    for _ in range(scans):
        apart.watch(1, values=LOST)
    whole.watch(scans, values=LOST)
    assert apart.events == whole.events
    assert apart.engine.state() == whole.engine.state()
    assert recalled(whole)


def test_it_is_the_same_however_the_scans_are_cut() -> None:
    apart, whole = begun("check-begin", recall=True), begun("check-begin", recall=True)
    for shift in (apart, whole):
        shift.ask("acknowledge", alarm="all")
    recalled_however_cut(apart, whole, 320)


def test_with_water_flowing_afterwards_nothing_sounds_again() -> None:
    shift = begun("check-begin", recall=True)
    shift.ask("acknowledge", alarm="all")
    shift.ask("check-end", point="aux-flow")
    shift.watch(200)
    assert not recalled(shift)
    assert shift.state_of("cooling-lost") == "normal"


def test_a_record_of_before_is_carried_out_as_it_was() -> None:
    """Its commands do not say that alarms are recalled, and its snapshots hold nothing of it."""
    shift = begun("check-begin", version=BEFORE)
    shift.ask("acknowledge", alarm="all")
    shift.ask("check-end", point="aux-flow")
    shift.watch(300, values=LOST)
    assert not recalled(shift)
    assert b'"by-hand"' not in shift.engine.state()
    assert b'"recalls"' not in shift.engine.state()


# ---- what came as unknown

NO_ANSWER = {"status": {"plc1": Status.SILENT}}
NO_FLOW = {"raw": {"aux-flow": 40_000.0}}


def unseen_since(what: dict[str, object], version: str = "0") -> Shift:
    """The cooling lost since nobody knows the flow, and acknowledged as such."""
    shift = Shift(version=version)
    shift.watch(25, **what)
    assert shift.ask("acknowledge", alarm="all").ok
    shift.watch(25, **what)
    assert shift.state_of("cooling-lost") == "acknowledged"
    return shift


@pytest.mark.parametrize("what", [NO_ANSWER, NO_FLOW], ids=["silent", "broken"])
@pytest.mark.parametrize("restarts", [False, True])
def test_water_lost_behind_a_signal_that_was_gone_sounds_again(what: dict[str, object], *, restarts: bool) -> None:
    """Seen as a PLC that is away or a broken wire; when the signal is back it shows that there is no water."""
    shift = unseen_since(what)
    if restarts:
        shift.restart()
    shift.watch(30, values=LOST)
    assert recalled(shift) == [("cooling-lost", 0.0, Reason.GOOD)]
    (event,) = (event for event in shift.events if event.why == "re-alarm")
    assert event.cause is None
    assert shift.ask("acknowledge", alarm="all").ok
    shift.watch(600, values=LOST)
    assert len(recalled(shift)) == 1


def test_a_signal_that_is_back_with_water_sounds_nothing() -> None:
    shift = unseen_since(NO_ANSWER)
    shift.watch(15, values=LOST)  # a PLC's first moments: no longer than a loop needs to settle
    shift.watch(60)
    assert not recalled(shift)
    assert shift.state_of("cooling-lost") == "normal"


def test_a_loss_nobody_has_seen_yet_shows_what_is_measured_and_no_cause_of_before() -> None:
    shift = Shift()
    shift.watch(25, **NO_ANSWER)
    now = next(one for one in shift.engine.alarms() if one.alarm == "cooling-lost")
    assert (now.cause, now.value) == ("rig.device-silent:plc1", None)
    shift.watch(60, values=LOST)
    now = next(one for one in shift.engine.alarms() if one.alarm == "cooling-lost")
    assert (now.state, now.cause, now.value) == ("unacknowledged", None, 0.0)
    assert not recalled(shift)


def test_what_came_as_unknown_is_the_same_however_the_scans_are_cut() -> None:
    recalled_however_cut(unseen_since(NO_ANSWER), unseen_since(NO_ANSWER), 60)


def test_a_record_of_before_says_nothing_more_of_what_came_as_unknown() -> None:
    shift = unseen_since(NO_ANSWER, BEFORE)
    assert b'"unmeasured"' not in shift.engine.state()
    shift.watch(60, values=LOST)
    assert not recalled(shift)
