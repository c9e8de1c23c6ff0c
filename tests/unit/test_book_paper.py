"""The upkeep book outside of the watch: calendar read by a foreign library, CSV in, a sheet that prints."""

import csv
from io import StringIO
from pathlib import Path

import icalendar
import pytest
import segno

import streams
from book_parts import RIG, Watch
from brakewater.book_shown import book_doc
from brakewater.book_text import health_lines, signed_lines
from brakewater.engine.book_commands import CARRIED
from brakewater.errors import StorageError
from brakewater.record.journal import Journal
from brakewater.review.book import HEAD, book_csv, calendar, from_csv, round_told, sheet
from brakewater.stream import Command, Request
from brakewater.units import utc_text
from brakewater.wording import ENGLISH, LANGUAGES, Wording
from brakewater.zoned import minute, minute_of, second
from record_streams import start


@pytest.fixture
def book() -> dict[str, object]:
    watch = Watch()
    watch.run(20)
    sample = {"ph": 8.2, "conductivity-us-cm": 600, "calcium-mg-l": 180, "alkalinity-mg-l": 150}
    assert watch.do("log-round", round="water", values=sample).ok
    assert watch.do("log-round", round="air-gap", values={"plug-1-left": "0.005 in", "plug-1-right": "0.004 in"}).ok
    assert watch.do("change-part", part="meter", serial="M-1").ok
    watch.run(10)
    now = watch.engine.book()
    assert now is not None
    return book_doc(RIG, now)


def test_the_calendar_is_read_by_another_library(book: dict[str, object]) -> None:
    text = calendar(book, streams.UTC)
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))
    found = icalendar.Calendar.from_ical(text)
    events = {str(one["SUMMARY"]).split(": ")[1].split(" ")[0]: one for one in found.walk("VEVENT")}
    due = {one["round"]: one["due"] for one in book["rounds"] if one["due"]}  # type: ignore[attr-defined]
    assert set(events) == set(due)
    assert "grease" not in events  # by hours alone: no day can be named
    for name, one in events.items():
        assert one.decoded("DTSTART").isoformat() == due[name][:10]
        assert "maker" not in str(one["UID"])
        assert utc_text(streams.UTC)[:10] == one.decoded("DTSTAMP").date().isoformat()
    said = str(events["breathers"]["DESCRIPTION"])
    assert "Never solvent inside the coil space." in said
    assert "\\" not in said


def test_a_calendars_lines_are_75_octets_long_whatever_the_letters(book: dict[str, object]) -> None:
    """Of two or four octets each; none is cut in two, and all are there when the lines are put together again."""
    for letters in ("\u00e9\u00f1", "\u5237\U0001f6e2"):
        rounds = [{**one, "what": letters * 99 + "; \\ , end"} for one in book["rounds"] if one["due"]]  # type: ignore[attr-defined]
        text = calendar({**book, "rounds": rounds}, streams.UTC)
        assert max(len(line.encode()) for line in text.split("\r\n")) <= 75
        for one in icalendar.Calendar.from_ical(text).walk("VEVENT"):
            assert str(one["DESCRIPTION"]).startswith(letters * 99 + "; \\ , end By hours")


@pytest.mark.parametrize("words", LANGUAGES.values(), ids=LANGUAGES)
def test_a_sheet_says_how_far_its_round_is_used_up(book: dict[str, object], words: Wording) -> None:
    first = book["rounds"][0]  # type: ignore[index]
    one = {**first, "share": 0.374, "by": "trips", "trips": 41, "running_s": 9_000.0, "state": "ok", "done": None}
    told = round_told(one, words, "UTC")
    assert words.word("used-trips", percent=37) in told
    assert words.word("never-logged") in told
    assert "2.5 h" in told
    assert "41" in told


@pytest.mark.parametrize(("zone", "day"), [("UTC", 3), ("America/Chicago", 2), ("Pacific/Auckland", 3)])
def test_a_round_is_due_on_the_rigs_day(book: dict[str, object], zone: str, day: int) -> None:
    rounds = [one | {"due": "2031-02-03T02:00:00Z"} for one in book["rounds"] if one["due"]]  # type: ignore[attr-defined]
    text = calendar({**book, "rounds": rounds, "time_zone": zone}, streams.UTC)
    assert {one.decoded("DTSTART").day for one in icalendar.Calendar.from_ical(text).walk("VEVENT")} == {day}


def test_a_minute_that_is_not_over_is_not_told_as_the_next() -> None:
    utc_ns = streams.UTC // 60_000_000_000 * 60_000_000_000 + 59_999_999_900
    assert minute(utc_ns, "UTC") == minute_of(utc_text(utc_ns), "UTC") == second(utc_ns, "UTC")[:16]


