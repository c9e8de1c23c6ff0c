"""Masks, horn, roles, causes, chatter, flood and re-alarm, each on a stream made for it. Demo rig, brake ``aux``."""

from typing import Any

import numpy as np
import pytest

import streams
from brakewater import render
from brakewater.engine import Engine
from brakewater.engine.flood import Flood
from brakewater.errors import RigFileError
from brakewater.rig import Rig
from brakewater.rig.people import MAY, VERBS
from brakewater.stream import AlarmNow, Answer, Event, Outcome

RIG = streams.demo()
IDLE = {"aux-in-service": 0.0}
LONG_SCANS = 1_201 * 5
"""More than the rotor's twenty minutes."""
SUPPRESS = """
[[suppress]]
alarms = ["aux.inlet-temperature-high"]
point = "pump-running"
state = "off"
after = "2 s"
basis = "no water moves: the inlet reading is the pipe's; decided by the engineer"
"""


class Desk:
    """An engine, and people who type."""

    def __init__(self, rig: Rig = RIG, version: str = "0") -> None:
        self.rig, self.engine, self.number = rig, Engine(), 0
        self.engine.feed(streams.start(rig, version=version))
        self.scans(60)

    def scans(self, n: int, **values: Any) -> tuple[Event, ...]:
        named = {key.replace("_", "-"): value for key, value in values.items()}
        block = streams.scans(self.rig, n, first=self.number + 1, values=named)
        self.number += n
        return self.engine.feed(block).events

    def ask(self, do: str, actor: str = "driller", **args: Any) -> Answer:
        return self.outcome(do, actor, **args).answers[0]

    def outcome(self, do: str, actor: str = "driller", **args: Any) -> Outcome:
        after = streams.scans(self.rig, 1, first=self.number)
        self.number += 1
        return self.engine.feed(streams.command(after, do, key=f"k{self.number}", actor=actor, **args))

    def now(self, alarm: str) -> AlarmNow:
        return next(now for now in self.engine.alarms() if now.alarm == alarm)

    def horn(self) -> str:
        return str(render.horn_now(self.rig, self.engine.picture())["sound"])

    def lamp(self, name: str) -> str:
        return str(render.lamps(self.rig, self.engine.picture())[name]["aspect"])


HOT = {"aux_inlet": 40.0}


def test_shelving_hides_the_lamp_says_who_and_why_and_ends_by_itself() -> None:
    desk = Desk()
    desk.scans(40, **HOT)
    assert desk.lamp("temperature") == "flash"
    outcome = desk.outcome("shelve", alarm="aux.inlet-temperature-high", minutes=1, reason="known, cooler ordered")
    (event,), (answer,) = outcome.events, outcome.answers
    assert answer.ok
    assert (event.was, event.now, event.why, event.actor, event.note, event.active) == (
        "unacknowledged", "shelved", "command", "driller", "known, cooler ordered", True,
    )  # fmt: skip
    assert (desk.lamp("temperature"), desk.horn()) == ("off", "off")
    (mask,) = desk.now("inlet-temperature-high").masks
    assert (mask.mask, mask.actor, mask.reason) == ("shelved", "driller", "known, cooler ordered")
    assert desk.scans(298, **HOT) == ()
    (event,) = desk.scans(10, **HOT)
    assert (event.was, event.now, event.why, event.actor) == ("shelved", "unacknowledged", "time-limit", None)


def test_what_comes_and_goes_under_a_mask_is_recorded_and_seen_at_its_end() -> None:
    desk = Desk()
    assert desk.ask("out-of-service", "tech", alarm="aux.inlet-temperature-high", reason="RTD being changed").ok
    (event,) = desk.scans(40, **HOT)
    assert (event.was, event.now, event.why, event.active) == ("out-of-service", "out-of-service", "condition", True)
    assert desk.horn() == "off"
    (event,) = desk.outcome("return-to-service", "tech", alarm="aux.inlet-temperature-high").events
    assert (event.now, event.first_out) == ("unacknowledged", True)
    assert desk.horn() == "alarm"


