"""The engineer's page in Debian's Chromium, before a real watch that has something to tell."""

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from playwright.sync_api import FloatRect, Locator, Page, Response, Route, expect, sync_playwright

import trip_record
from brakewater.control import ask
from brakewater.panel.page_files import STATIC
from brakewater.record.reader import Record
from brakewater.stream import Block, Command, Input
from brokers import until
from chromium import SCREENS, SHOWN_MS, launched
from daemons import here
from panel_parts import PIN, Pages, pages, reading
from trip_record import TWO_TRIPS, write_trip

pytestmark = pytest.mark.timeout(300)

SIZES = {"1024x600": (1024, 600), "1920x1080": (1920, 1080), "390x844": (390, 844)}
CHARTS = (STATIC / "vendor" / "uPlot.esm.js").exists()


@pytest.fixture
def before(tmp_path: Path) -> Iterator[Pages]:
    with pages(tmp_path) as one:
        one.device.flow(60)
        until(lambda: "aux.cooling-flow-low" in one.watch.states(), "the alarm")
        one.device.flow(90)
        until(lambda: one.watch.states() == {"aux.cooling-flow-low": "returned-unacknowledged"}, "over")
        assert one.watch.do("acknowledge", "aux.cooling-flow-low")["ok"]
        yield one


@pytest.fixture
def page(before: Pages) -> Iterator[Page]:
    with sync_playwright() as driver, launched(driver) as browser:
        one, wrong = browser.new_page(viewport={"width": 1400, "height": 1000}), []
        one.on("pageerror", lambda error: wrong.append(str(error)))
        one.goto(f"{before.url}/engineer")
        one.get_by_role("button", name="Whole record").click(timeout=SHOWN_MS)
        expect(one.locator("#events tr").first).to_be_visible(timeout=SHOWN_MS)
        yield one
        assert wrong == []


def test_an_incident_is_told_in_order_and_asked_what_if(page: Page) -> None:
    rows = page.locator("#events tr")
    expect(rows.first).to_contain_text("First: Cooling water low: 60.0 gal/min, set at 75 gal/min.")
    expect(rows.last).to_contain_text("closed by")
    expect(page.locator("#spans")).to_contain_text("Cooling water low")
    page.screenshot(path=SCREENS / "engineer-window.png", full_page=True)
    page.fill("#settings", "aux.cooling-flow-low.setpoint=50 gal/min")
    page.get_by_role("button", name="Show what would have come").click()
    expect(rows.first).to_contain_text("did, would not", timeout=SHOWN_MS)
    page.fill("#settings", "aux.cooling-flow-low.setpoint=50 furlong")
    page.get_by_role("button", name="Show what would have come").click()
    expect(page.locator("#says")).to_contain_text("furlong", timeout=SHOWN_MS)


