"""The upkeep book on a phone, before a real watch: a whole monthly round in few taps, and it is in the record."""

import json
from collections.abc import Iterator
from datetime import datetime, timedelta
from hashlib import sha256
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import Page, Route, expect, sync_playwright

from brakewater.control import ask
from chromium import SCREENS, SHOWN_MS, launched
from daemons import brakewater
from hand import KEY_S, Hand
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
    page.locator('#log-in input[name="actor"]').fill("engineer")
    page.get_by_label("PIN").fill(PIN)
    page.get_by_role("button", name="Log in").tap()
    expect(page.locator("#who")).to_have_text("engineer", timeout=SHOWN_MS)


def test_a_pin_of_letters_can_be_typed_on_a_phone(page: Page) -> None:
    """A keypad of digits has none, and a PIN may be of any characters."""
    for name in ("/book", "/handover"):
        page.goto(page.url.replace("/book", name))
        assert page.get_by_label("PIN").get_attribute("inputmode") is None


def shot(page: Page, name: str) -> None:
    SCREENS.mkdir(parents=True, exist_ok=True)
    page.screenshot(path=SCREENS / f"book-{name}.png", full_page=True, animations="disabled")
    assert page.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
    assert page.evaluate(SMALL) == [], "a finger in a glove hits it"


SMALL = """() => [...document.querySelectorAll('button, summary, input')]
  .filter((one) => one.offsetHeight > 0 && one.offsetHeight < 44).map((one) => one.outerHTML)"""


GAPS = {f"plug-{plug}-{side}": text for plug in range(1, 5) for side, text in (("left", "4.5"), ("right", "4"))}
COILS = {
    f"coil-{coil}-{what}": text for coil in range(1, 5) for what, text in (("ohm", "12.5"), ("insulation-mohm", "550"))
}
WATER = {
    "ph": "8.1", "tds-mg-l": "400", "conductivity-us-cm": "", "calcium-mg-l": "200", "alkalinity-mg-l": "150",
    "temperature": "100",
}  # fmt: skip
MONTH: dict[str, dict[str, str]] = {
    "air-gap": GAPS, "coils": COILS, "water": WATER, "grease": {}, "breathers": {}, "outlets": {}, "strainer": {}
}  # fmt: skip


def logged(hand: Hand, name: str, values: dict[str, str]) -> None:
    """Log one round by hand; what is measured goes from place to place with Enter."""
    one, said = hand.page.locator(f"#round-{name}"), name.replace("-", " ")
    if one.get_attribute("open") is None:
        hand.tap(one.locator("summary"))
    if name == "air-gap":
        for value in values.values():
            hand.tap(one.locator(".leaves").get_by_role("button", name=value, exact=True))
        assert {key: one.locator(f'input[name="{key}"]').input_value() for key in values} == values
    elif values:
        hand.tap(one.locator("input").first)
        for key, value in values.items():
            assert hand.page.evaluate("document.activeElement.name") == key
            assert hand.page.evaluate("document.activeElement.inputMode") == "decimal"
            hand.type(value, enter=True)
    hand.tap(one.get_by_role("button", name=f"Log {said}"))
    expect(hand.page.locator("#says")).to_contain_text(f"{said} is logged", timeout=SHOWN_MS)
    hand.over(said)


