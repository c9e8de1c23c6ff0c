"""The driller's page in Debian's Chromium, before a real watch. Screenshots go into ``build/screens``."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, Page, Route, expect, sync_playwright

from brakewater.control import ask
from brokers import until
from chromium import SCREENS, SHOWN_MS, launched
from daemons import events
from faults.preloaded import ShiftedClock
from panel_parts import PIN, Pages, pages
from slow_line import SlowLine, slow_line

pytestmark = pytest.mark.timeout(300)

SIZES = {"1024x600": (1024, 600), "1920x1080": (1920, 1080), "390x844": (390, 844)}


@pytest.fixture
def browser() -> Iterator[Browser]:
    with sync_playwright() as driver, launched(driver) as one:
        yield one


@pytest.fixture
def before(tmp_path: Path) -> Iterator[Pages]:
    with pages(tmp_path) as one:
        yield one


@pytest.fixture
def page(browser: Browser, before: Pages) -> Iterator[Page]:
    """A paired station with the driller's page open; nothing on the page may go wrong."""
    with browser.new_context(viewport={"width": 1024, "height": 600}) as context:
        one, wrong = context.new_page(), []
        one.on("pageerror", lambda error: wrong.append(str(error)))
        one.goto(f"{before.url}/pair#{before.pairing()}")
        expect(one.locator("#says")).to_have_text("this is now station doghouse", timeout=SHOWN_MS)
        one.goto(before.url)
        expect(one.locator("#first-text")).to_have_text("No alarm.", timeout=SHOWN_MS)
        yield one
        assert wrong == []


def screens(page: Page, state: str) -> None:
    """Every size by day and night; nothing may stand outside of the screen's width or be cut off."""
    SCREENS.mkdir(parents=True, exist_ok=True)
    for size, (width, height) in SIZES.items():
        page.set_viewport_size({"width": width, "height": height})
        for light in ("day", "night"):
            page.evaluate("light => { document.documentElement.dataset.light = light; }", light)
            page.screenshot(path=SCREENS / f"driller-{state}-{size}-{light}.png", animations="disabled")
        assert page.evaluate("() => document.documentElement.scrollWidth <= innerWidth"), size
        assert page.evaluate(CLIPPED) == [], size
        assert page.evaluate(BELOW) == [], f"{size}: every number stands on the screen, also with an alarm"
        assert page.evaluate(UNEVEN) == [], f"{size}: no corner of the screen lies idle"
    page.set_viewport_size({"width": 1024, "height": 600})
    assert page.evaluate("() => document.documentElement.scrollHeight <= innerHeight"), "all of it on a touch panel"


BELOW = """() => [...document.querySelectorAll('.number, .window, #first')]
  .filter((one) => one.getBoundingClientRect().bottom
    > document.querySelector('footer').getBoundingClientRect().top + 1)
  .map((one) => one.textContent)"""

UNEVEN = """() => {
  const wide = document.querySelector('#numbers').getBoundingClientRect().right;
  const rights = {};
  for (const one of document.querySelectorAll('.number')) {
    const { top, right } = one.getBoundingClientRect();
    rights[Math.round(top)] = Math.max(rights[Math.round(top)] ?? 0, right);
  }
  return Object.values(rights).filter((right) => right < wide - 1);
}"""

CLIPPED = """() => [...document.querySelectorAll('.window, .number, .push, #first, #ready, #answer')]
  .filter((one) => one.scrollWidth > one.clientWidth + 1 || one.scrollHeight > one.clientHeight + 1)
  .map((one) => one.textContent)"""


