"""The upkeep book on a phone, before a real watch: a whole monthly round in few taps, and it is in the record."""

from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect, sync_playwright

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
    """A phone that came by the code on the printed sheet; nothing on the page may go wrong."""
    with sync_playwright() as driver, launched(driver) as browser:
        phone = {"viewport": {"width": 390, "height": 844}, "has_touch": True}
        with browser.new_context(**phone) as context:  # type: ignore[arg-type]
            one, wrong = context.new_page(), []
            one.on("pageerror", lambda error: wrong.append(str(error)))
            one.goto(f"{before.url}/book#air-gap")
            expect(one.locator("#round-air-gap")).to_have_attribute("open", "", timeout=SHOWN_MS)
            yield one
            assert wrong == []


def log_in(page: Page) -> None:
    page.get_by_label("Name").fill("engineer")
    page.get_by_label("PIN").fill(PIN)
    page.get_by_role("button", name="Log in").tap()
    expect(page.locator("#who")).to_have_text("engineer", timeout=SHOWN_MS)


def shot(page: Page, name: str) -> None:
    SCREENS.mkdir(parents=True, exist_ok=True)
    page.screenshot(path=SCREENS / f"book-{name}.png", full_page=True, animations="disabled")
    assert page.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
    assert page.evaluate(SMALL) == [], "a finger in a glove hits it"


SMALL = """() => [...document.querySelectorAll('button, summary, input')]
  .filter((one) => one.offsetHeight > 0 && one.offsetHeight < 44).map((one) => one.outerHTML)"""


def tapped(page: Page, name: str, values: dict[str, str]) -> int:
    """Log one round; how many taps it took, fields counted as taps."""
    one = page.locator(f"#round-{name}")
    taps = 0
    if one.get_attribute("open") is None:
        one.locator("summary").tap()
        taps += 1
    for key, value in values.items():
        one.locator(f'input[name="{key}"]').fill(value)
        taps += 1
    one.get_by_role("button", name=f"Log {name.replace('-', ' ')}").tap()
    expect(page.locator("#says")).to_contain_text(f"{name.replace('-', ' ')} is logged", timeout=SHOWN_MS)
    return taps + 1


def test_a_whole_monthly_round_takes_few_taps_and_is_in_the_record(page: Page, before: Pages) -> None:
    shot(page, "looker")
    log_in(page)
    gaps = {f"plug-{plug}-{side}": "4,5" for plug in range(1, 5) for side in ("left", "right")}
    coils = {f"coil-{coil}-{what}": "12.5" for coil in range(1, 5) for what in ("ohm", "insulation-mohm")}
    water = {"ph": "8.1", "tds-mg-l": "400", "calcium-mg-l": "200", "alkalinity-mg-l": "150", "temperature": "100"}
    shot(page, "gap")
    picture = b"a feeler between rotor and coil"
    chosen = page.locator('#round-air-gap input[name="photo"]')
    chosen.set_input_files({"name": "plug-4.jpg", "mimeType": "image/jpeg", "buffer": picture})
    taps = tapped(page, "air-gap", gaps) + tapped(page, "coils", coils) + tapped(page, "water", water)
    taps += sum(tapped(page, name, {}) for name in ("grease", "breathers", "outlets", "strainer"))
    assert taps <= 35
    expect(page.locator("#health")).to_contain_text("mean 4.5/1000 in, spread 0.0/1000 in", timeout=SHOWN_MS)
    expect(page.locator("#entries")).to_contain_text("strainer, engineer")
    shot(page, "logged")
    rig = before.watch.record.parent / "rig.toml"
    csv = brakewater("upkeep", rig, "--record", before.watch.record, "--csv").stdout
    assert csv.count("log-round") == 7
    assert "plug-4-right=0.004500 in" in csv
    assert f"plug-4.jpg {sha256(picture).hexdigest()}" in csv


def test_what_makes_no_sense_is_said_and_stays_to_be_mended(page: Page) -> None:
    log_in(page)
    one = page.locator("#round-water")
    one.locator("summary").tap()
    one.locator('input[name="ph"]').fill("81")
    one.get_by_role("button", name="Log water").tap()
    expect(page.locator("#says")).to_contain_text("a water sample needs tds-mg-l", timeout=SHOWN_MS)
    assert one.locator('input[name="ph"]').input_value() == "81"