def test_a_shelf_ends_at_the_scan_of_its_time_wherever_a_block_ends() -> None:
    """A minute is 300 scans after the one that it was asked for behind."""
    desk = Desk()
    desk.scans(40, **HOT)
    asked = desk.number
    assert desk.ask("shelve", alarm="aux.inlet-temperature-high", minutes=1, reason="x").ok
    (event,) = (one for one in desk.scans(600, **HOT) if one.why == "time-limit")
    assert event.input == pytest.approx(asked + 300, abs=2)


@pytest.mark.parametrize("do", ["shelve", "out-of-service"])
@pytest.mark.parametrize("alarm", ["aux.cooling-lost", "aux.brake-level-high"])
def test_nothing_masks_a_protected_alarm_with_the_brake_in_service(do: str, alarm: str) -> None:
    desk = Desk()
    answer = desk.ask(do, "engineer", alarm=alarm, minutes=5, reason="x")
    assert not answer.ok
    assert "in service, or its rotor may be hot" in answer.says
    assert desk.now(alarm.removeprefix("aux.")).masks == ()


def test_a_mask_laid_while_idle_is_lifted_with_the_first_scan_in_service() -> None:
    desk = Desk()
    desk.scans(LONG_SCANS, aux_in_service=0.0)
    assert desk.ask("out-of-service", "tech", alarm="aux.cooling-lost", reason="loop check").ok
    assert desk.scans(10, aux_in_service=0.0) == ()
    (event,) = desk.scans(1)
    assert (event.was, event.now, event.why) == ("out-of-service", "normal", "in-service")


def test_it_is_lifted_at_that_scan_in_the_middle_of_a_block() -> None:
    desk = Desk()
    desk.scans(LONG_SCANS, aux_in_service=0.0)
    assert desk.ask("out-of-service", "tech", alarm="aux.cooling-lost", reason="loop check").ok
    (event,) = desk.scans(10, aux_in_service=np.repeat([0.0, 1.0], [6, 4]))
    assert (event.why, event.input) == ("in-service", desk.number - 3)


def test_how_long_a_contact_has_said_so_goes_over_a_restart() -> None:
    desk = Desk(streams.parse(RIG.text + SUPPRESS))
    values = {"aux-in-service": 0.0, "pump-running": 0.0}
    assert not [one for one in desk.scans(6, aux_in_service=0.0, pump_running=0.0) if one.why == "design"]
    engine, begun = Engine(), desk.number - 5
    engine.feed(streams.start(desk.rig, run=2, t_ns=desk.number * desk.rig.scan_ns, snapshot=desk.engine.state()))
    events = engine.feed(streams.scans(desk.rig, 20, run=2, first=desk.number + 1, values=values)).events
    assert [one.input - begun for one in events if one.why == "design"] == [10]  # 2 s


def test_suppressed_by_design_follows_its_contact_and_ends_with_the_unknown() -> None:
    desk = Desk(streams.parse(RIG.text + SUPPRESS))
    found = desk.scans(30, aux_in_service=0.0, pump_running=0.0)
    (event,) = (event for event in found if event.alarm == "inlet-temperature-high")
    assert (event.alarm, event.now, event.why, event.actor) == ("inlet-temperature-high", "suppressed", "design", None)
    (mask,) = desk.now("inlet-temperature-high").masks
    assert mask.reason.startswith("no water moves")
    for _ in range(3):  # and stays so from block to block
        assert not [event for event in desk.scans(10, aux_in_service=0.0, pump_running=0.0) if event.why == "design"]
        assert desk.now("inlet-temperature-high").state == "suppressed"
    block = streams.scans(desk.rig, 1, first=desk.number + 1, status={"pump-running": 0x82})
    events = desk.engine.feed(block).events
    assert [(event.was, event.now) for event in events if event.why == "design"] == [("suppressed", "normal")]


