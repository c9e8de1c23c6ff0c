"""A tour handed over on its page, before a real watch: read, signed by name, in the record, and replayed."""

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Page, Route, expect, sync_playwright

from brakewater.control import ask
from brokers import until
from chromium import SCREENS, SHOWN_MS, launched
from daemons import brakewater
from panel_parts import PIN, Pages, pages

pytestmark = pytest.mark.timeout(300)


@pytest.fixture
def before(tmp_path: Path) -> Iterator[Pages]:
    with pages(tmp_path, more="\n[upkeep]\nplugs = 4\n") as one:
        yield one


@pytest.fixture
def page(before: Pages) -> Iterator[Page]:
    with sync_playwright() as driver, launched(driver) as browser:
        one, wrong = browser.new_page(viewport={"width": 1024, "height": 600}), []
        one.on("pageerror", lambda error: wrong.append(str(error)))
        one.goto(f"{before.url}/handover")
        expect(one.locator("#sections h2")).to_have_count(9, timeout=SHOWN_MS)
        yield one
        assert wrong == []


def test_a_tour_is_read_and_signed_and_stands_in_the_record(page: Page, before: Pages) -> None:
    shelve = {"do": "shelve", "alarm": "aux.cooling-flow-low", "minutes": 30, "reason": "flushing"}
    assert ask(before.watch.record, shelve)["ok"]
    assert ask(before.watch.record, {"do": "note", "text": "strainer cleaned"})["ok"]
    expect(page.locator("#sign")).to_be_hidden()
    page.get_by_label("Name").fill("engineer")
    page.get_by_label("PIN").fill(PIN)
    page.locator("#log-in button").click()
    expect(page.locator("#sign")).to_be_visible(timeout=SHOWN_MS)
    expect(page.locator("#sections")).to_contain_text("flushing", timeout=SHOWN_MS)
    expect(page.locator("#sections")).to_contain_text("strainer cleaned")
    SCREENS.mkdir(parents=True, exist_ok=True)
    page.screenshot(path=SCREENS / "handover-day.png", full_page=True)
    page.locator("#language").select_option("es")
    page.locator('#sign [name="by"]').fill("   ")
    page.locator('#sign [name="to"]').fill("B. Driller")
    page.locator("#sign button").click()
    expect(page.locator("#says")).to_contain_text("se espera el nombre de una persona", timeout=SHOWN_MS)
    page.locator("#language").select_option("en")
    expect(page.locator("#signed h2")).to_have_text("Signed handovers", timeout=SHOWN_MS)
    page.context.set_offline(True)
    page.locator('#sign [name="by"]').fill("A. Driller")
    page.locator("#sign button").click()
    expect(page.locator("#says")).to_contain_text("Not sent: no connection", timeout=SHOWN_MS)
    page.context.set_offline(False)

    lost = []

    def lost_on_the_way_back(route: Route) -> None:
        route.fetch()
        lost.append(route)
        route.abort()

    page.route("**/api/command", lost_on_the_way_back)
    # What the last one said still stands there, and that it failed may be heard of only now.
    with page.expect_event("requestfailed", lambda _: bool(lost), timeout=SHOWN_MS):
        page.locator("#sign button").click()
    expect(page.locator("#says")).to_contain_text("Not sent", timeout=SHOWN_MS)
    page.unroute("**/api/command")
    page.locator('#sign [name="by"]').fill("A. Driller")
    page.locator('#sign [name="to"]').fill("B. Driller")
    # The record may have it only a moment after the watch has refused it as a second one.
    stale = httpx.get(f"{before.url}/api/past/handover?lang=en").json() | {"signed": []}
    page.route("**/api/past/handover?*", lambda route: route.fulfill(json=stale), times=2)
    page.locator("#sign button").click()
    expect(page.locator("#signed")).to_contain_text("A. Driller to B. Driller", timeout=SHOWN_MS)
    expect(page.locator("#says")).to_have_text("Signed.", timeout=SHOWN_MS)
    expect(page.locator("#signed li")).to_have_count(1)
    page.emulate_media(media="print")
    page.screenshot(path=SCREENS / "handover-print.png", full_page=True)
    told = brakewater("handover", before.watch.record, "--lang", "es")
    assert told.returncode == 0, told.stderr
    assert told.stdout.count("A. Driller a B. Driller") == 1, "sent twice, signed once"
    assert "flushing" in told.stdout
    assert brakewater("replay", before.watch.record, "--compare").returncode == 0