def test_an_alarm_from_its_window_to_the_record_and_over(page: Page, before: Pages) -> None:
    screens(page, "well")
    cooling = page.locator(".window", has_text="Cooling")
    before.device.flow(2)
    expect(cooling).to_have_attribute("data-aspect", "first-flash", timeout=SHOWN_MS)
    expect(cooling).to_contain_text("Cooling water lost")
    expect(page.locator("#first-respond")).to_contain_text("Stop lowering and hold on the friction brake.")
    # Whatever came first, what to do is said for the gravest.
    expect(page.locator("#first-respond")).to_contain_text("never throw cold water on a hot, standing rotor")
    expect(page.locator(".number", has_text="Heat load").locator(".value")).to_contain_text("--")
    screens(page, "alarm")
    page.get_by_role("button", name="Acknowledge").click()
    expect(cooling).to_have_attribute("data-aspect", "slow-flash", timeout=SHOWN_MS)
    expect(page.locator("#answer")).to_have_text("Acknowledge: done")
    screens(page, "acknowledged")
    assert {one.actor for one in events(before.watch.record) if one.now == "acknowledged"} == {"driller"}
    before.device.flow(90)
    expect(cooling).to_have_attribute("data-aspect", "off", timeout=SHOWN_MS)


OVERLAP = """() => [...document.querySelectorAll('.number')].filter((one) => {
  const [name, limit] = ['.name', '.limit'].map((part) => {
    const text = document.createRange();
    text.selectNodeContents(one.querySelector(part));
    return text.getBoundingClientRect();
  });
  return name.right > limit.left && name.bottom > limit.top && limit.width > 0;
}).map((one) => one.textContent)"""


def test_every_alarm_that_stands_can_be_read(page: Page, before: Pages) -> None:
    expect(page.locator("#all-open")).to_be_hidden()
    before.device.outlet(95)
    until(lambda: "aux.outlet-temperature-high" in before.watch.states(), "one alarm stands")
    before.device.flow(2)
    until(lambda: "aux.cooling-flow-low" in before.watch.states(), "more of them stand")
    page.get_by_role("button", name="All 3 alarms").click(timeout=SHOWN_MS)
    every, shown = page.locator("#all"), httpx.get(f"{before.url}/api/now").json()["alarms"]
    expect(every.locator("li")).to_have_count(len(shown), timeout=SHOWN_MS)
    for one in shown:
        expect(every).to_contain_text(one["text"].split(":")[0])
    expect(every.locator("li").first).to_contain_text("Cooling water lost")
    expect(every.locator("li").first).to_contain_text("critical \u00b7 NEW \u00b7 Stop lowering")
    SCREENS.mkdir(parents=True, exist_ok=True)
    for width, height in ((320, 568), (768, 1024), (1024, 600), (1920, 1080)):
        page.set_viewport_size({"width": width, "height": height})
        page.screenshot(path=SCREENS / f"driller-all-{width}.png", animations="disabled")
        assert page.evaluate("() => document.documentElement.scrollWidth <= innerWidth"), width
        assert page.evaluate(OVERLAP) == [], width
        assert page.evaluate(CLIPPED) == [], width
    page.locator("#all-open").click()
    expect(every).to_be_hidden()


PUMP = """
[[point]]
name = "pump"
role = "pump-running"
device = "plc1"
table = "coil"
address = 0
type = "bit"
signal = { kind = "bit", inverted = true }
"""


def test_the_gravest_of_several_first_alarms_leads_and_only_the_first_of_all_is_called_so(
    browser: Browser, tmp_path: Path
) -> None:
    with pages(tmp_path, more=PUMP) as one, browser.new_context() as context:
        page = context.new_page()
        page.goto(one.url)
        first = page.locator("#first-text")
        expect(first).to_have_text("No alarm.", timeout=SHOWN_MS)
        one.device.coil(on=True)
        expect(first).to_have_text("Cooling water pump stopped.", timeout=SHOWN_MS)
        one.device.inlet(6000)
        until(lambda: "rig.signal-bad:aux-inlet" in one.watch.states(), "a loop is bad")
        expect(page.locator("#all-open")).to_have_text("All 2 alarms", timeout=SHOWN_MS)
        expect(first).to_have_text("First: Cooling water pump stopped.")
        one.device.coil(on=False)
        until(lambda: one.watch.states()["rig.pump-stopped"] == "returned-unacknowledged", "the pump runs")
        expect(first).to_contain_text("Signal aux-inlet bad", timeout=SHOWN_MS)
        expect(first).not_to_contain_text("First:")