def test_a_whole_monthly_round_takes_less_than_three_minutes_and_is_in_the_record(page: Page, before: Pages) -> None:
    shot(page, "looker")
    log_in(page)  # once by name: a phone remembers who and how one signs, never the PIN
    page.locator('#sign input[name="by"]').fill("mechanic")
    page.get_by_role("button", name="Sign", exact=True).tap()
    expect(page.locator("#signatures")).to_contain_text("by mechanic (engineer)", timeout=SHOWN_MS)
    page.context.clear_cookies()
    page.reload()
    hand = Hand(page)
    hand.tap(page.get_by_label("PIN"))
    hand.type(PIN)
    hand.tap(page.get_by_role("button", name="Log in"))
    expect(page.locator("#who")).to_have_text("engineer", timeout=SHOWN_MS)
    hand.over("log in")
    shot(page, "gap")
    for name, values in MONTH.items():
        logged(hand, name, values)
    hand.tap(page.get_by_role("button", name="Sign", exact=True))
    expect(page.locator("#signatures p")).to_have_count(2, timeout=SHOWN_MS)
    hand.over("sign")
    SCREENS.mkdir(parents=True, exist_ok=True)
    (SCREENS / "book-hand.txt").write_text("\n".join(hand.table()) + "\n")
    assert hand.seconds(KEY_S["worst typist"]) < 180, hand.table()
    expect(page.locator("#health")).to_contain_text("mean 4.2/1000 in, spread 0.5/1000 in", timeout=SHOWN_MS)
    expect(page.locator("#health")).to_contain_text("at 160 degF (Langelier", timeout=SHOWN_MS)
    expect(page.locator("#entries")).to_contain_text("strainer, engineer")
    shot(page, "logged")
    csv = brakewater("upkeep", rig_of(before), "--record", before.watch.record, "--csv").stdout
    assert csv.count("log-round") == 7
    assert csv.count("sign-book") == 2
    assert "plug-4-right=0.004000 in" in csv


def rig_of(before: Pages) -> Path:
    return before.watch.record.parent / "rig.toml"


def test_a_photo_leaves_its_fingerprint_also_without_tls(page: Page, before: Pages) -> None:
    log_in(page)
    picture = b"a feeler between rotor and coil" * 9
    assert page.evaluate(DIGEST, list(picture)) == sha256(picture).hexdigest()
    one = page.locator("#round-air-gap")
    one.locator('input[name="plug-1-left"]').fill("4,5")
    chosen = one.locator('input[name="photo"]')
    chosen.set_input_files({"name": "plug-4.jpg", "mimeType": "image/jpeg", "buffer": picture})
    one.get_by_role("button", name="Log air gap").tap()
    expect(page.locator("#says")).to_contain_text("air gap is logged", timeout=SHOWN_MS)
    csv = brakewater("upkeep", rig_of(before), "--record", before.watch.record, "--csv").stdout
    assert f"plug-4.jpg {sha256(picture).hexdigest()}" in csv


DIGEST = """async (bytes) => (await import('/static/digest.js')).sha256(Uint8Array.from(bytes).buffer, null)"""


def test_what_is_typed_outlives_a_lost_connection_and_a_reload(page: Page, before: Pages) -> None:
    log_in(page)
    one = page.locator("#round-air-gap")
    button = one.get_by_role("button", name="Log air gap")
    one.locator('input[name="plug-1-left"]').fill("4.5")
    page.context.set_offline(True)
    button.tap()
    expect(page.locator("#says")).to_contain_text("Not sent: no connection", timeout=SHOWN_MS)
    page.context.set_offline(False)
    page.reload()
    expect(one.locator('input[name="plug-1-left"]')).to_have_value("4.5", timeout=SHOWN_MS)
    expect(one).to_contain_text("What you had typed is still here.")
    shot(page, "still-here")

    def lost_on_the_way_back(route: Route) -> None:
        route.fetch()
        route.abort()

    page.route("**/api/command", lost_on_the_way_back)
    button.tap()
    expect(page.locator("#says")).to_contain_text("Not sent", timeout=SHOWN_MS)
    page.unroute("**/api/command")
    page.reload()
    button.tap()
    expect(page.locator("#says")).to_contain_text("air gap is logged", timeout=SHOWN_MS)
    expect(one.locator('input[name="plug-1-left"]')).to_have_value("", timeout=SHOWN_MS)
    book = json.loads(brakewater("upkeep", rig_of(before), "--record", before.watch.record, "--json").stdout)
    assert [entry["round"] for entry in book["entries"]] == ["air-gap"], "sent twice, entered once"