def test_a_trip_in_which_the_clock_was_set_back_is_listed_by_its_own_begin(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The list gave the begin of the window that its scans fall into, an hour before it."""
    given = trip_record._with

    def set_back(*what: Any) -> Iterator[Input]:
        for item in given(*what):
            late = (item.input >= 1000) if isinstance(item, Block) else 0
            yield replace(item, utc_ns=item.utc_ns - late * 3600 * 10**9)

    monkeypatch.setattr(trip_record, "_with", set_back)
    record = write_trip(tmp_path, said=())
    line = json.loads(here("trips", record, "--json").stdout)
    assert line["clock_stepped_s"] == pytest.approx(-3600.0)
    with reading(record) as url, sync_playwright() as driver, launched(driver) as browser:
        page = browser.new_page()
        page.goto(f"{url}/engineer")
        one = page.get_by_role("button", name="Trip 1")
        expect(one).to_contain_text(line["from"][11:19], timeout=SHOWN_MS)


def test_what_stood_before_the_window_has_its_bar_and_its_line(tmp_path: Path) -> None:
    record = write_trip(tmp_path, said=(), told=TWO_TRIPS.replace("[scenario]", '[scenario]\nwater = "40 degC"'))
    with reading(record) as url, sync_playwright() as driver, launched(driver) as browser:
        page, wrong = browser.new_page(viewport={"width": 1400, "height": 1000}), []
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.goto(f"{url}/engineer")
        page.get_by_role("button", name="Trip 2").click(timeout=SHOWN_MS)
        expect(page.locator("#events tr").first).to_contain_text(
            "Stood already: Inlet water too warm", timeout=SHOWN_MS
        )
        bar = page.locator("#spans .span", has_text="Inlet water too warm").locator("canvas")
        expect(bar).to_have_attribute("aria-label", re.compile(r"Inlet water too warm; \S+ 04:14:\S+ \S 2031"))
        page.screenshot(path=SCREENS / "engineer-stood.png", full_page=True)
        assert wrong == []


def test_what_came_again_unseen_came_twice_and_a_test_never(before: Pages) -> None:
    """As the alarms' figures and a study count."""
    watch, flow = before.watch, "aux.cooling-flow-low"
    for gal_min, state in ((60, "unacknowledged"), (90, "returned-unacknowledged"), (60, "unacknowledged")):
        before.device.flow(gal_min)
        until(lambda state=state: watch.states().get(flow) == state, state)
    before.device.flow(90)
    for tested in ("aux.outlet-temperature-high", "aux.inlet-temperature-high"):
        assert ask(watch.record, {"do": "test-alarm", "alarm": tested, "reason": "commissioning", "minutes": 5})["ok"]
        until(lambda tested=tested: watch.states().get(tested) == "unacknowledged", "the test sounds")
    with sync_playwright() as driver, launched(driver) as browser:
        page = browser.new_page()
        page.goto(f"{before.url}/engineer")
        page.get_by_role("button", name="Whole record").click(timeout=SHOWN_MS)
        expect(page.locator("#events")).to_contain_text("Inlet water too warm", timeout=SHOWN_MS)
        page.fill("#settings", f"{flow}.setpoint=50 gal/min")
        page.get_by_role("button", name="Show what would have come").click()
        expect(page.locator("#objections")).to_contain_text("3 alarms came; 0 would have come", timeout=SHOWN_MS)


def test_what_if_is_refused_and_read_back_in_the_readers_language(page: Page) -> None:
    page.goto(f"{page.url}?lang=es")
    page.get_by_role("button", name="Todo el registro").click(timeout=SHOWN_MS)
    expect(page.locator("#events tr").first).to_be_visible(timeout=SHOWN_MS)
    says, ask_it = page.locator("#says"), page.get_by_role("button", name="Mostrar qué se habría activado")
    for asked, told in {
        "aux.cooling-lots.setpoint=5 gal/min": "no hay alarma 'aux.cooling-lots'; hay: aux.cooling-lost",
        "aux.cooling-flow-low.colour=red": "aux.cooling-flow-low no tiene el ajuste 'colour'; hay: setpoint",
        "aux.cooling-flow-low.setpoint=70,5 gal/min": "'70,5 gal/min' no sirve; se espera un número con su unidad",
        "aux.cooling-flow-low.on-delay=-2 s": "'-2 s' no sirve; se espera cero o más",
        "aux.cooling-flow-low.on-delay=30 h": "'30 h' es demasiado; se admiten 24 h como máximo",
        "rig.signal-bad:aux-flow.setpoint=3": "rig.signal-bad:aux-flow no tiene setpoint",
        "aux-flow.range=5 gal/min": "se espera aux-flow.range=LOW to HIGH UNIT",
        "aux-flow.range=1 to 1 gal/min": "'1 to 1 gal/min' no sirve; se esperan dos extremos distintos",
        "nonsense": "'nonsense' no sirve; se espera ALARM.SETTING=VALUE",
    }.items():
        page.fill("#settings", asked)
        ask_it.click()
        expect(says).to_contain_text(told, timeout=SHOWN_MS)
        assert "found" not in says.inner_text()
    page.fill("#settings", "aux.cooling-flow-low.setpoint=1.200 L/min\naux.cooling-flow-low.on-delay=15 s")
    ask_it.click()
    objections = page.locator("#objections")
    expect(objections).to_contain_text("leído como aux.cooling-flow-low.setpoint = 0.317006 gal/min", timeout=SHOWN_MS)
    expect(objections).to_contain_text("aux.cooling-flow-low.on-delay = 15 s")
    expect(objections).to_contain_text("el archivo del equipo no admitiría esto en aux.cooling-flow-low: 15 s")


def is_of_a_part(answer: Response) -> bool:
    """Charts of less than their window: no answer to an earlier look at the whole."""
    asked = parse_qs(urlsplit(answer.url).query)
    if "/api/past/charts" not in answer.url:
        return False
    from_ms, to_ms, zoom_from_ms, zoom_to_ms = (
        int(asked[key][0]) for key in ("from_ms", "to_ms", "zoom_from_ms", "zoom_to_ms")
    )
    return zoom_to_ms - zoom_from_ms < to_ms - from_ms


@pytest.mark.skipif(not CHARTS, reason="no chart library here: deploy/charts.py could not fetch it")
def test_setpoints_stand_in_the_charts_by_day_and_night_at_every_size(page: Page) -> None:
    """The flow fell below its limit, so the line is in sight; nothing else in a chart is drawn in that colour."""
    path = re.compile("/api/past/charts")
    for light in ("day", "night"):
        page.evaluate("light => localStorage.setItem('light', light)", light)
        for name, (wide, high) in SIZES.items():
            page.set_viewport_size({"width": wide, "height": high})
            page.reload()
            with page.expect_response(path) as told:
                page.get_by_role("button", name="Whole record").click(timeout=SHOWN_MS)
            flow = next(one for one in told.value.json()["lines"] if one["quantity"] == "inlet-flow")
            names = {one["alarm"]: [step[1:] for step in one["steps"]] for one in flow["limits"]}
            assert names["Cooling water low"] == [[75.0, "75 gal/min"]]
            page.wait_for_function(f"({DRAWN})('--red') > {wide / 4}", timeout=SHOWN_MS)
            page.locator("#charts").screenshot(path=SCREENS / f"engineer-setpoints-{light}-{name}.png")


DRAWN = """name => {
  const canvas = document.querySelector("#charts canvas");
  if (!canvas) return 0;
  const style = getComputedStyle(document.documentElement), wanted = style.getPropertyValue(name).trim();
  const parts = [1, 3, 5].map((at) => parseInt(wanted.slice(at, at + 2), 16));
  const seen = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data;
  let count = 0;
  for (let at = 0; at < seen.length; at += 4) if (parts.every((one, n) => Math.abs(seen[at + n] - one) < 3)) count += 1;
  return count;
}"""
"""How many pixels of the first chart have a colour of the page's style."""


WRITTEN = """() => {
  const { fillText } = CanvasRenderingContext2D.prototype;
  window.written = [];
  CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
    window.written.push([text, x + this.measureText(text).width <= this.canvas.width]);
    fillText.call(this, text, x, y);
  };
}"""


@pytest.mark.skipif(not CHARTS, reason="no chart library here: deploy/charts.py could not fetch it")
def test_a_limit_on_a_small_phone_keeps_its_value_and_unit(page: Page) -> None:
    page.set_viewport_size({"width": 280, "height": 640})
    page.add_init_script(f"({WRITTEN})()")
    page.goto(f"{page.url}?lang=es")
    page.get_by_role("button", name="Todo el registro").click(timeout=SHOWN_MS)
    page.wait_for_function("() => window.written.some(([text]) => text.endsWith('75 gal/min'))", timeout=SHOWN_MS)
    limits = [one for one in page.evaluate("window.written") if one[0].endswith(("gal/min", "degF"))]
    assert {fits for _, fits in limits} == {True}, limits
    page.locator("#charts").screenshot(path=SCREENS / "engineer-setpoints-280.png")


def settled(one: Locator) -> FloatRect:
    """Where something is, once the page has stopped to move it."""
    before = None
    while before is None or before != one.bounding_box():
        before = one.bounding_box()
        one.page.wait_for_timeout(300)
    return before


@pytest.mark.skipif(not CHARTS, reason="no chart library here: deploy/charts.py could not fetch it")
def test_charts_zoom_together(page: Page) -> None:
    page.wait_for_timeout(8_000)  # a part of two seconds, with what is beside it, is the whole of them
    page.reload()
    page.get_by_role("button", name="Whole record").click(timeout=SHOWN_MS)
    plots = page.locator(".chart")
    expect(plots).to_have_count(7, timeout=SHOWN_MS)
    axis = page.locator(".chart .u-over").first
    page.wait_for_load_state("networkidle")
    axis.scroll_into_view_if_needed()
    box = settled(axis)
    with page.expect_response(is_of_a_part) as asked:
        page.mouse.move(box["x"] + 300, box["y"] + 30)
        page.mouse.down()
        page.mouse.move(box["x"] + 500, box["y"] + 30, steps=4)
        page.mouse.up()
    zoomed = asked.value.json()["utc_ms"]
    with page.expect_response(lambda answer: "/api/past/charts" in answer.url and not is_of_a_part(answer)) as asked:
        page.get_by_role("button", name="Whole window").click()
    whole = asked.value.json()["utc_ms"]
    # A part comes with what is beside it, so that it can be moved, and so may begin where the whole does.
    assert whole[0] <= zoomed[0] < zoomed[-1] <= whole[-1]
    assert zoomed[-1] - zoomed[0] < whole[-1] - whole[0]


def test_without_charts_the_rest_works_and_says_so(before: Pages) -> None:
    with sync_playwright() as driver, launched(driver) as browser:
        one = browser.new_page()
        one.route("**/vendor/**", lambda route: route.abort())
        one.goto(f"{before.url}/engineer")
        one.get_by_role("button", name="Whole record").click(timeout=SHOWN_MS)
        expect(one.locator("#no-charts")).to_be_visible(timeout=SHOWN_MS)
        expect(one.locator("#events tr").first).to_contain_text("Cooling water low", timeout=SHOWN_MS)


def log_in(page: Page) -> None:
    page.locator("#actor").fill("engineer")
    page.locator("#pin").fill(PIN)
    page.locator("#log-in").get_by_role("button", name="Log in").click()


def screens(page: Page, state: str) -> None:
    """Every size by day and night; the page itself never scrolls sideways."""
    SCREENS.mkdir(parents=True, exist_ok=True)
    for size, (width, height) in SIZES.items():
        page.set_viewport_size({"width": width, "height": height})
        for light in ("day", "night"):
            page.evaluate("light => { document.documentElement.dataset.light = light; }", light)
            page.wait_for_timeout(600)  # charts are drawn anew for the width
            page.screenshot(
                path=SCREENS / f"engineer-{state}-{size}-{light}.png", full_page=True, animations="disabled"
            )
        assert page.evaluate("() => document.documentElement.scrollWidth <= innerWidth"), size


def test_a_moment_shows_what_the_driller_saw_and_takes_a_note(page: Page, before: Pages) -> None:
    page.locator("#events .moment").first.click()
    seen = page.locator("#seen")
    expect(seen).to_contain_text("REPLAY, not live", timeout=SHOWN_MS)
    expect(seen.locator("#seen-windows li", has_text="Cooling")).to_contain_text("first, flashing", timeout=SHOWN_MS)
    expect(seen.locator("#seen-alarms li").first).to_contain_text("Cooling water low: 60.0 gal/min, set at 75 gal/min.")
    at = page.locator("#at").inner_text()
    page.get_by_role("button", name="Mark this moment").click()
    page.locator("#note-text").fill("hose <kicked> & cleared")
    page.get_by_role("button", name="Keep in the record").click()
    log_in(page)
    expect(page.locator("#events .note")).to_contain_text("engineer: hose <kicked> & cleared", timeout=SHOWN_MS)
    expect(page.locator("#events .note .moment")).to_have_text(at)
    expect(page.locator("#spans")).to_contain_text("Notes")
    expect(page.locator("#says")).to_have_text("Noted in the record.")
    others = Record(before.watch.record).others(1)
    notes = [one.request for one in others if isinstance(one, Command) and one.request.do == "note"]
    assert [(one.actor, one.args["text"]) for one in notes] == [("engineer", "hose <kicked> & cleared")]
    assert str(notes[0].args["at"]).endswith("Z")


INK = """() => {
  const canvas = [...document.querySelectorAll('#spans canvas')].at(-1), pen = canvas.getContext('2d');
  const { data } = pen.getImageData(0, 0, canvas.width, canvas.height);
  let most = 0;
  for (let n = 0; n < data.length; n += 4) if (data[n + 3] > 200) most = Math.max(most, data[n]);
  return most;
}"""


def test_marks_on_the_time_line_are_seen_by_night(page: Page) -> None:
    expect(page.locator("#spans")).to_contain_text("Commands")
    page.wait_for_function(f"() => ({INK})() > 0", timeout=SHOWN_MS)  # drawn with the browser's next frame
    assert page.evaluate(INK) < 90  # dark on light
    page.evaluate("() => { document.documentElement.dataset.light = 'night'; }")
    page.wait_for_function(f"() => ({INK})() > 180", timeout=SHOWN_MS)


def test_what_is_played_moves_on_and_pauses(page: Page) -> None:
    page.locator("#speed").select_option("5")
    begin = page.locator("#at").inner_text()
    page.get_by_role("button", name="Play").click()
    expect(page.locator("#seen")).to_be_visible(timeout=SHOWN_MS)
    expect(page.locator("#at")).not_to_have_text(begin)
    page.get_by_role("button", name="Pause").click()
    page.wait_for_timeout(700)  # what was asked for before comes yet
    stands = page.locator("#at").inner_text()
    page.wait_for_timeout(700)
    assert page.locator("#at").inner_text() == stands


def test_a_table_is_taken_along_by_name_and_logged(page: Page, before: Pages) -> None:
    page.get_by_role("button", name="Table (CSV)").click()
    with page.expect_download(timeout=SHOWN_MS) as taken:
        log_in(page)
    assert re.fullmatch(r"20[0-9-]+T[0-9]+Z\.csv", taken.value.suggested_filename)
    assert taken.value.path().read_text().splitlines()[0].startswith("utc,run,input,")
    logged = json.loads((before.watch.record / "exports.jsonl").read_text().splitlines()[-1])
    assert logged["actor"] == "engineer (panel)"
    assert logged["rows"] > 5


@pytest.mark.skipif(not CHARTS, reason="no chart library here: deploy/charts.py could not fetch it")
def test_two_trips_lie_over_each_other(tmp_path: Path) -> None:
    record = write_trip(tmp_path, told=TWO_TRIPS)
    with reading(record) as url, sync_playwright() as driver, launched(driver) as browser:
        page, wrong = browser.new_page(viewport={"width": 1400, "height": 1000}), []
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.goto(f"{url}/engineer")
        page.get_by_role("button", name="Trip 1").click(timeout=SHOWN_MS)
        expect(page.locator(".chart").first).to_be_visible(timeout=SHOWN_MS)
        expect(page.locator("#events")).to_contain_text("engineer: hose <moved> & clamped", timeout=SHOWN_MS)
        page.locator("#compare").select_option("Trip 2")
        expect(page.locator("#figures tr").first).to_contain_text("Trip 2", timeout=SHOWN_MS)
        expect(page.locator(".chart .u-legend").first).to_contain_text("least, other", timeout=SHOWN_MS)
        page.locator("#events .moment").nth(1).click()
        expect(page.locator("#seen")).to_be_visible(timeout=SHOWN_MS)
        screens(page, "two-trips")
        assert wrong == []


def test_a_note_over_a_poor_link_is_kept_and_noted_once(page: Page, before: Pages) -> None:
    page.locator("#language").select_option("es")
    page.get_by_role("button", name="Todo el registro").click(timeout=SHOWN_MS)
    expect(page.locator("#events tr").first).to_be_visible(timeout=SHOWN_MS)
    page.locator("#enter").click()
    page.locator("#actor").fill("engineer")
    page.locator("#pin").fill("wrong")
    submit = page.locator("#log-in button[type=submit]")
    submit.click()
    expect(page.locator("#log-in-says")).to_contain_text("Nombre desconocido o PIN equivocado", timeout=SHOWN_MS)
    page.locator("#pin").fill(PIN)
    page.context.set_offline(True)
    submit.click()
    expect(page.locator("#log-in-says")).to_contain_text("El panel no responde", timeout=SHOWN_MS)
    page.context.set_offline(False)
    submit.click()
    expect(page.locator("#who")).to_have_text("engineer", timeout=SHOWN_MS)
    page.locator("#note").click()
    page.locator("#note-text").fill("manguera suelta")

    def lost_on_the_way_back(route: Route) -> None:
        route.fetch()
        route.abort()

    page.route("**/api/command", lost_on_the_way_back)
    keep = page.locator("#noting button[type=submit]")
    keep.click()
    expect(page.locator("#noting-says")).to_contain_text("El panel no responde", timeout=SHOWN_MS)
    page.unroute("**/api/command")
    expect(page.locator("#note-text")).to_have_value("manguera suelta")
    keep.click()
    expect(page.locator("#says")).to_contain_text("Anotado en el registro", timeout=SHOWN_MS)
    until(lambda: _noted(before) == 2, "both are in the record")
    page.get_by_role("button", name="Todo el registro").click()
    expect(page.locator("#events tr.note")).to_have_count(1, timeout=SHOWN_MS)


def _noted(before: Pages) -> int:
    return sum(isinstance(one, Command) and one.request.do == "note" for one in Record(before.watch.record).inputs())