READ_MS = 700
"""A page takes an alarm that stood there for less as one that nobody has seen."""


def _hot_seen_and_lost_on_the_way(page: Page, before: Pages) -> None:
    """One alarm that this screen has shown; the next comes while a command is on its way."""
    before.device.outlet(95)
    expect(page.locator("#first-text")).to_contain_text("Outlet water too hot", timeout=SHOWN_MS)
    page.wait_for_timeout(READ_MS)

    def meanwhile(route: Route) -> None:
        before.device.flow(2)
        until(lambda: before.watch.states().get("aux.cooling-lost") == "unacknowledged", "water lost on the way")
        route.continue_()

    page.route("**/api/command", meanwhile)


def test_only_what_the_screen_showed_is_acknowledged(page: Page, before: Pages) -> None:
    _hot_seen_and_lost_on_the_way(page, before)
    page.get_by_role("button", name="Acknowledge").click()
    until(lambda: before.watch.states()["aux.outlet-temperature-high"] == "acknowledged", "what was seen")
    assert before.watch.states()["aux.cooling-lost"] == "unacknowledged"


def test_the_horn_goes_on_for_an_alarm_that_comes_while_it_is_silenced(page: Page, before: Pages) -> None:
    _hot_seen_and_lost_on_the_way(page, before)
    with page.expect_response("**/api/command") as answered:  # the page clears its words when the alarm comes
        page.get_by_role("button", name="Silence").click()
    assert answered.value.ok

    def silenced(alarm: str) -> list[bool]:
        return [one["silenced"] for one in httpx.get(f"{before.url}/api/now").json()["alarms"] if one["alarm"] == alarm]

    until(lambda: silenced("outlet-temperature-high") == [True], "what was shown is silent")
    until(lambda: silenced("cooling-lost") == [False], "what came is not")
    assert httpx.get(f"{before.url}/api/now").json()["horn"]["sound"] == "alarm"


PRESSED_AT_ONCE = """() => new MutationObserver((_, eyes) => {
  eyes.disconnect();
  document.querySelector('[data-do=acknowledge]').click();
}).observe(document.querySelector('#first-text'), { childList: true, characterData: true, subtree: true })"""


def test_a_hand_on_its_way_acknowledges_no_alarm_that_comes_under_it(page: Page, before: Pages) -> None:
    page.evaluate(PRESSED_AT_ONCE)
    before.device.outlet(95)
    expect(page.locator("#answer")).to_have_text(
        "Just came, look first: Outlet water too hot. Then tap again.", timeout=SHOWN_MS
    )
    screens(page, "just-came")
    assert before.watch.states()["aux.outlet-temperature-high"] == "unacknowledged"
    page.get_by_role("button", name="Acknowledge").click()
    expect(page.locator("#answer")).to_contain_text("Acknowledge: done", timeout=SHOWN_MS)


def test_who_acknowledges_second_is_told_who_was_first(page: Page, before: Pages) -> None:
    before.device.outlet(95)
    temperature = page.locator(".window", has_text="Temperature")
    expect(temperature).to_contain_text("NEW", timeout=SHOWN_MS)
    assert ask(before.watch.record, {"do": "acknowledge", "alarm": "all", "as": "engineer"})["ok"]
    expect(temperature).to_contain_text("SEEN", timeout=SHOWN_MS)
    page.get_by_role("button", name="Acknowledge").click()
    expect(page.locator("#answer")).to_contain_text("Acknowledge: engineer was first, at ", timeout=SHOWN_MS)
    screens(page, "second")


