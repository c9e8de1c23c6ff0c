"""No page is a wall to anyone: axe-core (WCAG 2.2 A and AA) in every main state, keys alone, targets for gloves, horn.

axe-core comes from its npm package, pinned by ``tests/faults/node/package-lock.json``.
"""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from chromium import SCREENS, SHOWN_MS, launched
from faults.node_peers import libraries
from panel_parts import PIN, Pages, pages

pytestmark = pytest.mark.timeout(600)

AXE = """async () => (await axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"] }))
  .violations
  .filter((one) => ["serious", "critical"].includes(one.impact))
  .map((one) => `${one.id}: ${one.nodes.map((node) => node.target).slice(0, 4).join(" ")}`)"""
SMALL = """() => [...document.querySelectorAll('button, summary, input, select, nav a, header a')]
  .filter((one) => one.checkVisibility() && one.getBoundingClientRect().height < 44)
  .map((one) => one.outerHTML.slice(0, 90))"""
BAD = "<img src='x'><button></button>"


@pytest.fixture
def browser() -> Iterator[Browser]:
    with sync_playwright() as driver, launched(driver) as one:
        yield one


@pytest.fixture
def before(tmp_path: Path) -> Iterator[Pages]:
    with pages(tmp_path, more="\n[upkeep]\nplugs = 4\n") as one:
        yield one


def faults(page: Page, checker: str) -> list[str]:
    if not page.evaluate("() => 'axe' in globalThis"):
        page.evaluate(checker)
    return [*page.evaluate(AXE), *(f"below 44 px: {one}" for one in page.evaluate(SMALL))]


def test_no_page_is_a_wall_in_any_state(browser: Browser, before: Pages) -> None:
    checker = (libraries() / "axe-core" / "axe.min.js").read_text(encoding="utf-8")
    found: dict[str, list[str]] = {}
    SCREENS.mkdir(parents=True, exist_ok=True)
    with browser.new_context(viewport={"width": 1024, "height": 600}, reduced_motion="reduce") as context:
        page = context.new_page()

        def look(state: str) -> None:
            for light in ("day", "night"):
                page.evaluate("light => { document.documentElement.dataset.light = light; }", light)
                found[f"{state}, {light}"] = faults(page, checker)
                page.screenshot(path=SCREENS / f"axe-{state}-{light}.png", full_page=True)

        page.goto(f"{before.url}/pair#{before.pairing()}")
        expect(page.locator("#says")).to_contain_text("doghouse", timeout=SHOWN_MS)
        look("pair")
        for path, ready in (("engineer", "#trip-list button"), ("book", ".round"), ("handover", "#sections h2")):
            page.goto(f"{before.url}/{path}")
            expect(page.locator(ready).first).to_be_visible(timeout=SHOWN_MS)
            look(path)
            if path == "engineer":
                page.locator("#trip-list button").first.click()
                expect(page.locator("#opened")).to_be_visible(timeout=SHOWN_MS)
                look("engineer-opened")
            if path == "book":
                page.locator(".round summary").first.click()
                look("book-open")
        page.goto(before.url)
        expect(page.locator("#first-text")).to_have_text("No alarm.", timeout=SHOWN_MS)
        look("dark")
        page.locator("#menu > summary").click()
        look("menu")
        page.locator("#log-in-open").click()
        look("log-in")
        page.locator("#log-in-leave").click()
        before.device.flow(2)
        expect(page.locator(".window").first).to_have_attribute("data-aspect", "first-flash", timeout=SHOWN_MS)
        assert page.evaluate("() => getComputedStyle(document.querySelector('.window')).animationName") == "none"
        look("alarm")
        # A time that counts down would be spoken each second, over what to do.
        assert page.locator("#ahead").evaluate("one => one.closest('[aria-live]').getAttribute('aria-live')") == "off"
        read(page)
        page.get_by_role("button", name="Acknowledge").click()
        expect(page.locator(".window").first).to_have_attribute("data-aspect", "slow-flash", timeout=SHOWN_MS)
        look("acknowledged")
        for path, ready in (("handover", "#sections h2"), ("book", ".round"), ("", ".number")):
            page.goto(f"{before.url}/{path}?lang=es")
            expect(page.locator(ready).first).to_be_visible(timeout=SHOWN_MS)
            assert page.evaluate("() => document.documentElement.lang") == "es"
            look(f"{path or 'driller'}-es")
        before.watch.kill()
        expect(page.locator("#dead")).to_contain_text("SIN IMAGEN EN VIVO", timeout=SHOWN_MS)
        look("dead-es")
        page.set_content(BAD)
        assert len(faults(page, checker)) >= 3, "what looks for faults finds some where there are some"
    assert {state: one for state, one in found.items() if one} == {}