BESIDE = streams.changed(
    SUPPRESS, ("aux.inlet-temperature-high", "aux.cooling-margin-low"), ("no water moves", "nothing is cooled")
)
WORKED_ON = streams.changed(SUPPRESS, ("pump-running", "aux-in-service"), ("no water moves", "the brake is worked on"))


@pytest.mark.parametrize("cut", [[160], [1], [37, 43, 80], [3]])
@pytest.mark.parametrize(
    ("more", "after_s"),
    [
        ("", {}),
        (BESIDE, {"cooling-margin-low": 2}),
        (streams.changed(BESIDE, ('after = "2 s"', 'after = "4 s"')), {"cooling-margin-low": 4}),
    ],
)
def test_rows_of_one_contact_hold_and_end_at_the_same_scans_however_blocks_are_cut(
    more: str, after_s: dict[str, int], cut: list[int]
) -> None:
    """The pump stands for 40 scans twice, and five more between tell a timer of its own from one begun again."""
    rig, engine = streams.parse(RIG.text + SUPPRESS + more), Engine()
    engine.feed(streams.start(rig))
    pump = np.repeat([0.0, 1.0, 0.0, 1.0, 0.0, 1.0], [40, 5, 5, 5, 40, 65])
    block = streams.scans(rig, 160, values={"pump-running": pump, "aux-in-service": 0.0})
    events = [one for part in streams.cut([block], cut) for one in engine.feed(part).events if one.why == "design"]
    for alarm, seconds in ({"inlet-temperature-high": 2} | after_s).items():
        found = [(one.input, one.now) for one in events if one.alarm == alarm]
        assert found == [
            (begun + 5 * seconds * (now == "suppressed"), now)
            for begun, now in ((1, "suppressed"), (41, "normal"), (56, "suppressed"), (96, "normal"))
        ]


def test_either_state_of_a_contact_has_a_timer_of_its_own() -> None:
    rig, engine = streams.parse(RIG.text + SUPPRESS + streams.changed(BESIDE, ('"off"', '"on"'))), Engine()
    engine.feed(streams.start(rig))
    pump = np.repeat([0.0, 1.0, 0.0], [40, 40, 9])
    block = streams.scans(rig, 89, values={"pump-running": pump, "aux-in-service": 0.0})
    events = [one for one in engine.feed(block).events if one.why == "design"]
    assert [(one.input, one.alarm, one.now) for one in events] == [
        (11, "inlet-temperature-high", "suppressed"),
        (41, "inlet-temperature-high", "normal"),
        (51, "cooling-margin-low", "suppressed"),
        (81, "cooling-margin-low", "normal"),
    ]


@pytest.mark.parametrize("rows", [SUPPRESS + WORKED_ON, WORKED_ON + SUPPRESS])
@pytest.mark.parametrize(("version", "named"), [("0.4.0", True), ("0.3.0", False)])
def test_an_alarm_that_two_rows_suppress_is_so_while_one_holds_and_says_why(
    rows: str, version: str, *, named: bool
) -> None:
    """First the pump stands, then the brake is out of service too, then only that, then again, from the beginning."""
    desk = Desk(streams.parse(RIG.text + rows), version=version)
    pump, service = (np.repeat(states, [20, 20, 20, 20]) for states in ([0.0, 0.0, 1.0, 1.0], [1.0, 0.0, 0.0, 1.0]))
    found = [one for one in desk.scans(80, pump_running=pump, aux_in_service=service) if one.why == "design"]
    assert [(one.input - desk.number + 80, one.now) for one in found] == [(11, "suppressed"), (61, "normal")]
    desk.scans(20, aux_in_service=0.0)
    (mask,) = desk.now("inlet-temperature-high").masks
    first = "the brake is worked on" if rows.startswith(WORKED_ON) else "no water moves"
    assert mask.reason.startswith("the brake is worked on" if named else first)
    assert mask.since_utc_ns == streams.scans(desk.rig, 1, first=desk.number - 9).utc_ns[0]