def test_a_ringback_window_says_that_it_is_over_until_reset(page: Page, before: Pages) -> None:
    temperature = page.locator(".window", has_text="Temperature")
    before.device.outlet(95)
    expect(temperature).to_have_attribute("data-aspect", "flash", timeout=SHOWN_MS)
    page.wait_for_timeout(READ_MS)
    page.get_by_role("button", name="Acknowledge").click()
    expect(temperature).to_contain_text("SEEN", timeout=SHOWN_MS)
    before.device.outlet(40)
    expect(temperature).to_contain_text("OVER", timeout=SHOWN_MS)
    screens(page, "ringback")
    page.get_by_role("button", name="Reset").click()
    expect(temperature).to_have_attribute("data-aspect", "off", timeout=SHOWN_MS)


PLACES = """() => [...document.querySelectorAll('.number, .push')].map((one) => {
  const { left, top, width, height } = one.getBoundingClientRect();
  return [left, top, width, height].map(Math.round);
})"""


def test_an_alarm_moves_nothing_that_a_hand_reaches_for(page: Page, before: Pages) -> None:
    quiet = page.evaluate(PLACES)
    before.device.flow(2)
    expect(page.locator("#gravest-text")).to_contain_text("Cooling water lost", timeout=SHOWN_MS)
    assert page.evaluate(PLACES) == quiet


def test_nothing_lies_over_an_alarm_nor_looks_like_its_answer(page: Page, before: Pages) -> None:
    page.get_by_role("button", name="Reset").click()
    expect(page.locator("#answer")).to_have_text("Reset: nothing waits for it", timeout=SHOWN_MS)
    page.get_by_role("button", name="Lamp test").click()
    expect(page.locator("#answer")).to_have_text("Lamp test: done", timeout=SHOWN_MS)
    page.locator("#menu > summary").click()
    page.get_by_role("button", name="Log in").click()
    expect(page.locator("#log-in")).to_be_visible(timeout=SHOWN_MS)
    before.device.flow(2)
    expect(page.locator("#log-in")).to_be_hidden(timeout=SHOWN_MS)
    expect(page.locator("#answer")).to_have_text("", timeout=SHOWN_MS)
    page.wait_for_timeout(READ_MS)
    page.get_by_role("button", name="Silence").click()
    expect(page.locator("#answer")).to_have_text("Silence: done", timeout=SHOWN_MS)


def another(name: str, at: int) -> str:
    """A second brake on the same device, whose registers from ``at`` on are 0: it has no water."""
    points = "".join(
        f'[[brake.point]]\nname = "at-{at}-{end}"\nrole = "{role}"\ndevice = "plc1"\ntable = "holding"\n'
        f'address = {at + n}\nsignal = {{ kind = "linear", raw = [0, 1000], range = {span} }}\n'
        for n, (end, role, span) in enumerate(
            (
                ("flow", "inlet-flow", '["0 gal/min", "100 gal/min"]'),
                ("inlet", "inlet-temperature", '["0 degC", "100 degC"]'),
                ("outlet", "outlet-temperature", '["0 degC", "100 degC"]'),
                ("level", "brake-level", '["0 mm", "1000 mm"]'),
            )
        )
    )
    return f'\n[[brake]]\nname = "{name}"\nleast-flow = "75 gal/min"\nbearing-level = "600 mm"\n{points}'


HIDDEN = """() => document.querySelector('#first').getBoundingClientRect().bottom
  - document.querySelector('footer').getBoundingClientRect().top"""