def test_a_tour_stays_as_it_was_signed_on_a_tablet_whose_clock_is_wrong(page: Page) -> None:
    page.clock.set_system_time(datetime.now(UTC) + timedelta(hours=3))
    page.get_by_label("Name").fill("engineer")
    page.get_by_label("PIN").fill(PIN)
    page.locator("#log-in button").click()
    expect(page.locator("#sign")).to_be_visible(timeout=SHOWN_MS)
    page.locator("#hours").fill("2")
    with page.expect_response("**/api/past/handover?*hours=2*", timeout=SHOWN_MS) as told:
        page.locator("#hours").press("Tab")
    begun = told.value.json()["from"]
    page.locator("#hours").evaluate("one => { one.value = ''; }")
    for key, text in (("by", "A. Driller"), ("to", "B. Driller")):
        page.locator(f'#sign [name="{key}"]').fill(text)
    with page.expect_response("**/api/past/handover?*", timeout=SHOWN_MS) as told:
        page.locator("#sign button").click()
    apart = datetime.fromisoformat(told.value.json()["from"]) - datetime.fromisoformat(begun)
    assert abs(apart) < timedelta(minutes=1)


def test_what_stands_says_since_when_and_a_lost_panel_is_said(page: Page, before: Pages) -> None:
    before.device.flow(2)
    told = f"{before.url}/api/past/handover?lang=en"  # read from the record, where an alarm stands a moment later
    until(lambda: "Cooling water lost" in httpx.get(told).text, "the alarm in the record")
    page.locator("#language").select_option("es")
    since = r"Sin agua de enfriamiento: 2\.0 gal/min, límite 5 gal/min\. Desde 20\d\d-\d\d-\d\d \d\d:\d\d\."
    lost = page.locator("#sections li", has_text="Sin agua de enfriamiento: 2.0").first  # low flow may stand before it
    expect(lost).to_have_text(re.compile(since), timeout=SHOWN_MS)
    page.context.set_offline(True)
    page.locator("#hours").fill("3")
    page.locator("#hours").press("Tab")
    expect(page.locator("#says")).to_contain_text("El panel no responde", timeout=SHOWN_MS)
    expect(page.locator("#sections h2")).to_have_count(9)
    page.context.set_offline(False)


def test_a_session_that_ended_leaves_what_was_written_and_the_way_in(page: Page, before: Pages) -> None:
    def log_in() -> None:
        page.get_by_label("Name").fill("engineer")
        page.get_by_label("PIN").fill(PIN)
        page.locator("#log-in button").click()
        expect(page.locator("#sign")).to_be_visible(timeout=SHOWN_MS)

    page.locator("#language").select_option("es")
    expect(page.locator("#signed h2")).to_have_text("Entregas firmadas", timeout=SHOWN_MS)
    page.locator("#hours").fill("100")
    page.locator("#hours").press("Tab")
    expect(page.locator("#says")).to_have_text("Un turno es de 1 a 48 horas.", timeout=SHOWN_MS)
    page.locator("#hours").fill("")
    page.locator("#hours").press("Tab")
    page.locator("#language").select_option("en")
    expect(page.locator("#signed h2")).to_have_text("Signed handovers", timeout=SHOWN_MS)
    log_in()
    for key, text in (("by", "A. Driller"), ("to", "B. Driller"), ("remark", "strainer looked at twice")):
        page.locator(f'#sign [name="{key}"]').fill(text)
    before.end_session(page.context.cookies())
    page.locator("#sign button").click()
    expect(page.locator("#says")).to_contain_text("The log-in has ended", timeout=SHOWN_MS)
    expect(page.get_by_label("PIN")).to_be_focused()
    log_in()
    page.locator("#sign button").click()
    expect(page.locator("#signed")).to_contain_text("A. Driller to B. Driller", timeout=SHOWN_MS)
    expect(page.locator("#signed")).to_contain_text("strainer looked at twice")