def test_a_row_taken_out_of_the_rig_file_hides_nothing_any_more() -> None:
    desk = Desk(streams.parse(RIG.text + SUPPRESS))
    desk.scans(60, aux_inlet=40.0, pump_running=0.0)
    assert desk.now("inlet-temperature-high").state == "suppressed"
    other = streams.changed(SUPPRESS, ("aux.inlet-temperature-high", "aux.cooling-margin-low"))
    for text in (RIG.text, RIG.text + other):
        engine, rig = Engine(), streams.parse(text)
        engine.feed(streams.start(rig, run=2, t_ns=desk.number * rig.scan_ns, snapshot=desk.engine.state()))
        values = {"aux-inlet": 40.0, "pump-running": 0.0}
        events = engine.feed(streams.scans(rig, 10, run=2, first=desk.number + 1, values=values)).events
        hot = [(one.was, one.now, one.why) for one in events if one.alarm == "inlet-temperature-high"]
        assert hot == [("suppressed", "unacknowledged", "design")]


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        ("aux.inlet-temperature-high", "cooling-lost", "nothing hides cooling-lost"),
        ("aux.inlet-temperature-high", "inlet-hot", "aux.inlet-temperature-high"),
        ("pump-running", "aux-flow", "aux-in-service"),
        ("no water moves: the inlet reading is the pipe's; decided by the engineer", " ", "why these alarms mean"),
    ],
)
def test_bad_rows_of_the_table_are_refused(old: str, new: str, found: str) -> None:
    with pytest.raises(RigFileError, match=found):
        streams.parse(RIG.text + streams.changed(SUPPRESS, (old, new)))


def test_silence_is_not_acknowledgement_and_the_next_alarm_sounds_again() -> None:
    desk = Desk()
    desk.scans(40, **HOT)
    assert desk.horn() == "alarm"
    outcome = desk.outcome("silence")
    assert [(event.was, event.now, event.why) for event in outcome.events] == [("unacknowledged",) * 2 + ("silence",)]
    assert (desk.horn(), desk.lamp("temperature")) == ("off", "flash")
    assert desk.ask("silence").says == "nothing to silence: no alarm sounds"
    desk.scans(10, aux_level=0.5, **HOT)
    assert desk.horn() == "alarm"


def test_a_consequence_is_shown_as_such_and_does_not_sound_again() -> None:
    desk = Desk()
    events = desk.scans(4, aux_flow=0.0)
    assert [(event.alarm, event.cause, event.first_out) for event in events] == [("cooling-lost", None, True)]
    desk.ask("silence")
    (event,) = (event for event in desk.scans(12, aux_flow=0.0) if event.alarm == "cooling-flow-low")
    assert (event.cause, event.first_out) == ("aux.cooling-lost", False)
    assert desk.horn() == "off"
    text = render.alarm_now(desk.rig, desk.now("cooling-flow-low"))["text"]
    assert text.endswith("Follows from: Cooling water lost.")


@pytest.mark.parametrize(("version", "cause"), [("0", None), ("0.3.0", "aux.cooling-lost")])
def test_nothing_follows_any_more_from_what_is_over(version: str, cause: str | None) -> None:
    desk = Desk(version=version)
    desk.scans(20, aux_flow=0.0)
    assert desk.now("cooling-flow-low").cause == "aux.cooling-lost"
    desk.scans(30, aux_flow=50 * streams.GPM)
    assert desk.now("cooling-lost").state == "returned-unacknowledged"
    assert (desk.now("cooling-flow-low").state, desk.now("cooling-flow-low").cause) == ("unacknowledged", cause)
    text = render.alarm_now(desk.rig, desk.now("cooling-flow-low"))["text"]
    assert ("Follows from" in text) == bool(cause)