def test_what_to_do_is_in_sight_with_several_brakes_of_long_names_one_of_them_without_water(
    browser: Browser, tmp_path: Path
) -> None:
    long = ("auxiliary-brake-on-the-starboard-side-drawworks1", "auxiliary-brake-on-the-starboard-side-drawworks2")
    more = 'time-zone = "America/Argentina/Buenos_Aires"\n'
    more += "".join(another(name, 10 * at) for at, name in enumerate(long, 1))
    with pages(tmp_path, more=more) as one, browser.new_context() as context:
        page = context.new_page()
        page.set_viewport_size({"width": 1024, "height": 600})
        page.goto(f"{one.url}/?lang=es")
        expect(page.locator("#first-respond")).to_contain_text("rotor caliente y parado", timeout=SHOWN_MS)
        buttons = page.locator("#brakes button")
        expect(buttons.nth(1)).to_have_attribute("data-alarm", "true")
        expect(buttons.nth(1)).to_have_attribute("aria-label", f"{long[0]}: 2 alarmas")
        expect(buttons.first).to_have_attribute("data-alarm", "false")
        assert len(set(buttons.all_inner_texts())) == 3, "names that differ at their ends are told apart"
        expect(page.locator(".window", has_text="Agua").locator(".what")).to_contain_text("+2")
        SCREENS.mkdir(parents=True, exist_ok=True)
        for size, (width, height) in SIZES.items():
            page.set_viewport_size({"width": width, "height": height})
            page.wait_for_timeout(300)
            page.screenshot(path=SCREENS / f"driller-brakes-{size}.png", animations="disabled")
            assert page.evaluate(HIDDEN) <= 1, size
            page.locator("#menu > summary").click()
            menu = page.locator("#menu > div")
            expect(menu).to_contain_text("Horas: America/Argentina/Buenos_Aires")
            assert menu.evaluate("one => one.scrollWidth - one.clientWidth") <= 0, size
            page.locator("#menu > summary").click()
            assert page.evaluate("() => document.documentElement.scrollWidth <= innerWidth"), size


def test_who_logged_out_in_another_tab_is_not_named_here_any_more(page: Page, before: Pages) -> None:
    page.locator("#menu > summary").click()
    page.get_by_role("button", name="Log in").click()
    log_in(page)
    expect(page.locator("#who")).to_have_text("Here as engineer", timeout=SHOWN_MS)
    before.end_session(page.context.cookies())
    page.get_by_role("button", name="Lamp test").click()
    expect(page.locator("#answer")).to_have_text("Lamp test: done", timeout=SHOWN_MS)  # a station still may
    expect(page.locator("#who")).to_have_text("Here as driller", timeout=SHOWN_MS)


def test_who_could_not_be_logged_out_is_told_so(page: Page) -> None:
    page.locator("#menu > summary").click()
    page.get_by_role("button", name="Log in").click()
    log_in(page)
    page.locator("#menu > summary").click()
    page.route("**/api/log-out", lambda route: route.abort())
    page.get_by_role("button", name="Log out").click()
    expect(page.locator("#answer")).to_contain_text("The panel does not answer.", timeout=SHOWN_MS)
    expect(page.locator("#who")).to_have_text("Here as engineer")


def test_every_number_has_its_limit(page: Page) -> None:
    limits = page.locator(".number .limit").all_inner_texts()
    assert all(text.startswith(("min ", "max ")) for text in limits), limits
    # What 90 gal/min can carry from 77 degF up to 160 degF: 500.4 lb/min-degF x 1.5 times 83 degF, about 1.1 MW.
    heat = page.locator(".number", has_text="Heat load").locator(".limit").inner_text()
    assert 1000 < float(heat.removeprefix("max ").removesuffix(" kW")) < 1150


INK = """() => {
  const canvas = document.querySelector('.number canvas'), pen = canvas.getContext('2d');
  const { data } = pen.getImageData(0, 0, canvas.width, canvas.height);
  let most = 0;
  for (let n = 0; n < data.length; n += 4) if (data[n + 3] > 200) most = Math.max(most, data[n]);
  return most;
}"""


def test_trends_take_the_light_that_is_chosen_at_once(page: Page) -> None:
    page.wait_for_function(f"() => ({INK})() > 0", timeout=SHOWN_MS)
    page.locator("#light").click()
    assert page.locator("#light").inner_text() == "Day"
    page.wait_for_function(f"() => ({INK})() > 180", timeout=SHOWN_MS)  # light lines on dark ground


