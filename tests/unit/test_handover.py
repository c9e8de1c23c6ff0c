"""A tour handed over: what stands and what was done, from pictures made by hand; and the command behind it."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from brakewater.engine.refusals import RefusedError
from brakewater.engine.tour_commands import hand_over
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.review.handover import TOUR_NS, begun_ns, handover_doc, told
from brakewater.review.handover_sheet import handover_sheet
from brakewater.review.trips import TripLine
from brakewater.stream import BookNow, ByHand, Command, MaskNow, Picture, Request, RoundNow, SettingNow
from brakewater.units import utc_text
from brakewater.wording import ENGLISH, LANGUAGES
from record_streams import command, start
from rig_parts import UTC, demo_rig, event, picture

SIGNED = {"by": "A. Driller", "to": "B. Driller", "from": "2031-02-03T00:00Z"}


def asked(**args: object) -> Command:
    request = Request(id="1", actor="driller", do="hand-over", args={**SIGNED, **args})  # type: ignore[arg-type]
    return Command(run=1, input=5, t_ns=0, utc_ns=UTC, request=request)


def test_a_handover_names_two_people() -> None:
    assert hand_over(asked(remark="strainer is next"), None) == "tour handed over by A. Driller to B. Driller"


@pytest.mark.parametrize(
    ("args", "says"),
    [
        ({"by": ""}, '"by"'),
        ({"to": "x" * 61}, '"to"'),
        ({"to": ["B"]}, '"to"'),
        ({"by": "A\nB"}, '"by"'),
        ({"from": "yesterday"}, "from"),
        ({"from": "2031-01-01T00:00Z"}, "48 h"),
        ({"from": "2031-02-04T00:00Z"}, "48 h"),
        ({"remark": "x" * 501}, '"remark"'),
        ({"remark": 7}, '"remark"'),
    ],
)
def test_what_makes_no_sense_is_refused(args: dict[str, object], says: str) -> None:
    with pytest.raises(RefusedError, match=says):
        hand_over(asked(**args), None)


def busy() -> Picture:
    """An alarm stands, another is shelved, a point is by hand, a setting is changed."""
    seen = picture(demo_rig(), {"aux.cooling-flow-low": "acknowledged", "aux.brake-level-rising": "shelved"})
    mask = MaskNow(
        mask="shelved", actor="driller", reason="flushing", since_utc_ns=UTC, until_utc_ns=UTC + 3600 * 10**9
    )
    alarms = tuple(replace(one, masks=(mask,)) if one.alarm == "brake-level-rising" else one for one in seen.alarms)
    by_hand = ByHand(
        point="aux-inlet", what="substituted", value=29.0, actor="tech", reason="RTD being changed", since_utc_ns=UTC,
        until_utc_ns=UTC + 1800 * 10**9,
    )  # fmt: skip
    setting = SettingNow(
        alarm="aux.cooling-flow-low", setting="setpoint", text="70 gal/min", was="75 gal/min", actor="engineer",
        reason="new pump", since_utc_ns=UTC,
    )  # fmt: skip
    return replace(seen, alarms=alarms, substitutions=(by_hand,), settings=(setting,))


@pytest.fixture
def empty(tmp_path: Path) -> Record:
    return Record(tmp_path)


@pytest.mark.parametrize("code", LANGUAGES)
def test_everything_that_stands_is_on_the_page_once(empty: Record, code: str) -> None:
    words = LANGUAGES[code]
    doc = handover_doc(demo_rig(), busy(), empty, UTC - TOUR_NS, (), words)
    lines = {one["name"]: [line["text"] for line in one["lines"]] for one in doc["sections"]}
    assert [len(lines[name]) for name in ("standing", "shelved", "forced", "settings-changed")] == [1, 1, 1, 1]
    assert words.alarms["cooling-flow-low"] in lines["standing"][0]
    assert "flushing" in lines["shelved"][0]
    assert "RTD being changed" in lines["forced"][0]
    changed = lines["settings-changed"][0]
    assert f"{words.alarms['cooling-flow-low']} {words.word('set-setpoint')}: 75 gal/min" in changed
    assert "70 gal/min" in changed
    assert not any("{" in text for texts in lines.values() for text in texts)
    page = handover_sheet(doc, words, code)
    assert page.count("<h2>") == len(doc["sections"]) + 1
    assert "flushing" in page


def lines_of(doc: dict[str, Any], section: str) -> list[str]:
    return [line["text"] for one in doc["sections"] if one["name"] == section for line in one["lines"]]


def trip(number: int, *, lowered: bool, energy_j: float) -> TripLine:
    return TripLine(
        number=number, brake="aux", lowered=lowered, found_by="hoist", from_utc_ns=UTC - 3600 * 10**9, to_utc_ns=UTC,
        run=1, from_input=1, lasts_s=3600.0, stands=42, way_m=1200.0, stands_per_hour=40.0, pauses=0, pauses_s=0.0,
        energy_j=energy_j, energy_std_j=9e6, stored_j=None, put_in_j=None, put_in_std_j=None, mean_heat_w=3e5,
        peak_heat_w=812e3, outlet_max_degc=50.0, flow_min_m3_s=5e-3, worst_margin=0.5, inlet_over_s=0.0,
        outlet_over_s=0.0, flow_under_s=0.0, level_over_s=0.0, warmed_k=2.0, torque=None, ton_miles=None,
        known=1.0, alarms=(),
    )  # fmt: skip


def test_trips_are_told_in_megajoule_with_their_doubt_and_add_up(empty: Record) -> None:
    trips = (trip(1, lowered=True, energy_j=734e6), trip(2, lowered=False, energy_j=266e6))
    told_of = lines_of(handover_doc(demo_rig(), busy(), empty, UTC - TOUR_NS, trips, ENGLISH), "tour-trips")
    assert [line.partition(", ")[2] for line in told_of[:2]] == [
        "aux in: 42 stands, 734 \u00b1 18 MJ, peak 812 kW",
        "aux out: 42 stands, 266 \u00b1 18 MJ, peak 812 kW",
    ]
    assert told_of[2:] == ["Heat carried off in 2 trips: 1000 MJ"]


def test_rounds_are_told_from_when_they_are_due(empty: Record) -> None:
    rounds = tuple(
        RoundNow(
            round="aux-strainer", brake="aux", share=share, by="days", running_s=0.0, trips=0, due_utc_ns=None,
            done_utc_ns=None, since_utc_ns=UTC,
        )
        for share in (0.99, 1.0, 1.24, 1.25)
    )  # fmt: skip
    seen = replace(busy(), book=BookNow(rounds=rounds))
    told_of = lines_of(handover_doc(demo_rig(), seen, empty, UTC - TOUR_NS, (), ENGLISH), "rounds-due")
    assert [line.rpartition(": ")[2] for line in told_of] == ["DUE, 100 %", "DUE, 124 %", "OVERDUE, 125 %"]


@pytest.mark.parametrize("code", LANGUAGES)
def test_what_is_set_aside_while_it_holds_says_so(empty: Record, code: str) -> None:
    words, seen = LANGUAGES[code], busy()
    for active in (False, True):
        alarms = tuple(replace(one, active=active) if one.masks else one for one in seen.alarms)
        doc = handover_doc(demo_rig(), replace(seen, alarms=alarms), empty, UTC - TOUR_NS, (), words)
        (line,) = next(one["lines"] for one in doc["sections"] if one["name"] == "shelved")
        assert line["text"].endswith(words.word("mask-holds")) == active


def test_what_people_wrote_is_no_markup(empty: Record) -> None:
    seen = busy()
    hostile = tuple(replace(one, reason="<script>alert(1)</script>") for one in seen.substitutions)
    doc = handover_doc(demo_rig(), replace(seen, substitutions=hostile), empty, UTC - TOUR_NS, (), ENGLISH)
    assert "<script>" not in handover_sheet(doc, ENGLISH, "en")


def test_a_tour_nobody_said_the_begin_of_is_twelve_hours(empty: Record) -> None:
    assert begun_ns(empty, UTC) == UTC - TOUR_NS


def test_what_came_too_late_was_refused_and_is_neither_said_nor_signed(tmp_path: Path) -> None:
    stale = {"t": utc_text(UTC - 120 * 10**9)}
    asked = [("note", {"text": "heard"}), ("note", {"text": "too late", **stale}), ("hand-over", {**SIGNED, **stale})]
    with Journal(tmp_path) as journal:
        journal.begin(start(utc_ns=UTC, rig_toml=demo_rig().text))
        for at, (do, args) in enumerate(asked, 1):
            request = Request(id=f"n{at}", actor="driller", do=do, args=args)
            journal.append(Command(run=1, input=at, t_ns=at, utc_ns=UTC + at, request=request))
    said = told(Record(tmp_path), UTC, UTC + 10**9)
    assert [one.request.args["text"] for one in said.notes] == ["heard"]
    assert said.handovers == ()
    assert begun_ns(Record(tmp_path), UTC + 10**9) == UTC + 10**9 - TOUR_NS


def test_a_tour_begins_at_the_last_handover_of_the_last_36_hours(tmp_path: Path) -> None:
    with Journal(tmp_path) as journal:
        journal.begin(start(utc_ns=UTC, rig_toml=demo_rig().text))
        for at, names in enumerate(({}, {}, {"to": ""}), 1):  # the last one is refused
            signed = Request(id=f"h{at}", actor="driller", do="hand-over", args=SIGNED | names)
            told_of = (event(1, number=at, was="normal", now="normal", why="set", utc_ns=UTC + at),) if at == 1 else ()
            journal.append(Command(run=1, input=at, t_ns=at, utc_ns=UTC + at, request=signed), told_of)
    record, hour = Record(tmp_path), 3600 * 10**9
    assert begun_ns(record, UTC + 2 + 36 * hour) == UTC + 2
    assert begun_ns(record, UTC + 3 + 36 * hour) == UTC + 3 + 24 * hour
    assert [one.why for one in told(record, UTC, UTC + hour).settings] == ["set"]


def test_a_tour_holds_what_was_said_and_set_from_its_begin_to_its_end(tmp_path: Path) -> None:
    """Each at the begin, within, and at the end, which is the next tour's; a note sent again counts once."""
    said = [("before", 9), ("begin", 10), ("within", 15), ("within", 16), (" ", 17), ("end", 20)]
    with Journal(tmp_path) as journal:
        journal.begin(start(utc_ns=UTC, rig_toml=demo_rig().text))
        for at, (text, ns) in enumerate(said, 1):
            request = Request(id=f"n-{text}", actor="driller", do="note", args={"text": text})
            setting = event(at, number=at, was="normal", now="normal", why="unset", utc_ns=UTC + ns, note=text)
            journal.append(Command(run=1, input=at, t_ns=at, utc_ns=UTC + ns, request=request), (setting,))
    found = told(Record(tmp_path), UTC + 10, UTC + 20)
    assert [(one.request.args["text"], one.utc_ns - UTC) for one in found.notes] == [("begin", 10), ("within", 15)]
    assert [one.utc_ns - UTC for one in found.settings] == [10, 15, 16, 17]
    seen = replace(busy(), utc_ns=UTC + 20)  # what came with the newest picture belongs to it
    doc = handover_doc(demo_rig(), seen, Record(tmp_path), UTC + 10, (), ENGLISH)
    assert [line.rpartition(": ")[2] for line in lines_of(doc, "notes")] == ["begin", "within", "end"]
    assert len(lines_of(doc, "settings-changed")) == 1 + 5


