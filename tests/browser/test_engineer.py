"""The engineer's page in Debian's Chromium, before a real watch that has something to tell."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect, sync_playwright

from brakewater.panel import app
from brokers import until
from chromium import SCREENS, SHOWN_MS, launched
from panel_parts import Pages, pages

pytestmark = pytest.mark.timeout(300)

CHARTS = (app.STATIC / "vendor" / "uPlot.esm.js").exists()


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
    expect(page.locator("#spans")).to_contain_text("aux.cooling-flow-low")
    page.screenshot(path=SCREENS / "engineer-window.png", full_page=True)
    page.fill("#settings", "aux.cooling-flow-low.setpoint=50 gal/min")
    page.get_by_role("button", name="Show what would have come").click()
    expect(rows.first).to_contain_text("did, would not", timeout=SHOWN_MS)
    page.fill("#settings", "aux.cooling-flow-low.setpoint=50 furlong")
    page.get_by_role("button", name="Show what would have come").click()
    expect(page.locator("#says")).to_contain_text("furlong", timeout=SHOWN_MS)


@pytest.mark.skipif(not CHARTS, reason="no chart library here: deploy/charts.py could not fetch it")
def test_charts_zoom_together(page: Page) -> None:
    plots = page.locator(".chart")
    expect(plots).to_have_count(7, timeout=SHOWN_MS)
    axis = page.locator(".chart .u-over").first
    axis.scroll_into_view_if_needed()
    box = axis.bounding_box()
    assert box is not None
    with page.expect_response(lambda answer: "/api/past/charts" in answer.url) as asked:
        page.mouse.move(box["x"] + 300, box["y"] + 30)
        page.mouse.down()
        page.mouse.move(box["x"] + 500, box["y"] + 30, steps=4)
        page.mouse.up()
    zoomed = asked.value.json()["utc_ms"]
    with page.expect_response(lambda answer: "/api/past/charts" in answer.url) as asked:
        page.get_by_role("button", name="Whole window").click()
    whole = asked.value.json()["utc_ms"]
    assert whole[0] < zoomed[0] <= zoomed[-1] < whole[-1]


def test_without_charts_the_rest_works_and_says_so(before: Pages) -> None:
    with sync_playwright() as driver, launched(driver) as browser:
        one = browser.new_page()
        one.route("**/vendor/**", lambda route: route.abort())
        one.goto(f"{before.url}/engineer")
        one.get_by_role("button", name="Whole record").click(timeout=SHOWN_MS)
        expect(one.locator("#no-charts")).to_be_visible(timeout=SHOWN_MS)
        expect(one.locator("#events tr").first).to_contain_text("Cooling water low", timeout=SHOWN_MS)