def test_what_makes_no_sense_is_said_and_stays_to_be_mended(page: Page) -> None:
    log_in(page)
    one = page.locator("#round-water")
    one.locator("summary").tap()
    one.locator('input[name="ph"]').fill("81")
    one.get_by_role("button", name="Log water").tap()
    expect(page.locator("#says")).to_contain_text("a water sample needs TDS, mg/L; calcium, mg/L;", timeout=SHOWN_MS)
    assert one.locator('input[name="ph"]').input_value() == "81"


def test_a_refusal_speaks_the_readers_language_and_names_what_was_typed(page: Page) -> None:
    log_in(page)
    page.locator("#language").select_option("es")
    water, gap = page.locator("#round-water"), page.locator("#round-air-gap")
    expect(gap.get_by_role("button").last).to_contain_text("entrehierro", timeout=SHOWN_MS)  # the forms are made anew
    water.locator("summary").tap()
    water.locator('input[name="ph"]').fill("8")
    water.get_by_role("button").last.tap()
    says = page.locator("#says")
    expect(says).to_contain_text("Rechazado: A la muestra de agua le falta: TDS", timeout=SHOWN_MS)
    gap.get_by_role("button").last.tap()
    expect(says).to_contain_text("Rechazado: entrehierro: falta al menos una lectura", timeout=SHOWN_MS)
    gap.locator('input[name="plug-1-left"]').fill("4o5")
    gap.get_by_role("button").last.tap()
    expect(says).to_contain_text("'4o5' no sirve", timeout=SHOWN_MS)
    shot(page, "refused-es")


def test_a_session_that_ended_loses_nothing_and_the_way_in_stands_there_again(page: Page, before: Pages) -> None:
    log_in(page)
    one = page.locator("#round-air-gap")
    one.locator('input[name="plug-1-left"]').fill("4.5")
    before.end_session(page.context.cookies())
    one.get_by_role("button", name="Log air gap").tap()
    expect(page.locator("#says")).to_contain_text("The log-in has ended", timeout=SHOWN_MS)
    expect(page.get_by_label("PIN")).to_be_focused()
    shot(page, "log-in-ended")
    log_in(page)
    expect(one.locator('input[name="plug-1-left"]')).to_have_value("4.5")
    one.get_by_role("button", name="Log air gap").tap()
    expect(page.locator("#says")).to_contain_text("air gap is logged", timeout=SHOWN_MS)


def test_a_reading_stays_in_the_units_it_was_typed_in(page: Page) -> None:
    log_in(page)
    page.locator("#round-water summary").tap()
    for key, text in MONTH["water"].items():
        page.locator(f'#round-water input[name="{key}"]').fill(text)
    page.locator('#round-air-gap input[name="plug-1-left"]').fill("4.5")
    page.locator("#units").select_option("metric")
    expect(page.locator("#round-coils")).to_be_visible(timeout=SHOWN_MS)
    expect(page.locator("#round-water .fields")).to_contain_text("temperature, degF", timeout=SHOWN_MS)
    expect(page.locator("#round-air-gap .fields")).to_contain_text("plug 1 left, 1/1000 in")
    expect(page.locator("#round-air-gap .leaves")).to_contain_text("2.5")
    page.locator("#round-air-gap").get_by_role("button", name="Log air gap").tap()
    expect(page.locator("#says")).to_contain_text("air gap is logged", timeout=SHOWN_MS)
    expect(page.locator("#health")).to_contain_text("mean 0.11", timeout=SHOWN_MS)
    page.locator("#round-air-gap summary").tap()
    expect(page.locator("#round-air-gap .fields")).to_contain_text("plug 1 left, mm")