def test_what_the_book_says_of_water_gap_and_parts(book: dict[str, object]) -> None:
    (water,), (gap,), (part,) = book["water"], book["gaps"], book["parts"]  # type: ignore[misc]
    assert water["tds_mg_l"] == pytest.approx(390)
    assert water["hot"]["langelier"] > water["inlet"]["langelier"]
    assert water["hot"]["verdict"] in water["advice"] or water["advice"]
    assert gap["spread_m"] == pytest.approx(0.001 * 0.0254)
    assert gap["torque_share"] == pytest.approx(1.0)
    assert part["serial"] == "M-1"
    assert 5 < part["running_s"] < 15


def told(book: dict[str, object], slope: float | None) -> dict[str, object]:
    """The book with a rotor-to-water that trips have told, beside the water."""
    passes = {"brake": "aux", "trips": 9, "of_rig_file": 1.31, "std": 0.02, "k_w": 5.46e-5, "slope_per_trip": slope}
    return {**book, "passes": [passes]}


def test_health_is_told_in_sentences_with_scale_beside_the_water(book: dict[str, object]) -> None:
    lines = health_lines(told(book, 0.02), ENGLISH)
    at = next(at for at, line in enumerate(lines) if line.startswith("water of"))
    assert "at 160 degF (Langelier +" in lines[at]
    assert "at 100 degF (Langelier +" in lines[at]
    assert "Ryznar" in lines[at]
    assert lines[at + 1].startswith("rotor to water, aux: 1.31 ± 0.04 times the resistance")
    assert "(0.055 K/kW); it rises by 0.020 a trip over 9 trips, as it does when scale grows" in lines[at + 1]
    assert any(line.startswith("meter M-1 on aux since ") for line in lines)
    assert any("mean 4.5/1000 in, spread 1.0/1000 in, 4.0/1000 in to 5.0/1000 in" in line for line in lines)
    assert any("falls by 0.020" in line for line in health_lines(told(book, -0.02), ENGLISH))
    assert any("no sure trend over 9 trips" in line for line in health_lines(told(book, None), ENGLISH))
    assert any("no trip has told it yet" in line for line in health_lines(book, ENGLISH))
    assert any("at 71 degC" in line for line in health_lines(book, ENGLISH, "metric"))
    assert signed_lines(book, ENGLISH) == ["not signed yet"]


@pytest.mark.parametrize("words", LANGUAGES.values(), ids=LANGUAGES)
def test_every_sentence_of_health_has_its_places_filled(book: dict[str, object], words: Wording) -> None:
    signed = {"by": "A", "actor": "b", "remark": "c", "signed": "2031-02-03T04:05:06Z"}
    for slope in (0.02, -0.02, None):
        for line in health_lines(told(book, slope), words) + signed_lines({"signed": [signed]}, words):
            assert "{" not in line


def test_rows_of_another_book_become_commands_once() -> None:
    text = "round,done,values,remark\nair-gap,2026-10-01,plug-1-left=0.0045 in; plug-1-right=0.0044 in,dry\n"
    (one,) = from_csv(text, "old.csv")
    assert one["do"] == "log-round"
    assert one["at"] == "2026-10-01T12:00Z"
    assert one["values"] == {"plug-1-left": "0.0045 in", "plug-1-right": "0.0044 in"}
    assert from_csv(text, "old.csv")[0]["id"] == one["id"]
    assert from_csv(text.replace("dry", "wet"), "old.csv")[0]["id"] != one["id"]


def test_the_same_round_of_another_day_is_another_entry() -> None:
    rows = [from_csv(f"round,done\nair-gap,2026-10-{day}\n", "old.csv")[0] for day in ("01", "02")]
    assert rows[0]["id"] != rows[1]["id"]


@pytest.mark.parametrize(("head", "lacks"), [("round", "done"), ("done", "round"), ("what,when", "done, round")])
def test_a_list_that_lacks_a_column_is_refused_with_what_it_needs(head: str, lacks: str) -> None:
    with pytest.raises(StorageError, match=rf"old.csv:1: found no column {lacks}; allowed: entry"):
        from_csv(f"{head}\nx,y\n", "old.csv")