def test_lamp_test_lights_every_window_marked_as_a_test(page: Page) -> None:
    page.get_by_role("button", name="Lamp test").click()
    expect(page.locator(".window[data-test=true]")).to_have_count(3, timeout=SHOWN_MS)


def test_keys_alone_reach_every_button(page: Page) -> None:
    reached = set()
    for _ in range(12):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("() => document.activeElement.dataset.do ?? document.activeElement.id"))
    assert {"silence", "acknowledge", "reset", "test", "sound", "light"} <= reached


def test_a_watch_that_dies_is_said_across_the_page(page: Page, before: Pages) -> None:
    before.watch.kill()
    expect(page.locator("#dead")).to_be_visible(timeout=SHOWN_MS)
    expect(page.locator("#dead")).to_contain_text("NO LIVE PICTURE")
    assert page.locator(".number .value").all_inner_texts() == ["--"] * page.locator(".number").count()
    screens(page, "dead")
    before.watch.start()
    expect(page.locator("#dead")).to_be_hidden(timeout=SHOWN_MS)


@pytest.fixture
def line(before: Pages) -> Iterator[SlowLine]:
    with slow_line(int(before.url.rpartition(":")[2])) as one:
        yield one


def test_what_was_long_on_its_way_is_not_shown_as_live(browser: Browser, line: SlowLine) -> None:
    oldest_s, seen = 0.0, 0
    with browser.new_context() as context:
        page = context.new_page()
        page.goto(f"http://127.0.0.1:{line.port}/")
        expect(page.locator("#first-text")).to_have_text("No alarm.", timeout=SHOWN_MS)
        line.bytes_s = 10_000  # a third of what its pictures need
        for _ in range(75):
            page.wait_for_timeout(200)
            # By the page's own clock, at one moment with what is shown.
            now_ms, told, is_dead = page.evaluate(
                "() => [Date.now(), document.querySelector('#clock').title, !document.querySelector('#dead').hidden]"
            )
            age_s = now_ms / 1000 - datetime.fromisoformat(told).astimezone(UTC).timestamp()
            if not is_dead:
                oldest_s, seen = max(oldest_s, age_s), seen + 1
        line.bytes_s = None
        expect(page.locator("#dead")).to_be_hidden(timeout=SHOWN_MS)
    assert seen > 5
    assert oldest_s < 4.0


def test_who_had_logged_in_is_asked_again_by_a_panel_that_began_anew(browser: Browser, tmp_path: Path) -> None:
    beyond = 'host = "0.0.0.0"\nnames = ["127.0.0.1"]\n'
    with pages(tmp_path, beyond, tls=True) as one, browser.new_context(ignore_https_errors=True) as context:
        page = context.new_page()
        page.goto(one.url)
        log_in(page)
        expect(page.locator("#first-text")).to_have_text("No alarm.", timeout=SHOWN_MS)
        file = tmp_path / "rig.toml"
        file.write_text(file.read_text().replace('bearing-level = "600 mm"', 'bearing-level = "610 mm"'))
        assert ask(one.watch.record, {"ask": "reload"}, timeout_s=20)["ok"]
        log_in(page)
        expect(page.locator("#dead")).to_be_hidden(timeout=SHOWN_MS)
        expect(page.locator("#who")).to_contain_text("engineer")


def log_in(page: Page) -> None:
    expect(page.locator("#log-in")).to_be_visible(timeout=SHOWN_MS)
    page.fill("#actor", "engineer")
    page.fill("#pin", PIN)
    page.keyboard.press("Enter")
    expect(page.locator("#log-in")).to_be_hidden(timeout=SHOWN_MS)


DRAWN = "() => document.querySelector('.number canvas').toDataURL()"