def test_a_comma_before_three_digits_is_asked_about_where_the_thumb_is(page: Page) -> None:
    log_in(page)
    water = page.locator("#round-water")
    water.locator("summary").tap()
    for key, text in {**MONTH["water"], "tds-mg-l": "1,200"}.items():
        water.locator(f'input[name="{key}"]').fill(text)
    button = water.get_by_role("button", name="Log water")
    button.scroll_into_view_if_needed()
    button.tap()
    expect(page.locator("#says")).to_contain_text("TDS, mg/L 1,200: does the comma stand for", timeout=SHOWN_MS)
    expect(page.locator("#says")).to_be_in_viewport()
    expect(water.locator('input[name="tds-mg-l"]')).to_be_focused()
    water.locator('input[name="tds-mg-l"]').fill("1200")
    water.locator('input[name="ph"]').fill("15")
    button.tap()
    expect(page.locator("#says")).to_contain_text("Refused", timeout=SHOWN_MS)
    expect(page.locator("#says")).to_be_in_viewport()  # a refusal that nobody sees is none
    shot(page, "refused-far-down")


def test_a_wrong_gap_is_struck_out_and_logged_anew_from_the_phone(page: Page, before: Pages) -> None:
    log_in(page)
    one, says = page.locator("#round-air-gap"), page.locator("#says")
    for text in ("45", "4.5", "4"):
        if one.get_attribute("open") is None:
            one.locator("summary").tap()
        one.locator('input[name="plug-1-left"]').fill(text)
        one.get_by_role("button", name="Log air gap").tap()
        if text != "45":
            expect(says).to_contain_text("Once more? Then tap again.", timeout=SHOWN_MS)
            one.get_by_role("button", name="Log air gap").tap()
        expect(page.locator("#entries")).to_contain_text("air gap, engineer", timeout=SHOWN_MS)
        expect(one).not_to_have_attribute("open", "", timeout=SHOWN_MS)
    expect(page.locator("#entries button")).to_have_count(3)
    # Three on one day lead nowhere thirty days ahead.
    expect(page.locator("#health")).not_to_contain_text("in 30 days")
    wrong = page.locator("#entries button").last
    wrong.tap()
    expect(wrong).to_have_text("Strike it out: sure?")
    shot(page, "strike-out")
    wrong.tap()
    expect(says).to_contain_text("Struck out; both stay", timeout=SHOWN_MS)
    expect(page.locator("#entries")).to_contain_text("strikes out", timeout=SHOWN_MS)
    expect(page.locator("#entries button")).to_have_count(2)
    book = json.loads(brakewater("upkeep", rig_of(before), "--record", before.watch.record, "--json").stdout)
    assert [entry["void"] for entry in book["entries"]] == [False, False, False, True]
    assert book["entries"][3]["corrects"] == book["entries"][0]["entry"]


def test_what_another_phone_logs_is_seen_when_this_one_is_looked_at_again(page: Page, before: Pages) -> None:
    grease = page.locator("#round-grease")
    grease.locator("summary").tap()
    expect(grease).to_contain_text("never logged")
    page.locator('#round-air-gap input[name="plug-1-left"]').fill("4.5")
    assert ask(before.watch.record, {"do": "log-round", "round": "grease", "as": "engineer"})["ok"]
    page.evaluate("() => document.dispatchEvent(new Event('visibilitychange'))")
    expect(grease).to_contain_text("done ", timeout=SHOWN_MS)
    expect(page.locator("#entries")).to_contain_text("grease, engineer")
    expect(page.locator('#round-air-gap input[name="plug-1-left"]')).to_have_value("4.5")


def test_a_second_phone_is_asked_before_it_logs_the_same_round_again(page: Page, before: Pages) -> None:
    assert ask(before.watch.record, {"do": "log-round", "round": "grease", "as": "driller2"})["ok"]
    log_in(page)
    page.locator("#language").select_option("es")
    grease, says = page.locator("#round-grease"), page.locator("#says")
    expect(grease.locator("summary")).to_contain_text("engrase", timeout=SHOWN_MS)
    grease.locator("summary").tap()
    grease.get_by_role("button").last.tap()
    expect(says).to_contain_text("engrase: ya está anotado, hecho 20", timeout=SHOWN_MS)
    expect(says).to_contain_text("por driller2. ¿Otra vez? Entonces toque de nuevo.")
    shot(page, "asked-es")
    grease.get_by_role("button").last.tap()
    expect(says).to_contain_text("engrase: anotado", timeout=SHOWN_MS)
    book = ask(before.watch.record, {"ask": "book"})
    assert [(one["round"], one["actor"]) for one in book["entries"]] == [("grease", "driller2"), ("grease", "engineer")]