def test_what_follows_from_a_chain_follows_from_the_next_in_it_when_the_first_is_over() -> None:
    desk = Desk()
    desk.scans(30, pump_running=0.0, aux_flow=0.0)
    assert {desk.now(one).cause for one in ("cooling-lost", "cooling-flow-low")} == {"rig.pump-stopped"}
    desk.scans(20, aux_flow=0.0)
    assert desk.now("pump-stopped").state == "returned-unacknowledged"
    assert (desk.now("cooling-lost").cause, desk.now("cooling-flow-low").cause) == (None, "aux.cooling-lost")


@pytest.mark.parametrize(("version", "horn"), [("0", "alarm"), ("0.2.0", "off")])
def test_whoever_has_seen_that_the_inlet_is_warm_hears_that_the_outlet_is_too_hot(version: str, horn: str) -> None:
    desk = Desk(version=version)
    desk.scans(40, **HOT)
    assert desk.ask("acknowledge", alarm="all").ok
    desk.scans(600, **HOT)
    (event,) = desk.scans(10, aux_outlet=72.0, **HOT)
    assert (event.alarm, event.cause) == ("outlet-temperature-high", "aux.inlet-temperature-high")
    assert (desk.horn(), desk.lamp("temperature")) == (horn, "flash")


@pytest.mark.parametrize(("version", "cause"), [("0", None), ("0.2.0", "aux.inlet-temperature-high")])
def test_how_much_the_water_warms_up_does_not_follow_from_a_warm_inlet(version: str, cause: str | None) -> None:
    rise = '[[brake.alarm]]\nalarm = "outlet-rise-high"\nsetpoint = "20 degF"\n[[lamp]]'
    desk = Desk(streams.parse(streams.changed(RIG.text, ("[[lamp]]", rise))), version)
    desk.scans(40, **HOT, aux_outlet=45.0)
    assert desk.ask("acknowledge", alarm="all").ok
    (event,) = (event for event in desk.scans(20, **HOT, aux_outlet=60.0) if event.alarm == "outlet-rise-high")
    assert event.cause == cause


def test_an_alarm_that_chatters_is_held_and_never_hidden() -> None:
    desk, moves = Desk(), []
    for _ in range(3):
        moves += desk.scans(20, aux_flow=70 * streams.GPM) + desk.scans(30)
    assert desk.now("cooling-flow-low").chattering
    assert [event.now for event in moves][-1] == "unacknowledged"  # the third time it stays up
    assert desk.scans(200) == ()
    (event,) = desk.scans(100)  # 60 s clear
    assert event.now == "returned-unacknowledged"
    assert not desk.now("cooling-flow-low").chattering


def test_acknowledged_and_still_standing_it_asks_again() -> None:
    rig = streams.parse(
        streams.changed(RIG.text, ("[[lamp]]", '[[brake.alarm]]\nalarm = "cooling-lost"\nre-alarm = "1 min"\n[[lamp]]'))
    )
    desk = Desk(rig)
    desk.scans(10, aux_flow=0.0)
    desk.ask("acknowledge", alarm="all")
    assert not [event for event in desk.scans(298, aux_flow=0.0) if event.alarm == "cooling-lost"]
    (event,) = desk.scans(5, aux_flow=0.0)
    assert (event.was, event.now, event.why) == ("acknowledged", "unacknowledged", "re-alarm")
    assert desk.horn() == "alarm"


@pytest.mark.parametrize(("do", "args", "why"), [
    ("shelve", {"minutes": 1, "reason": "x"}, "time-limit"), ("acknowledge", {}, "re-alarm"),
])  # fmt: skip
def test_what_is_due_at_a_blocks_last_scan_comes_with_that_block(do: str, args: dict[str, Any], why: str) -> None:
    again = '[[brake.alarm]]\nalarm = "inlet-temperature-high"\nre-alarm = "1 min"\n[[lamp]]'
    desk = Desk(streams.parse(streams.changed(RIG.text, ("[[lamp]]", again))))
    desk.scans(40, **HOT)
    assert desk.ask(do, alarm="aux.inlet-temperature-high", **args).ok
    (event,) = desk.scans(299, **HOT)  # a minute after the scan that the command came behind
    assert (event.why, event.input) == (why, desk.number)