def test_the_last_36_hours_of_signatures_stand_below_a_shorter_tour(tmp_path: Path) -> None:
    hour = 3600 * 10**9
    with Journal(tmp_path) as journal:
        journal.begin(start(utc_ns=UTC, rig_toml=demo_rig().text))
        for at, by in enumerate(("too old", "before", "now"), 1):
            request = Request(id=by, actor="driller", do="hand-over", args=SIGNED | {"by": by})
            utc_ns = UTC + (at - 1) * 13 * hour
            journal.append(Command(run=1, input=at, t_ns=at, utc_ns=utc_ns, request=request))
    seen = replace(busy(), utc_ns=UTC + 37 * hour)
    doc = handover_doc(demo_rig(), seen, Record(tmp_path), UTC + 30 * hour, (), ENGLISH)
    assert [one["text"].split(": ")[1].split(" to ")[0] for one in doc["signed"]] == ["before", "now"]


def test_what_cannot_be_read_is_named_once_wherever_it_was_met(tmp_path: Path) -> None:
    with Journal(tmp_path) as journal:
        journal.begin(start(utc_ns=UTC, rig_toml=demo_rig().text))
        journal.append(command(1, 1))
        journal.append(command(1, 2))
    (file,) = tmp_path.glob("hot/*.sqlite3")
    with closing(sqlite3.connect(file)) as base, base:
        base.execute("UPDATE inputs SET body = 'x' WHERE input = 1")
    seen = replace(busy(), utc_ns=UTC + 10)
    damaged = handover_doc(demo_rig(), seen, Record(tmp_path), UTC - 10, (), ENGLISH, ["met before", "met before"])
    assert [line for line in damaged["damaged"] if "met before" in line] == damaged["damaged"][:1]
    assert len(damaged["damaged"]) == 2
    file.write_bytes(b"no database" * 1000)
    lost = handover_doc(demo_rig(), seen, Record(tmp_path), UTC - 10, (), ENGLISH)
    assert len(lost["damaged"]) == 1
    assert "cannot be read" in lost["damaged"][0]