def test_a_point_before_three_digits_is_asked_about_where_thousands_are_plausible(page: Page) -> None:
    log_in(page)
    water, says = page.locator("#round-water"), page.locator("#says")
    water.locator("summary").tap()
    for key, text in {**MONTH["water"], "tds-mg-l": "1.200"}.items():
        water.locator(f'input[name="{key}"]').fill(text)
    button = water.get_by_role("button", name="Log water")
    button.tap()
    expect(says).to_have_text(
        "TDS, mg/L 1.200: does the point stand for thousands or decimals? Write 1200 or 1.2.", timeout=SHOWN_MS
    )
    expect(water.locator('input[name="tds-mg-l"]')).to_be_focused()
    water.locator('input[name="tds-mg-l"]').fill("1200")
    water.locator('input[name="ph"]').fill("8.100")  # no pH is in thousands
    button.tap()
    expect(says).to_contain_text("water is logged", timeout=SHOWN_MS)


def test_a_gap_in_inches_where_thousandths_are_asked_is_asked_about(page: Page) -> None:
    log_in(page)
    one, says = page.locator("#round-air-gap"), page.locator("#says")
    button = one.get_by_role("button", name="Log air gap")
    one.locator('input[name="plug-1-left"]').fill("0.0045")
    button.tap()
    expect(says).to_have_text(
        "plug 1 left 0.0045: far from the limits of 2 to 6. Is it in 1/1000 in? If so, tap again.",
        timeout=SHOWN_MS,
    )
    expect(one.locator('input[name="plug-1-left"]')).to_be_focused()
    one.locator('input[name="plug-1-left"]').fill("200")
    one.locator('input[name="plug-1-right"]').fill("210")
    for side, text in (("left", "200"), ("right", "210")):
        button.tap()
        expect(says).to_contain_text(f"plug 1 {side} {text}: far from the limits", timeout=SHOWN_MS)
    button.tap()
    expect(says).to_contain_text("air gap is logged", timeout=SHOWN_MS)


ZONE = 'time-zone = "America/Chicago"\n\n[upkeep]\nplugs = 4\n'
OF_CHICAGO = ZoneInfo("America/Chicago")


def test_a_round_done_earlier_is_entered_late_and_read_by_the_rigs_own_clock(tmp_path: Path) -> None:
    with pages(tmp_path, more=ZONE) as one, sync_playwright() as driver, launched(driver) as browser:
        page = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True).new_page()
        page.goto(f"{one.url}/book#grease")
        grease, says = page.locator("#round-grease"), page.locator("#says")
        expect(grease).to_contain_text("one earlier? When, America/Chicago", timeout=SHOWN_MS)
        log_in(page)
        yesterday = f"{datetime.now(OF_CHICAGO) - timedelta(days=1):%Y-%m-%dT}"
        button = grease.get_by_role("button", name="Log grease")
        grease.locator('input[name="at"]').fill(f"{datetime.now(OF_CHICAGO) + timedelta(days=1):%Y-%m-%dT}06:30")
        button.tap()
        expect(says).to_contain_text(f"{datetime.now(OF_CHICAGO) + timedelta(days=1):%Y-%m-%d} 06:30", timeout=SHOWN_MS)
        grease.locator('input[name="at"]').fill("2026-03-08T02:30")
        button.tap()
        expect(says).to_have_text(
            "2026-03-08 02:30 is no time in America/Chicago: clocks are set forward over it.", timeout=SHOWN_MS
        )
        grease.locator('input[name="at"]').fill(f"{yesterday}06:30")
        shot(page, "earlier")
        button.tap()
        expect(says).to_have_text(f"grease is logged, done {yesterday[:10]} 06:30", timeout=SHOWN_MS)
        expect(page.locator("#entries")).to_contain_text(f"{yesterday[:10]} 06:30, grease, engineer", timeout=SHOWN_MS)
        grease.locator("summary").tap()
        expect(grease).to_contain_text(f"done {yesterday[:10]} 06:30")
        page.locator('#sign input[name="by"]').fill("mechanic")
        page.get_by_role("button", name="Sign", exact=True).tap()
        now = f"{datetime.now(OF_CHICAGO):%Y-%m-%d %H:}"
        expect(page.locator("#signatures")).to_contain_text(f"signed {now}", timeout=SHOWN_MS)
        expect(page.locator("#signatures")).to_contain_text("America/Chicago by mechanic")
        expect(page.locator("#as-of")).to_contain_text(f"as it stood at {now}")
        expect(page.locator("#as-of")).to_contain_text("Times: America/Chicago.")
        (entry,) = ask(one.watch.record, {"ask": "book"})["entries"]
        done = datetime.fromisoformat(entry["done"]).astimezone(OF_CHICAGO)
        assert f"{done:%Y-%m-%dT%H:%M}" == f"{yesterday}06:30"