@pytest.mark.parametrize("longer", [-1, 0, 1])
def test_what_is_over_at_the_very_scan_does_not_ask_again(longer: int) -> None:
    alarm = '[[brake.alarm]]\nalarm = "cooling-lost"\nre-alarm = "1 min"\noff-delay = "0 s"\n[[lamp]]'
    desk = Desk(streams.parse(streams.changed(RIG.text, ("[[lamp]]", alarm))))
    desk.scans(10, aux_flow=0.0)
    desk.ask("acknowledge", alarm="all")
    events = desk.scans(310, aux_flow=np.repeat([0.0, 100 * streams.GPM], [298 + longer, 12 - longer]))
    moves = [(one.now, one.why) for one in events if one.alarm == "cooling-lost"]
    over = [("unacknowledged", "re-alarm"), ("returned-unacknowledged", "condition")]
    assert moves == (over if longer > 0 else [("normal", "condition")])


def test_in_a_flood_what_is_of_low_priority_makes_no_sound() -> None:
    desk = Desk()
    bad = {point.name: 60000.0 for point in RIG.points if point.device == "plc1" and not point.register.bit}
    raw = {name: np.full(40, value) for name, value in bad.items()}
    desk.engine.feed(streams.scans(RIG, 40, first=desk.number + 1, raw=raw, values={"aux-level": 0.5, "aux-flow": 0.0}))
    desk.number += 40
    desk.scans(30, aux_level=0.55, aux_flow=0.0, aux_inlet=45.0, aux_outlet=80.0)
    desk.scans(400, aux_flow=0.0, aux_inlet=45.0)
    for _ in range(2):
        desk.scans(60, aux_level=0.55, aux_flow=70 * streams.GPM, aux_outlet=85.0, aux_inlet=45.0)
        desk.scans(60)
    assert desk.engine.picture().flood
    desk.ask("silence")
    desk.scans(40, **{"self.broker": 0.0})
    assert desk.now("broker-lost").state == "unacknowledged"
    assert desk.now("broker-lost").silenced
    assert desk.horn() == "off"


def flooded(*rose_s: float) -> tuple[Flood, list[bool]]:
    """Alarms that came at those seconds, and whether each came in a flood."""
    flood = Flood()
    return flood, [flood.rise(round(t * 1e9)) for t in rose_s]


def test_a_flood_is_more_than_ten_alarms_in_ten_minutes() -> None:
    assert flooded(*range(11))[1] == [False] * 10 + [True]
    assert not any(flooded(*range(0, 6_100, 61))[1])  # ten minutes never see more than ten of these
    assert flooded(*range(0, 650, 59))[1][-1]


def test_a_flood_lasts_until_fewer_than_five_alarms_came_in_ten_minutes_and_then_takes_eleven_again() -> None:
    flood, _ = flooded(*range(11))
    assert flood.at(605_900_000_000)  # five of them, at 6 to 10 s, came within the last ten minutes
    assert not flood.at(606_100_000_000)
    assert not any(flood.rise(round(t * 1e9)) for t in range(607, 613))
    few, _ = flooded(*range(8))
    assert not few.at(8_000_000_000)


def test_lamp_test() -> None:
    desk = Desk()
    assert desk.ask("test").ok
    assert {desk.lamp(lamp.name) for lamp in RIG.lamps} == {"steady"}
    assert desk.horn() == "alarm"
    assert desk.scans(26) == ()
    assert {desk.lamp(lamp.name) for lamp in RIG.lamps} == {"off"}
    assert desk.horn() == "off"


def test_roles() -> None:
    desk = Desk()
    said = desk.ask("out-of-service", "driller", alarm="aux.inlet-temperature-high", reason="x").says
    assert said.startswith("'driller' is driller and may not out-of-service; may: acknowledge, silence")
    assert "is button and may not shelve" in desk.ask("shelve", "push-button:x", alarm="all").says
    assert "is unnamed and may not set" in desk.ask("set", "root").says
    rig = streams.parse(RIG.text + '\n[roles]\ndriller = ["acknowledge"]\n')
    assert Desk(rig).ask("silence").says == "'driller' is driller and may not silence; may: acknowledge"


