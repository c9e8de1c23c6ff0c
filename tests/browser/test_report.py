"""A trip's report in Debian's Chromium: charts move on the screen, stand still on paper, and nothing is fetched."""

import re
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import expect, sync_playwright

from brakewater.panel.page_files import STATIC
from brakewater_sim.cli import main
from chromium import SCREENS, SHOWN_MS, launched
from daemons import here
from trip_record import write_trip

FULL = Path(__file__).parents[2] / "config" / "rig-4-full.toml"

pytestmark = [
    pytest.mark.timeout(180),
    pytest.mark.skipif(
        not (STATIC / "vendor").exists(), reason="no chart library: deploy/charts.py could not fetch it"
    ),
]


def test_charts_move_on_a_screen_and_stand_on_paper(tmp_path: Path) -> None:
    file = tmp_path / "trip.html"
    assert here("report", write_trip(tmp_path), "--trip", "1", "-o", file).returncode == 0
    SCREENS.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as driver, launched(driver) as browser:
        page, wrong, asked = browser.new_page(viewport={"width": 1024, "height": 800}), [], []
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("console", lambda said: wrong.append(said.text) if said.type == "error" else None)
        page.on("request", lambda request: asked.append(request.url))
        page.goto(file.as_uri())
        charts = page.locator("#live .u-over")
        expect(charts.first).to_be_visible(timeout=SHOWN_MS)
        assert charts.count() >= 7
        assert not page.locator("#still").is_visible()
        page.screenshot(path=SCREENS / "report-screen.png", full_page=True)
        whole = at_the_middle(page)
        box = charts.first.bounding_box()
        assert box is not None
        page.mouse.move(box["x"] + 0.7 * box["width"], box["y"] + 30)
        page.mouse.down()
        page.mouse.move(box["x"] + 0.9 * box["width"], box["y"] + 30, steps=4)
        page.mouse.up()
        zoomed = at_the_middle(page)
        assert zoomed != whole, "pulled across it shows another stretch"
        page.get_by_role("button", name="Whole trip").click()
        assert at_the_middle(page) == whole
        page.emulate_media(media="print")
        expect(page.locator("#still svg").first).to_be_visible()
        assert not page.locator("#live").is_visible()
        page.screenshot(path=SCREENS / "report-paper.png", full_page=True)
        assert asked == [file.as_uri()]
        assert wrong == []


def test_times_are_those_of_the_rigs_own_clock(tmp_path: Path) -> None:
    pages = {}
    for zone in ("UTC", "America/Bogota"):  # five hours behind, all the year
        (tmp_path / zone).mkdir(parents=True)
        record = write_trip(tmp_path / zone, panel=f'time-zone = "{zone}"\nlanguage = "es"\n')
        pages[zone] = tmp_path / f"{zone.partition('/')[0]}.html"
        assert here("report", record, "--trip", "1", "-o", pages[zone]).returncode == 0
    with sync_playwright() as driver, launched(driver) as browser:
        page = browser.new_page(viewport={"width": 1024, "height": 800})
        told = {}
        for zone, file in pages.items():
            page.goto(file.as_uri())
            expect(page.locator("#live .u-over").first).to_be_visible(timeout=SHOWN_MS)
            moments = page.locator("td .t").all_inner_texts()
            told[zone] = [
                datetime.fromisoformat(f"{at_the_day(moments)} {at_the_middle(page)}"),
                *(datetime.fromisoformat(one) for one in moments if one.startswith("2031-")),
            ]
            assert page.locator("#live .u-legend .u-label").first.inner_text() == zone
            assert f"({zone})" in page.locator("p").first.inner_text()
            expect(page.locator("body")).to_contain_text(f"Horas: {zone}.")
            # Beside decimals with a point no point may stand for thousands.
            assert re.search(r"[1-9],\d{3} lecturas dibujadas", page.locator("#live p").first.inner_text())
        apart = {utc - own for utc, own in zip(*told.values(), strict=True)}
    assert apart == {timedelta(hours=5)}


def at_the_day(moments: list[str]) -> str:
    return next(one[:10] for one in moments if one.startswith("2031-"))


def at_the_middle(page: object) -> str:
    """The time that the middle of the last chart stands for, as its legend says it."""
    chart = page.locator("#live .u-over").last  # type: ignore[attr-defined]
    chart.scroll_into_view_if_needed()
    chart.hover()
    text: str = page.locator("#live .u-legend .u-value").first.inner_text()  # type: ignore[attr-defined]
    page.evaluate("() => window.scrollTo(0, 0)")  # type: ignore[attr-defined]
    return text


SPLIT = """() => [...document.querySelectorAll('td')].filter((cell) => {
  if (!/^~?[0-9.]+.[a-zA-Z/]+$/.test(cell.textContent)) return false;
  const text = document.createRange();
  text.selectNodeContents(cell);
  return new Set([...text.getClientRects()].map((one) => Math.round(one.top))).size > 1;
}).map((cell) => cell.textContent)"""


@pytest.mark.parametrize("language", ["en", "es"])
def test_a_number_and_its_unit_stand_on_one_line_of_the_paper(tmp_path: Path, language: str) -> None:
    file, record = tmp_path / "trip.html", tmp_path / "record"
    assert main(["record", "hot-day", "--rig", str(FULL), "-o", str(record)]) == 0
    assert here("report", record, "--trip", "1", "--lang", language, "-o", file).returncode == 0
    with sync_playwright() as driver, launched(driver) as browser:
        page = browser.new_page(viewport={"width": 688, "height": 1000})  # 182 mm between the margins of A4
        page.emulate_media(media="print")
        page.goto(file.as_uri())
        assert page.locator("td").count() > 50
        assert page.evaluate(SPLIT) == []