DARK = """() => [...document.querySelectorAll('.round, .soft, .state, h2')].filter((one) => {
  const of = (text) => text.match(/[\\d.]+/g).map(Number), { color, backgroundColor } = getComputedStyle(one);
  const [r, , , a = 1] = of(backgroundColor);
  return (a > 0 && r < 200) || of(color)[0] > 100;
}).map((one) => one.outerHTML.slice(0, 80))"""


def test_a_sheet_names_its_rig_and_moment_and_is_read_on_paper_also_by_night(page: Page) -> None:
    page.locator("#light").tap()
    expect(page.locator("#as-of")).to_contain_text("rig-9, as it stood at 2", timeout=SHOWN_MS)
    assert page.evaluate(DARK) != []
    page.emulate_media(media="print")
    expect(page.locator("#as-of")).to_be_visible()
    assert page.evaluate(DARK) == []
    SCREENS.mkdir(parents=True, exist_ok=True)
    page.screenshot(path=SCREENS / "book-print-night.png", full_page=True)


def test_a_round_of_the_rigs_own_with_a_long_name_stays_on_a_phone(tmp_path: Path) -> None:
    long = "drainofthenortheasttankanditshosesandclamps-left"
    own = f'\n[upkeep]\nplugs = 4\n\n[[upkeep.round]]\nround = "{long}"\nwhat = "Look at it."\ndays = "7 d"\n'
    with pages(tmp_path, more=own) as one, sync_playwright() as driver, launched(driver) as browser:
        page = browser.new_page(viewport={"width": 390, "height": 844})
        page.goto(f"{one.url}/book#{long}")
        expect(page.locator(f"#round-{long}")).to_have_attribute("open", "", timeout=SHOWN_MS)
        shot(page, "long-name")


CUT = """() => {
  const code = document.querySelector('svg'), { right, bottom, width } = code.getBoundingClientRect();
  const all = [...code.querySelectorAll('path')].map((one) => one.getBoundingClientRect());
  return [width, ...all.filter((one) => one.right > right + 1 || one.bottom > bottom + 1)].length === 1 && width > 90;
}"""


def test_the_code_on_a_rounds_sheet_is_printed_whole(page: Page, before: Pages, tmp_path: Path) -> None:
    """Larger than its place it was cut off: no phone read it."""
    file = tmp_path / "sheet.html"
    for url in ("http://r:1", "https://panel.rig-9-quillwort.example:8420"):
        there = ("--record", before.watch.record, "--url", url, "--replace", "-o", file)
        assert brakewater("upkeep", rig_of(before), *there, "--sheet", "air-gap").returncode == 0
        page.set_content(file.read_text())
        page.emulate_media(media="print")
        assert page.evaluate(CUT), url
