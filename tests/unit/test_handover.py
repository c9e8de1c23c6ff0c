"""A tour handed over: what stands and what was done, from pictures made by hand; and the command behind it."""

from dataclasses import replace
from pathlib import Path

import pytest

from brakewater.engine.refusals import RefusedError
from brakewater.engine.tour_commands import hand_over
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.review.handover import TOUR_NS, begun_ns, handover_doc, told
from brakewater.review.handover_sheet import handover_sheet
from brakewater.stream import ByHand, Command, MaskNow, Picture, Request, SettingNow
from brakewater.units import utc_text
from brakewater.wording import ENGLISH, LANGUAGES
from record_streams import start
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