@pytest.mark.parametrize(("remark", "told"), [
    ("=1+1", "'=1+1"), ("+1", "'+1"), ("-1", "'-1"), ("@SUM(1)", "'@SUM(1)"), ("\t=1", "'\t=1"), ("a=1", "a=1"),
    ("", ""),
])  # fmt: skip
@pytest.mark.parametrize(("void", "voids"), [(True, "yes"), (False, ""), ("no", ""), (1, "")])
def test_what_was_entered_goes_out_as_text_and_void_only_where_it_was_said(
    tmp_path: Path, remark: str, told: str, void: object, voids: str
) -> None:
    args = {"round": "strainer", "at": "2031-02-03T01:00Z", "remark": remark, "void": void}
    with Journal(tmp_path) as journal:
        journal.begin(start())
        journal.append(streams.command(streams.start(RIG), "log-round", actor="tech", **args))
    (row,) = csv.DictReader(StringIO(book_csv(tmp_path), newline=""))
    assert (row["remark"], row["void"], row["done"], row["actor"]) == (told, voids, "2031-02-03T01:00Z", "tech")


def test_a_part_goes_out_with_what_it_had_done_before_and_a_signature_with_its_name(tmp_path: Path) -> None:
    carried = {key: number for number, key in enumerate(CARRIED, 1)}
    asked = [
        ("change-part", {"brake": "aux", "part": "rotor", "serial": "R-2", **carried}),
        ("sign-book", {"by": "A. B."}),
    ]
    with Journal(tmp_path) as journal:
        journal.begin(start())
        for number, (do, args) in enumerate(asked, 1):
            request = Request(id=f"c{number}", actor="tech", do=do, args=args)
            journal.append(Command(run=1, input=number, t_ns=number, utc_ns=streams.UTC + number, request=request))
    part, signature = csv.DictReader(StringIO(book_csv(tmp_path), newline=""))
    told = "; ".join(f"{key}={value}" for key, value in carried.items())
    assert part["values"] == f"brake=aux; part=rotor; serial=R-2; {told}"
    assert (signature["verb"], signature["values"]) == ("sign-book", "by=A. B.")
    assert part["done"] == part["entered"] == utc_text(streams.UTC + 1)


def test_what_went_out_does_not_come_in_twice() -> None:
    out = StringIO()
    rows = csv.DictWriter(out, HEAD)
    rows.writeheader()
    rows.writerow(dict.fromkeys(HEAD, "x"))
    assert from_csv(out.getvalue(), "own.csv") == []


@pytest.mark.parametrize(
    ("text", "says"), [("a,b\n1,2\n", "old.csv:1: found no column"), ("round,done,values\ng,x,5\n", "old.csv:2")]
)
def test_a_list_that_is_none_names_its_line(text: str, says: str) -> None:
    with pytest.raises(StorageError, match=says):
        from_csv(text, "old.csv")


def test_a_sheet_asks_for_what_the_entry_takes_and_leads_to_it(book: dict[str, object]) -> None:
    page = sheet(book, "air-gap", "https://rig:8420/book")
    assert page.count("plug ") == 8
    assert "plug 1 left, 1/1000 in<" in page
    assert "temperature, degF<" in sheet(book, "water", None)
    assert "plug 1 left, mm<" in sheet({**book, "units": "metric"}, "air-gap", None)
    assert "https://rig:8420/book#air-gap" in page
    assert segno.make("https://rig:8420/book#air-gap", error="m").svg_inline(scale=4, border=4, omitsize=True) in page
    assert "lock out" in page
    assert "<svg" not in sheet(book, "grease", None)
    with pytest.raises(StorageError, match="no round 'polish'"):
        sheet(book, "polish", None)


def test_water_has_a_trend_from_the_fourth_sample_on() -> None:
    watch, trends = Watch(RIG), []
    watch.run(2)
    for number in range(5):
        sample = {"ph": 7.0 + 0.2 * number, "tds-mg-l": 300, "calcium-mg-l": 150, "alkalinity-mg-l": 120}
        assert watch.do("log-round", round="water", values=sample).ok
        watch.engine._book_now = None
        now = watch.engine.book()
        assert now is not None
        trends.append(book_doc(RIG, now)["water_trend"][0])
        watch.t_ns += 30 * 86_400_000_000_000
        watch.run(2)
    assert [one["samples"] for one in trends] == [1, 2, 3, 4, 5]
    assert trends[2]["langelier_a_month"] is None
    assert trends[4]["langelier_a_month"] == pytest.approx(0.2, abs=0.02)  # the index is pH less that of saturation


@pytest.mark.parametrize(("std", "vague"), [(0.06, False), (0.32, True)])
def test_a_torque_known_too_vaguely_says_so(book: dict[str, object], std: float, vague: bool) -> None:  # noqa: FBT001
    newest = {"brake": "aux", "newest": 0.94, "std": std, "slope_per_trip": None, "trips": 3}
    for words in LANGUAGES.values():
        (line,) = (one for one in health_lines({**book, "torque": [newest]}, words) if "0.94" in one)
        assert line.endswith(words.word("torque-vague", trend="")) == vague