def test_trends_go_on_where_the_clock_is_set_back(browser: Browser, tmp_path: Path) -> None:
    clock = ShiftedClock(tmp_path)
    with pages(tmp_path, environment=clock.environment) as one, browser.new_context() as context:
        page = context.new_page()
        page.goto(one.url)
        expect(page.locator("#first-text")).to_have_text("No alarm.", timeout=SHOWN_MS)
        told = page.locator("#clock").get_attribute("title")
        clock.step_to(-3_600_000_000_000)
        page.wait_for_function(
            "told => document.querySelector('#clock').title < told && document.querySelector('#dead').hidden",
            arg=told,
            timeout=SHOWN_MS,
        )
        drawn = page.evaluate(DRAWN)
        page.wait_for_function(f"drawn => ({DRAWN})() !== drawn", arg=drawn, timeout=SHOWN_MS)


def test_a_trend_is_asked_for_anew_after_a_pause(browser: Browser, line: SlowLine) -> None:
    with browser.new_context() as context:
        page = context.new_page()
        page.goto(f"http://127.0.0.1:{line.port}/")
        expect(page.locator("#first-text")).to_have_text("No alarm.", timeout=SHOWN_MS)
        line.hang_up()
        expect(page.locator("#dead")).to_be_visible(timeout=SHOWN_MS)
        page.wait_for_timeout(3000)
        with page.expect_response("**/api/trend?*", timeout=SHOWN_MS):
            line.cut = False
        expect(page.locator("#dead")).to_be_hidden(timeout=SHOWN_MS)


def test_a_page_comes_back_by_itself_over_a_line_that_went_silent(browser: Browser, line: SlowLine) -> None:
    """As a radio's does: neither end is told, and the browser alone would wait on it for minutes."""
    with browser.new_context() as context:
        page = context.new_page()
        page.goto(f"http://127.0.0.1:{line.port}/")
        expect(page.locator("#first-text")).to_have_text("No alarm.", timeout=SHOWN_MS)
        line.hush()
        expect(page.locator("#dead")).to_be_visible(timeout=SHOWN_MS)
        expect(page.locator("#dead")).to_be_hidden(timeout=2 * SHOWN_MS)
        page.close()


def test_a_button_tapped_twice_is_answered_once(page: Page, before: Pages) -> None:
    before.device.flow(2)
    expect(page.locator("#gravest-text")).to_contain_text("Cooling water lost", timeout=SHOWN_MS)
    asked: list[str] = []
    page.on("request", lambda one: asked.append(one.url) if one.url.endswith("/api/command") else None)
    page.wait_for_timeout(READ_MS)
    page.get_by_role("button", name="Acknowledge").dblclick()
    expect(page.locator("#answer")).to_have_text("Acknowledge: done", timeout=SHOWN_MS)
    page.wait_for_timeout(500)
    expect(page.locator("#answer")).to_have_text("Acknowledge: done")
    assert len(asked) == 1


def test_who_may_not_acknowledge_is_told_so_and_not_that_nothing_waits(browser: Browser, tmp_path: Path) -> None:
    with pages(tmp_path, more='\n[roles]\ndriller = ["silence"]\n') as one, browser.new_context() as context:
        page = context.new_page()
        page.set_viewport_size({"width": 1024, "height": 600})
        page.goto(f"{one.url}/pair?lang=es#{one.pairing()}")
        expect(page.locator("#says")).to_contain_text("doghouse", timeout=SHOWN_MS)
        page.goto(one.url)
        one.device.flow(2)
        expect(page.locator("#gravest-text")).not_to_have_text("", timeout=SHOWN_MS)
        page.wait_for_timeout(READ_MS)
        page.locator('[data-do="acknowledge"]').click()
        expect(page.locator("#answer")).to_contain_text(
            "'driller' es driller y no puede reconocer; puede: silenciar", timeout=SHOWN_MS
        )
        screens(page, "may-not-es")


