"""What the pages are told: windows as lamps show them, numbers with limits, what stands in the way of a trip."""

import re
from dataclasses import replace

import pytest

from brakewater.engine.derive import DERIVED
from brakewater.panel.page_files import STATIC
from brakewater.panel.shown import NUMBERS, page_doc, rig_doc, trend_of
from brakewater.render import lamps
from brakewater.rig.panel import Panel
from brakewater.wording import ENGLISH, LANGUAGES
from rig_parts import demo_rig, picture

WORDS = ENGLISH.pages


def test_every_window_shows_what_its_lamp_does() -> None:
    rig = demo_rig()
    states = {"aux.cooling-lost": "unacknowledged", "aux.brake-level-high": "acknowledged"}
    seen = picture(rig, states)
    page = page_doc(rig, seen)
    assert page["windows"] == lamps(rig, seen)
    assert page["windows"]["cooling"]["aspect"] == "flash"
    assert page["windows"]["level"]["aspect"] == "steady"
    names = {window["name"] for window in rig_doc(rig, Panel())["windows"]}
    assert names | {"watching", "ready"} == set(page["windows"])


def test_only_alarms_that_stand_are_told_each_by_its_name() -> None:
    rig = demo_rig()
    page = page_doc(rig, picture(rig, {"aux.cooling-lost": "unacknowledged"}))
    assert [(one["alarm"], one["name"]) for one in page["alarms"]] == [("cooling-lost", "Cooling water lost")]


def test_a_value_that_is_not_good_is_null_and_says_why() -> None:
    rig = demo_rig()
    page = page_doc(rig, picture(rig))
    outlet = page["brakes"]["aux"]["readings"]["aux-outlet"]
    assert (outlet["quality"], outlet["shown"]["value"]) == ("bad", None)
    trend = trend_of(page, rig_doc(rig, Panel()))
    assert trend["aux/aux-outlet"] is None
    assert trend["aux/aux-flow"] == pytest.approx(61.2)


def test_numbers_stand_in_their_order_with_the_limits_in_the_crew_s_units() -> None:
    numbers = rig_doc(demo_rig(), Panel())["brakes"][0]["numbers"]
    assert [one["quantity"] for one in numbers] == [name for name, _ in NUMBERS]
    flow = {limit["alarm"]: (limit["side"], limit["value"], limit["unit"]) for limit in numbers[0]["limits"]}
    assert flow["cooling-flow-low"] == ("low", 75.0, "gal/min")


def test_with_the_brake_in_service_nothing_is_said_about_ready() -> None:
    rig = demo_rig()
    assert page_doc(rig, picture(rig))["ready"] is None


def test_before_a_trip_everything_in_the_way_is_named() -> None:
    rig = demo_rig()
    seen = picture(rig, {"aux.brake-level-rising": "acknowledged"})
    out = replace(seen, readings={**seen.readings, "aux-in-service": (0.0, 0)})
    obstacles = page_doc(rig, out)["ready"]["obstacles"]
    assert {"what": "flow", "name": "aux-flow", "why": "low"} in obstacles
    assert {"what": "alarm", "name": "Water rising in the brake", "why": "acknowledged"} in obstacles
    assert all(f"obstacle-{one['what']}" in WORDS for one in obstacles)


def test_every_word_the_pages_ask_for_is_there() -> None:
    static = STATIC
    asked = {
        part.split('"')[0]
        for page in static.glob("*.html")
        for mark in ('data-word="', 'data-label="')
        for part in page.read_text().split(mark)[1:]
    }
    asked |= {part.split('"')[0] for page in static.glob("*.js") for part in page.read_text().split('word("')[1:]}
    assert asked <= set(WORDS), asked - set(WORDS)
    assert {name for name, _ in NUMBERS} <= set(WORDS)


def test_no_page_carries_script_or_style_of_its_own() -> None:
    for page in STATIC.glob("*.html"):
        text = page.read_text()
        assert "<style" not in text
        assert " style=" not in text
        assert re.search(r"\son[a-z]+\s*=", text) is None
        assert text.count("<script") == text.count('<script type="module" src="/static/')
        assert "//" not in text.replace("https://www.w3.org", ""), "nothing from elsewhere"


def test_what_is_ahead_is_told_by_its_early_bound_and_has_words_in_every_language() -> None:
    rig, seen = demo_rig(), {}
    names = [name for name in DERIVED if name.startswith("time_to_") and "_early" in name]
    assert len(names) == 3
    for at, name in enumerate(names):
        seen |= {("aux", name): (60.0 + at, 0), ("aux", name.replace("_early", "")): (600.0, 0)}
    bearing = ("aux", "time_to_bearing_early_s")
    picture_ = picture(rig)
    times = page_doc(rig, replace(picture_, derived={**picture_.derived, **seen, bearing: (0.0, 91)}))["times"]["aux"]
    assert times["time_to_bearing_s"] is None, "nothing on doubtful data"
    assert sorted(times.values(), key=str) == [61.0, 62.0, None]
    for words in LANGUAGES.values():
        assert times.keys() <= words.pages.keys()