def test_every_verb_is_somebodys_and_engineers_may_all() -> None:
    from brakewater.engine import commands  # noqa: PLC0415 - its tables

    tables = (commands.ALARMS, commands.SETTINGS, commands.DESK, commands.BY_HAND, commands.BOOKED)
    assert set(VERBS) == {verb for table in tables for verb in table}
    assert set(MAY["engineer"]) == set(VERBS)


@pytest.mark.parametrize(("seconds", "ok"), [(-59, True), (-61, False), (61, False)])
def test_a_stale_command_is_refused(seconds: int, ok: bool) -> None:  # noqa: FBT001 - the table's column
    desk = Desk()
    at = np.datetime64((streams.UTC + desk.number * RIG.scan_ns) // 1_000_000_000 + seconds, "s")
    answer = desk.ask("note", text="x", t=f"{at}Z")
    assert answer.ok == ok
    assert ok or "at most 60 s; give it again" in answer.says


def test_ringback_waits_for_its_reset_and_can_be_silenced() -> None:
    rig = streams.parse(
        streams.changed(RIG.text, ('alarms = ["inlet-temperature', 'sequence = "R"\nalarms = ["inlet-temperature'))
    )
    desk = Desk(rig)
    desk.scans(40, **HOT)
    desk.ask("acknowledge", alarm="all")
    desk.scans(40)
    assert (desk.lamp("temperature"), desk.horn()) == ("slow-flash", "ringback")
    assert desk.ask("silence").ok
    assert (desk.lamp("temperature"), desk.horn()) == ("slow-flash", "off")
    assert desk.ask("reset", alarm="all").ok
    assert desk.lamp("temperature") == "off"


def test_the_first_out_is_reset_where_its_window_shows_it() -> None:
    rig = streams.parse(
        streams.changed(RIG.text, ('alarms = ["cooling-lost", ', 'sequence = "F3A"\nalarms = ["cooling-lost", '))
    )
    desk = Desk(rig)
    desk.scans(4, aux_flow=0.0)
    assert desk.lamp("cooling") == "first-flash"
    desk.ask("acknowledge", alarm="all")
    assert desk.lamp("cooling") == "slow-flash"
    assert desk.ask("reset", alarm="all").ok
    assert desk.lamp("cooling") == "steady"


LOW = "aux.cooling-flow-low.setpoint"


def test_a_setting_is_changed_with_old_new_who_and_why_and_works_at_once() -> None:
    desk = Desk()
    desk.scans(20, aux_flow=78 * streams.GPM)
    (event,) = desk.outcome("set", "engineer", setting=LOW, value="80 gal/min", reason="warm day").events
    assert (event.why, event.actor, event.was, event.now) == ("set", "engineer", "normal", "normal")
    assert event.note == "setpoint 75 gal/min -> 80 gal/min: warm day"
    assert event.setpoint == pytest.approx(80 * streams.GPM)
    (event,) = desk.scans(20, aux_flow=78 * streams.GPM)
    assert (event.alarm, event.now) == ("cooling-flow-low", "unacknowledged")
    (one,) = desk.engine.picture().settings
    assert (one.alarm, one.text, one.actor) == ("aux.cooling-flow-low", "80 gal/min", "engineer")
    assert desk.outcome("unset", "engineer", setting=LOW, reason="cool again").events[0].setpoint == pytest.approx(
        75 * streams.GPM
    )
    assert desk.ask("unset", "engineer", setting=LOW, reason="x").says.endswith("is as the rig file has it")


@pytest.mark.parametrize(
    ("setting", "value", "says"),
    [
        (LOW, "74 gal/min", "beyond the maker's limit of 75 gal/min"),
        ("aux.outlet-temperature-high.setpoint", "161 degF", "beyond the maker's limit"),
        ("aux.outlet-temperature-high.on-delay", "60 s", "a quarter of the time to the limit"),
        (LOW, "160 gal/min", "found 160 gal/min; allowed: 0 to 150 gal/min, which its transmitter can show"),
        ("aux.cooling-flow-low.setpoint", "80", "allowed"),
        ("aux.cooling-flow-low.colour", "80", "ALARM.SETTING"),
        ("aux.cooling-flow-low.deadband", "-1 gal/min", "zero or more"),
    ],
)
def test_no_command_sets_what_a_rig_file_could_not_say(setting: str, value: str, says: str) -> None:
    desk = Desk()
    before = desk.engine.state()
    answer = desk.ask("set", "engineer", setting=setting, value=value, reason="x")
    assert not answer.ok
    assert says in answer.says
    assert desk.engine.state().replace(b'"k61"', b"") != b""
    assert desk.engine.alarms() == Desk().engine.alarms()
    assert b'"settings":{}' in desk.engine.state()
    assert before


def test_a_setting_outlives_a_restart_and_a_reload_that_does_not_touch_it() -> None:
    desk = Desk()
    desk.ask("set", "engineer", setting=LOW, value="80 gal/min", reason="warm day")
    other = streams.parse(streams.changed(RIG.text, ('inlet-limit = "100 degF"', 'inlet-limit = "98 degF"')))
    touched = streams.parse(streams.changed(RIG.text, ('least-flow = "75 gal/min"', 'least-flow = "76 gal/min"')))
    for rig, left in ((RIG, 1), (other, 1), (touched, 0)):
        engine = Engine()
        events = engine.feed(streams.start(rig, run=2, t_ns=10**12, snapshot=desk.engine.state())).events
        assert len(engine.picture().settings) == left
        assert [event.why for event in events] == [] if left else ["unset"]
    assert events[-1].note == "setpoint 80 gal/min -> 76 gal/min: the rig file"


def test_a_setting_falls_with_the_makers_limit_that_was_lowered_below_it() -> None:
    entry = '[[brake.alarm]]\nalarm = "outlet-temperature-high"\nsetpoint = "140 degF"\n[[lamp]]'
    rig = streams.parse(streams.changed(RIG.text, ("[[lamp]]", entry)))
    desk = Desk(rig)
    setting = "aux.outlet-temperature-high.setpoint"
    assert desk.ask("set", "engineer", setting=setting, value="158 degF", reason="hot day").ok
    for limit, left in (("159 degF", 1), ("155 degF", 0)):
        lowered = streams.parse(streams.changed(rig.text, ('outlet-limit = "160 degF"', f'outlet-limit = "{limit}"')))
        engine = Engine()
        events = engine.feed(streams.start(lowered, run=2, t_ns=10**12, snapshot=desk.engine.state())).events
        assert len(engine.picture().settings) == left
    assert [event.why for event in events] == ["unset"]
    assert events[0].note == "setpoint 158 degF -> 140 degF: beyond the maker's limit of the rig file"


def test_a_limit_above_the_makers_needs_a_basis_and_stands_as_a_notice() -> None:
    entry = '[[brake.alarm]]\nalarm = "outlet-temperature-high"\nsetpoint = "165 degF"\n{}[[lamp]]'
    with pytest.raises(RigFileError, match="a basis beside a setpoint beyond the brake's outlet-limit"):
        streams.parse(streams.changed(RIG.text, ("[[lamp]]", entry.format(""))))
    rig = streams.parse(streams.changed(RIG.text, ("[[lamp]]", entry.format('basis = "letter of the maker"\n'))))
    desk = Desk(rig)
    assert desk.now("limits-above-maker").state == "unacknowledged"
    desk.ask("acknowledge", alarm="all")
    assert desk.scans(100) == ()
    assert desk.now("limits-above-maker").state == "acknowledged"