def test_a_pairing_outlives_a_lost_connection(browser: Browser, before: Pages) -> None:
    with browser.new_context() as context:
        page = context.new_page()
        page.route("**/api/pair", lambda route: route.abort())
        page.goto(f"{before.url}/pair?lang=es#{before.pairing()}")
        expect(page.locator("#says")).to_contain_text("Cargue esta página otra vez", timeout=SHOWN_MS)
        page.unroute("**/api/pair")
        page.reload()
        expect(page.locator("#says")).to_have_text("esta es ahora la estación doghouse", timeout=SHOWN_MS)
        assert page.url == f"{before.url}/pair"


def test_a_viewer_chooses_language_and_units_and_the_browser_keeps_them(page: Page, before: Pages) -> None:
    page.locator("#menu > summary").click()
    page.select_option("#language", "es")
    expect(page.locator("#first-text")).to_have_text("Sin alarmas.", timeout=SHOWN_MS)
    page.select_option("#units", "metric")
    flow = page.locator(".number", has_text="Flujo")
    expect(flow).to_contain_text("340.7 L/min", timeout=SHOWN_MS)
    expect(flow.locator(".limit")).to_contain_text("mín. ~284 L/min")
    page.reload()
    expect(page.locator("#first-text")).to_have_text("Sin alarmas.", timeout=SHOWN_MS)
    expect(flow).to_contain_text("340.7 L/min")
    before.device.flow(2)
    expect(page.locator("#first-respond")).to_contain_text("nunca eche agua fría", timeout=SHOWN_MS)
    screens(page, "alarm-es")
    before.watch.kill()
    expect(page.locator("#dead")).to_contain_text("SIN IMAGEN EN VIVO", timeout=SHOWN_MS)
    expect(page.locator("#dead")).to_contain_text("Mire los indicadores")
    screens(page, "dead-es")


def test_limits_are_in_the_units_of_their_numbers_whichever_answer_comes_last(page: Page) -> None:
    def late(route: Route) -> None:
        if "units=metric" not in route.request.url:
            page.wait_for_timeout(1500)
        route.continue_()

    page.route("**/api/rig?*", late)
    page.locator("#menu > summary").click()
    with page.expect_response("**/api/rig?*lang=es*", timeout=SHOWN_MS):
        page.select_option("#language", "es")
        page.select_option("#units", "metric")
    flow = page.locator(".number", has_text="Flujo")
    expect(flow).to_contain_text("340.7 L/min", timeout=SHOWN_MS)
    page.wait_for_timeout(2500)
    expect(flow.locator(".limit")).to_contain_text("mín. ~284 L/min")


def test_an_address_may_name_language_and_units(browser: Browser, before: Pages) -> None:
    with browser.new_context() as context:
        page = context.new_page()
        page.goto(f"{before.url}/?lang=es&units=metric")
        expect(page.locator("#first-text")).to_have_text("Sin alarmas.", timeout=SHOWN_MS)
        assert page.evaluate("() => document.documentElement.lang") == "es"
        expect(page.locator(".number", has_text="Nivel")).to_contain_text("mm")


SERVICE = """
[[brake.point]]
name = "aux-in-service"
role = "in-service"
device = "plc1"
table = "coil"
address = 0
type = "bit"
signal = { kind = "bit" }
"""


def test_out_of_service_it_answers_whether_a_trip_may_begin(browser: Browser, tmp_path: Path) -> None:
    with pages(tmp_path, more=SERVICE) as one, browser.new_context() as context:
        page = context.new_page()
        page.goto(f"{one.url}/pair#{one.pairing()}")
        expect(page.locator("#says")).to_contain_text("doghouse", timeout=SHOWN_MS)
        page.goto(one.url)
        expect(page.locator("#ready")).to_be_visible(timeout=SHOWN_MS)
        screens(page, "before-a-trip")
        one.device.flow(40)
        expect(page.locator("#ready")).to_have_text("Not ready", timeout=SHOWN_MS)
        expect(page.locator("#not-ready")).to_contain_text("flow low")
        screens(page, "not-ready")
