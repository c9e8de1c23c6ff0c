"""The upkeep book: what makes a round due, entries and their corrections, parts, and that a replay says the same."""

import json
from typing import Any, cast

import numpy as np
import pytest

import streams
from book_parts import RIG, TEXT, Watch
from brakewater.alarms.lifecycle import State
from brakewater.engine import Engine
from brakewater.engine.book_due import Done, Due
from brakewater.engine.worked import Totals
from brakewater.errors import RigFileError
from brakewater.review.samples import Surveys
from brakewater.trips.rounds import DAY_NS, HOUR_NS, Round
from brakewater.units import utc_text


def test_grease_is_due_by_hours_that_the_brake_ran_and_only_by_those() -> None:
    watch = Watch()
    watch.run(100, aux_in_service=0.0)
    assert watch.round("grease").share < 0.01
    watch.run(119)
    assert 0.97 < watch.round("grease").share < 1.0
    assert watch.state("round-due:grease") == State.NORMAL
    watch.run(6)
    assert watch.round("grease").by == "hours"
    assert watch.state("round-due:grease") == State.UNACKNOWLEDGED
    assert watch.do("log-round", round="grease").ok
    watch.run(4)
    assert watch.state("round-due:grease") == State.RETURNED_UNACKNOWLEDGED
    assert watch.round("grease").share < 0.05


def test_the_calendar_goes_on_while_the_rig_stands_still() -> None:
    watch = Watch()
    watch.run(10, aux_in_service=0.0)
    watch.later(280)
    assert watch.state("round-due:strainer") == State.NORMAL
    watch.later(20)
    assert watch.state("round-due:strainer") == State.UNACKNOWLEDGED


def test_what_is_not_known_counts_as_running() -> None:
    watch = Watch()
    n = round(60e9 / RIG.scan_ns)
    block = streams.scans(RIG, n, first=1, t0=RIG.scan_ns, status={"aux-in-service": 2})
    watch.feed(block)
    assert watch.round("grease").running_s == pytest.approx(60, abs=2)


def test_a_due_round_is_low_and_lights_and_sounds_nothing() -> None:
    watch = Watch()
    watch.run(130)
    due = next(one for one in watch.picture().alarms if one.alarm == "round-due:grease")
    assert due.state == State.UNACKNOWLEDGED
    assert due.priority == "low"
    assert due.silenced
    assert not any(lamp.shows(due.alarm) for lamp in RIG.lamps)


def test_an_entry_of_yesterday_counts_from_yesterday() -> None:
    watch = Watch()
    watch.run(50)
    watch.later(4 * 60)
    said = str(np.datetime_as_string(np.datetime64(int(watch.last.utc_ns[-1]) - 100 * 10**9, "ns"), unit="s"))  # type: ignore[union-attr]
    assert watch.do("log-round", round="strainer", at=said + "Z").ok
    assert watch.round("strainer").share == pytest.approx(100 / 300, abs=0.01)


def test_of_several_entries_the_newest_work_counts_and_one_struck_out_gives_way_to_the_one_before() -> None:
    """Also where the older work was entered later, from paper; four are kept to fall back to."""
    watch, entries = Watch(), []
    for _ in range(6):
        watch.run(10)
        answer = watch.do("log-round", round="strainer")
        entries.append(f"1.{watch.number}")
        assert answer.ok
    utc_ns = watch.picture().utc_ns
    at = utc_text(utc_ns - 45 * 10**9)
    assert watch.do("log-round", round="strainer", at=at, remark="from paper").ok
    used_s = [5 * 60.0 * watch.round("strainer").share]
    for entry in reversed(entries[-3:]):
        assert watch.do("log-round", round="strainer", corrects=entry, void=True).ok
        used_s.append(5 * 60.0 * watch.round("strainer").share)
    assert used_s == [pytest.approx(wanted, abs=4.0) for wanted in (1.0, 11.0, 22.0, 33.0)]