def tab_to(page: Page, selector: str) -> None:
    for _ in range(80):
        page.keyboard.press("Tab")
        if page.evaluate("selector => document.activeElement?.matches(selector) ?? false", selector):
            return
    raise AssertionError(f"no key reaches {selector}")


def test_keys_alone_do_everything_and_the_horn_is_heard(browser: Browser, before: Pages) -> None:
    with browser.new_context(viewport={"width": 1024, "height": 600}) as context:
        page = context.new_page()
        page.goto(before.url)
        expect(page.locator("#first-text")).to_have_text("No alarm.", timeout=SHOWN_MS)
        before.device.flow(2)
        heard(page)
        entered(page)
        answered(page)
        left(page)
        signed(page)
        page.goto(f"{before.url}/book#grease")
        expect(page.locator("#round-grease")).to_have_attribute("open", "", timeout=SHOWN_MS)
        tab_to(page, "#round-grease button")
        page.keyboard.press("Enter")
        expect(page.locator("#says")).to_contain_text("grease is logged", timeout=SHOWN_MS)


def heard(page: Page) -> None:
    root, sound = page.locator("html"), page.locator("#sound")
    expect(root).to_have_attribute("data-unheard", "true", timeout=SHOWN_MS)
    expect(sound).to_have_text("HORN! Tap for sound")  # nobody has touched the page: said honestly
    tab_to(page, "#menu > summary")  # any key is a touch, and switches it on
    expect(root).to_have_attribute("data-horn", "alarm", timeout=SHOWN_MS)
    expect(sound).to_have_attribute("aria-pressed", "true")


def entered(page: Page) -> None:
    page.keyboard.press("Enter")
    tab_to(page, "#log-in-open")
    page.keyboard.press("Enter")
    expect(page.locator("#log-in")).to_be_visible()
    typed(page, {"#actor": "engineer", "#pin": PIN})
    expect(page.locator("#log-in")).to_be_hidden(timeout=SHOWN_MS)
    expect(page.locator("#log-out")).to_be_attached()


def typed(page: Page, fields: dict[str, str]) -> None:
    """Fill a form by keys and send it."""
    for field, text in fields.items():
        if not page.evaluate("selector => document.activeElement?.matches(selector) ?? false", field):
            tab_to(page, field)
        page.keyboard.type(text)
    page.keyboard.press("Enter")


def read(page: Page) -> None:
    """Both alarms of lost water have stood on the screen for so long that they count as seen."""
    expect(page.locator("#gravest-text")).to_contain_text("Cooling water lost", timeout=SHOWN_MS)
    page.wait_for_timeout(700)


def answered(page: Page) -> None:
    root, cooling = page.locator("html"), page.locator(".window").first
    read(page)
    tab_to(page, "[data-do=silence]")
    page.keyboard.press("Space")
    expect(root).to_have_attribute("data-horn", "off", timeout=SHOWN_MS)
    expect(cooling).to_have_attribute("data-aspect", "first-flash")  # silence acknowledges nothing
    tab_to(page, "[data-do=acknowledge]")
    page.keyboard.press("Enter")
    expect(cooling).to_have_attribute("data-aspect", "slow-flash", timeout=SHOWN_MS)


def left(page: Page) -> None:
    tab_to(page, "#menu > summary")
    page.keyboard.press("Enter")
    tab_to(page, "#log-out")
    page.keyboard.press("Enter")
    expect(page.locator("#who")).to_have_text("Not logged in", timeout=SHOWN_MS)
    page.keyboard.press("Escape")
    expect(page.locator("#menu > div")).to_be_hidden()
    assert page.evaluate("() => document.activeElement.matches('#menu > summary')")
    page.keyboard.press("Enter")
    tab_to(page, "a[href='/handover']")
    page.keyboard.press("Enter")


def signed(page: Page) -> None:
    expect(page.locator("#sections h2").first).to_be_visible(timeout=SHOWN_MS)
    typed(page, {"#log-in [name=actor]": "engineer", "#log-in [name=pin]": PIN})
    expect(page.locator("#sign")).to_be_visible(timeout=SHOWN_MS)
    typed(page, {"#sign [name=by]": "A. Driller", "#sign [name=to]": "B. Driller"})
    expect(page.locator("#signed")).to_contain_text("A. Driller to B. Driller", timeout=SHOWN_MS)