def test_a_correction_takes_its_place_and_both_stay() -> None:
    watch = Watch()
    watch.run(100)
    first = watch.do("log-round", round="grease", remark="left bearing")
    watch.run(10)
    old = watch.engine.book().entries[-1].id  # type: ignore[union-attr]
    assert first.ok
    assert watch.round("grease").running_s < 15
    assert watch.do("log-round", round="grease", corrects=old, void=True).ok
    assert watch.round("grease").running_s > 100
    entries = watch.engine.book().entries  # type: ignore[union-attr]
    assert entries[0].id == old
    assert entries[0].corrected_by == entries[1].id
    again = watch.do("log-round", round="grease", corrects=old)
    assert not again.ok
    assert "allowed" in again.says


REFUSED = {
    "no round": ({"round": "polish"}, "allowed: grease"),
    "ahead": ({"round": "grease", "at": "2099-01-01T00:00Z"}, "lies ahead"),
    "no length": ({"round": "air-gap", "values": {"plug-1-left": "0.0045"}}, "without a unit"),
    "no plug": ({"round": "air-gap", "values": {"plug-9-left": "0.004 in"}}, "nearest"),
    "nothing": ({"round": "air-gap", "values": {}}, "a reading at least"),
    "wide": ({"round": "air-gap", "values": {"plug-1-left": "4 in"}}, "from 0 to"),
    "no number": ({"round": "coils", "values": {"coil-1-ohm": "nan"}}, "a number"),
    "half a sample": ({"round": "water", "values": {"ph": 8}}, "needs tds-mg-l"),
    "no hardness": (
        {"round": "water", "values": {"ph": 8, "tds-mg-l": 9, "calcium-mg-l": 0, "alkalinity-mg-l": 1}},
        "above 0",
    ),
    "void alone": ({"round": "grease", "void": True}, "say which"),
    "novel": ({"round": "grease", "remark": "x" * 400}, "at most 300"),
    "photo": ({"round": "grease", "photo": "gap.jpg"}, "sha256"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_an_entry_that_makes_no_sense_changes_nothing(case: str) -> None:
    watch = Watch()
    watch.run(5)
    args, says = REFUSED[case]
    before = json.loads(watch.engine.state())["book"]
    answer = watch.do("log-round", **args)
    assert not answer.ok
    assert says in answer.says
    assert json.loads(watch.engine.state())["book"] == before


def test_water_is_told_in_plain_words() -> None:
    watch = Watch()
    watch.run(5)
    values = {"ph": 8.6, "tds-mg-l": 273, "calcium-mg-l": 150, "alkalinity-mg-l": 34, "temperature": "82 degC"}
    answer = watch.do("log-round", round="water", values=values)
    assert "scaling (Langelier +1.37" in answer.says


def test_a_gap_measured_again_at_once_is_no_wear() -> None:
    """A slope of seconds would open it by miles within a month."""
    watch = Watch()
    watch.run(10)
    for thou in (32, 36, 40, 44, 48, 52):
        assert watch.do("log-round", round="air-gap", values={"plug-1-left": f"0.00{thou} in"}).ok
        watch.run(4)
    (gap,) = watch.engine.book().gaps  # type: ignore[union-attr]
    assert (gap.surveys, gap.share < 0.5) == (6, True)
    assert watch.state("air-gap-drifting:aux") == State.NORMAL


def test_a_gap_that_was_struck_out_is_no_survey_for_whoever_looks_back() -> None:
    watch, surveys = Watch(), Surveys()
    watch.run(10)
    asked = (
        {"round": "air-gap", "values": {"plug-1-left": "0.0045 in"}},
        {"round": "air-gap", "values": {"plug-1-left": "0.0075 in"}},
        {"round": "grease"},
    )
    for args in asked:
        assert watch.do("log-round", **args).ok
        surveys.entered(watch.engine.book(), streams.command(streams.scans(RIG, 1), "log-round", **args))
    assert [round(mean_m / 25.4e-6, 2) for _, _, mean_m in surveys.all()] == [4.5, 7.5]
    wrong = watch.engine.book().entries[1].id  # type: ignore[union-attr]
    struck = {"round": "air-gap", "corrects": wrong, "void": True}
    assert watch.do("log-round", **struck).ok
    surveys.entered(watch.engine.book(), streams.command(streams.scans(RIG, 1), "log-round", **struck))
    assert [round(mean_m / 25.4e-6, 2) for _, _, mean_m in surveys.all()] == [4.5]


def test_a_gap_that_opens_alarms_by_its_trend_before_its_value() -> None:
    rig = streams.parse(streams.demo().text + "\n[upkeep]\n")
    watch, risen = Watch(rig), []
    for month in range(8):
        watch.later(30 * 86_400)
        gaps = {f"plug-{plug}-{side}": f"{0.0045 + 0.0002 * month} in" for plug in (1, 2) for side in ("left", "right")}
        assert watch.do("log-round", round="air-gap", values=gaps).ok
        watch.run(3)
        risen.append(watch.state("air-gap-drifting:aux") != State.NORMAL)
        _, ahead = watch.engine._book.gap("aux")  # type: ignore[union-attr]
        assert ahead is not None
        assert ahead.now < 0.95
    assert risen == [False] * 7 + [True]


def test_a_new_bearing_begins_the_baseline_anew() -> None:
    watch = Watch()
    watch.run(30)
    assert watch.do("log-round", round="air-gap", values={"plug-1-left": "0.0079 in"}).ok
    assert watch.engine._book.gap("aux")[0]  # type: ignore[union-attr]
    assert not watch.do("change-part", part="bearing", serial="").ok
    assert not watch.do("change-part", part="hub", serial="1").ok
    assert watch.do("change-part", part="bearing", serial="B-1002").ok
    assert not watch.engine._book.gap("aux")[0]  # type: ignore[union-attr]
    (part,) = watch.engine.book().parts  # type: ignore[union-attr]
    assert part.serial == "B-1002"
    assert part.running_ns == pytest.approx(30e9, rel=0.1)


def test_the_part_that_was_taken_off_keeps_what_it_did() -> None:
    watch = Watch()
    watch.run(30)
    assert "hours, trips and heat: counted from here" in watch.do("change-part", part="bearing", serial="B-1").says
    watch.run(60)
    assert watch.do("change-part", part="bearing", serial="B-2").ok
    watch.run(10)
    now = watch.engine.book()
    assert now is not None
    (was,) = now.former
    assert (was.serial, was.running_ns) == ("B-1", pytest.approx(60e9, rel=0.1))
    assert [one.serial for one in now.parts] == ["B-2"]
    assert was.until_utc_ns == now.parts[0].since_utc_ns


def test_a_brake_from_another_rig_comes_with_what_it_has_done() -> None:
    watch = Watch()
    watch.run(10)
    said = watch.do("change-part", part="brake", serial="A-77", hours="812.5", trips=60, **{"heat-gj": 720})
    assert "it comes with 812.5 h, 60 trips and 720 GJ" in said.says
    watch.run(20)
    now = watch.engine.book()
    assert now is not None
    (part,), (_, running_s, trips, heat_j) = now.parts, now.worked[0]
    assert running_s - part.running_ns / 1e9 == pytest.approx(812.5 * 3600 + 20, abs=4)
    assert trips - part.trips == 60
    assert heat_j - part.energy_mj / 1e3 == pytest.approx(720e9, rel=1e-3)
    for bad in ({"hours": "many"}, {"trips": -1}, {"heat-gj": 1e9}):
        assert not watch.do("change-part", part="brake", serial="A-78", **bad).ok  # type: ignore[arg-type]


def test_the_book_is_signed_as_it_stands() -> None:
    watch = Watch()
    watch.run(10)
    assert "signed by the mechanic" in watch.do("sign-book", by=" the mechanic ", remark="all done").says
    now = watch.engine.book()
    assert now is not None
    (signed,) = now.signed
    assert (signed.by, signed.actor, signed.remark) == ("the mechanic", "mechanic", "all done")
    assert signed.id == f"1.{watch.number}"
    for by in ("", " ", "x" * 70, None, "two\nlines"):
        assert not watch.do("sign-book", by=by).ok


def test_a_restart_and_a_replay_give_the_same_due_dates() -> None:
    watch = Watch()
    watch.run(70)
    watch.do("log-round", round="strainer", remark="mud in it")
    watch.do("change-part", part="meter", serial="M-3")
    watch.do("change-part", part="meter", serial="M-4")
    watch.do("sign-book", by="mechanic of the day")
    watch.run(40)
    kept = watch.engine.state()
    again = Engine()
    for item in watch.items:
        again.feed(item)
    assert again.state() == kept
    restarted = Engine()
    restarted.feed(streams.start(RIG, run=2, t_ns=watch.t_ns, snapshot=kept))
    assert restarted.state() == kept
    watch.engine._book_now = None
    assert restarted.book() == watch.engine.book()


NAMED_ANEW = streams.parse(TEXT.replace('name = "aux"\n', 'name = "main"\n', 1))


def used_after_the_name(version: str, before_s: float, *, logged: bool) -> float:
    """Seconds of use of the grease round, a minute after its brake got another name by a reload."""
    watch = Watch()
    watch.run(before_s)
    if logged:
        watch.do("log-round", round="grease")
        watch.run(20)
    engine = Engine()
    kept = watch.engine.state()
    engine.feed(streams.start(NAMED_ANEW, run=2, t_ns=watch.t_ns, snapshot=kept, version=version))
    engine.feed(streams.scans(NAMED_ANEW, 300, run=2, t0=watch.t_ns + RIG.scan_ns))
    book = engine.book()
    assert book is not None
    return next(one for one in book.rounds if one.round == "grease").running_s


@pytest.mark.parametrize(("logged", "used_s"), [(True, 80), (False, 170)])
def test_what_a_round_has_used_up_stays_so_where_its_brake_gets_another_name(*, logged: bool, used_s: float) -> None:
    """It went below nothing where it had been logged, and the bearing's next grease came hours later than due."""
    assert used_after_the_name("0.4.0", 110, logged=logged) == pytest.approx(used_s, abs=3)


@pytest.mark.parametrize(("logged", "used_s"), [(True, 60 - 110), (False, 60)])
def test_a_record_of_before_that_was_so_is_carried_out_as_it_was(*, logged: bool, used_s: float) -> None:
    assert used_after_the_name("0.3.0", 110, logged=logged) == pytest.approx(used_s, abs=3)


def test_a_rig_file_without_a_book_has_none() -> None:
    watch = Watch(streams.demo())
    watch.run(5)
    assert watch.picture().book is None
    assert "keeps no upkeep book" in watch.do("log-round", round="grease").says
    assert not any("round-due" in rule.name for rule in streams.demo().alarms)


def test_the_file_is_checked() -> None:
    bad = """
[upkeep]
gap-least = "0.009 in"
[[upkeep.round]]
round = "polish"
[[upkeep.round]]
round = "grease"
hour = "3 h"
"""
    with pytest.raises(RigFileError) as error:
        streams.parse(streams.demo().text + bad)
    assert "hour" in str(error.value)
    with pytest.raises(RigFileError, match="gap-least below"):
        streams.parse(streams.demo().text + bad.replace("hour =", "hours ="))


@pytest.mark.parametrize("limit", ['gap-most = "0.004 in"', 'gap-nominal = "0.007 in"', 'gap-least = "0.005 in"'])
def test_gap_limits_out_of_order_are_refused(limit: str) -> None:
    with pytest.raises(RigFileError, match="gap-least below gap-nominal below gap-most"):
        streams.parse(f"{streams.demo().text}\n[upkeep]\n{limit}\n")


def test_the_usual_rounds_come_by_running_hours_or_days_as_their_table_says() -> None:
    """Grease by a day's running, what a walk around shows weekly, what needs lock-out or a sample monthly."""
    rig = streams.parse(f"{streams.demo().text}\n[upkeep]\n")
    found = {one.name: (one.running_ns, one.days_ns) for one in rig.rounds}
    hour, day = 3_600 * 10**9, 86_400 * 10**9
    weekly, monthly = (None, 7 * day), (None, 30 * day)
    assert found == {
        "grease": (24 * hour, None), "breathers": weekly, "outlets": weekly, "strainer": weekly, "air-gap": monthly,
        "coils": monthly, "water": monthly,
    }  # fmt: skip


def test_a_month_of_watching_keeps_the_snapshot_small() -> None:
    watch = Watch()
    for _ in range(50):
        watch.later(86_400)
        watch.do("log-round", round="air-gap", values={"plug-1-left": "0.0045 in"}, remark="x" * 60)
    assert len(watch.engine.state()) < 64 * 1024


class Counted:
    """Stands for a brake's counts."""

    def __init__(self, hours: float, trips: int) -> None:
        self._counts = round(hours * HOUR_NS), trips

    def now(self, t_ns: int) -> Totals:
        return Totals(t_ns=t_ns, running_ns=self._counts[0], trips=self._counts[1])


@pytest.mark.parametrize(("hours", "trips", "days", "by", "share"), [
    (110.0, 103, 1.0, "hours", 1.0), (101.0, 106, 1.0, "trips", 1.5), (102.0, 101, 6.0, "days", 0.6),
])  # fmt: skip
def test_what_the_page_says_of_a_round_is_what_its_alarm_goes_by(
    hours: float, trips: int, days: float, by: str, share: float
) -> None:
    """Ten hours, four trips or ten days after it was done; before that the brake had run 100 hours and 100 trips."""
    one = Round(name="oil", brake="aux", what="x", running_ns=10 * HOUR_NS, trips=4, days_ns=10 * DAY_NS)
    due, worked, t_ns = Due([one]), cast("Any", {"aux": Counted(hours, trips)}), round(days * DAY_NS)
    due.begin(-DAY_NS, 0, cast("Any", {"aux": Counted(90.0, 90)}))
    due.done("oil", Done(entry="1.7", utc_ns=50 * DAY_NS, totals=Counted(100.0, 100).now(0)))
    due.begin(0, 0, worked)  # a restart begins nothing anew
    (seen,) = due.now(t_ns, 50 * DAY_NS + t_ns, worked)
    assert (seen.by, seen.share) == (by, pytest.approx(share))
    assert (seen.running_s, seen.trips) == (pytest.approx((hours - 100.0) * 3600.0), trips - 100)
    assert (seen.due_utc_ns, seen.done_utc_ns) == (60 * DAY_NS, 50 * DAY_NS)
    counts = {"aux": (np.array([hours * 3600.0]), np.array([float(trips)]))}
    assert due.columns(np.array([t_ns]), counts)["oil"].tolist() == [pytest.approx(share)]
    again = Due([one])
    again.restore(json.loads(json.dumps(due.state())))
    assert again.now(t_ns, 50 * DAY_NS + t_ns, worked) == (seen,)
    for number in range(9):  # what is older than that is in the record, and a snapshot stays small
        other = Due([one])
        other.restore(due.state())
        for _ in range(number):
            other.done("oil", Done(entry="1.8", utc_ns=0, totals=Counted(100.0, 100).now(0)))
        assert len(other.state()["done"]["oil"]) == min(4, 1 + number)
    due.strike("1.7")
    (struck,) = due.now(t_ns, 50 * DAY_NS + t_ns, worked)
    assert (struck.done_utc_ns, struck.trips) == (None, trips - 90)
    again = Due([one])
    again.restore(json.loads(json.dumps(due.state())))
    assert again.now(t_ns, 50 * DAY_NS + t_ns, worked) == (struck,)
