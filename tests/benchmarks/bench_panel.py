"""The pages: first paint and bytes, a day opened and moved, from an alarm to its lamp, and what fifty viewers cost.

Each time is held against that of an empty page of the same panel in the same browser, so that a busy machine shows.
"""

import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from time import sleep, time_ns
from typing import Any

import httpx
import numpy as np
from playwright.sync_api import Browser, Page, sync_playwright

from benchmarks.table import Row
from brakewater.record.reader import Record
from brakewater.stream import Block
from brokers import until
from chromium import launched
from daemons import events
from day_record import rig, write_day
from panel_parts import Pages, pages, reading

_PAINT = "() => performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? null"
_BYTES = """() => performance.getEntriesByType('resource').concat(performance.getEntriesByType('navigation'))
  .reduce((sum, one) => sum + one.transferSize, 0)"""
_OPEN = """() => new Promise((done) => {
  const begun = performance.now();
  const drawn = () => document.querySelectorAll('.chart canvas').length >= 5;
  const look = () => drawn() ? done(performance.now() - begun) : requestAnimationFrame(look);
  const rows = [...document.querySelectorAll('#trip-list button')];
  rows.find((one) => one.textContent.startsWith('Whole record')).click();
  look();
})"""
_PAN = """() => new Promise((done) => {
  document.getElementById('closer').click();
  const over = document.querySelector('.chart .u-over'), box = over.getBoundingClientRect(), y = box.top + 20;
  const mouse = (kind, x) => new MouseEvent(kind, { clientX: x, clientY: y, shiftKey: true, bubbles: true });
  over.dispatchEvent(mouse('mousedown', box.left + 300));
  let frames = 0;
  const begun = performance.now();
  const frame = () => {
    frames += 1;
    dispatchEvent(mouse('mousemove', box.left + 300 + 100 * Math.sin(frames / 10)));
    if (performance.now() - begun < 3000) requestAnimationFrame(frame);
    else { dispatchEvent(mouse('mouseup', box.left + 300)); done(frames / ((performance.now() - begun) / 1000)); }
  };
  requestAnimationFrame(frame);
})"""
_WATCH = """() => {
  window.lit = [];
  const tile = [...document.querySelectorAll('.window')].find((one) => one.textContent.includes('Cooling'));
  window.cooling = tile;
  const shown = () => requestAnimationFrame(() => window.lit.push(Date.now()));
  new MutationObserver(() => { if (tile.dataset.aspect.includes('flash')) shown(); })
    .observe(tile, { attributes: true, attributeFilter: ['data-aspect'] });
}"""
_VIEWERS = 50
_PART_S = 12.0
_LOADS = 7
_LONG_S = 120.0


def rows() -> Iterator[Row]:
    """The benchmarks."""
    with tempfile.TemporaryDirectory() as name, sync_playwright() as driver, launched(driver) as browser:
        folder = Path(name)
        (folder / "live").mkdir()
        with pages(folder / "live") as before:
            yield from _painted(browser, before)
            yield _lamp(browser, before)
            yield _viewers(before)
        yield from _day(browser, folder / "day")


@contextmanager
def _page(browser: Browser) -> Iterator[Page]:
    with browser.new_context(viewport={"width": 1400, "height": 900}) as context:
        yield context.new_page()


def _painted(browser: Browser, before: Pages) -> list[Row]:
    with httpx.Client() as client:
        until(lambda: client.get(f"{before.url}/api/now").status_code == 200)
    ours, bare, sizes = [], [], []
    for _ in range(_LOADS):
        for url, into in ((before.url, ours), (f"{before.url}/static/icon.svg", bare)):
            with _page(browser) as page:
                page.goto(url)
                page.wait_for_function(_PAINT)
                into.append(page.evaluate(_PAINT))
                if into is ours:
                    page.wait_for_selector(".number", timeout=20_000)
                    sizes.append(page.evaluate(_BYTES))
    paint, floor, size = statistics.median(ours), statistics.median(bare), statistics.median(sizes)
    return [
        _timed("driller's page, first paint (goal 500 ms)", paint, floor, 500),
        Row(
            what="driller's page, over the wire",
            ours=f"{size / 1e3:.0f} kB",
            floor="400 kB",
            ratio=size / 4e5,
            target=1,
        ),
    ]


def _timed(what: str, ours_ms: float, floor_ms: float, goal_ms: float) -> Row:
    return Row(
        what=what,
        ours=f"{ours_ms:.0f} ms",
        floor=f"{floor_ms:.0f} ms",
        ratio=ours_ms / floor_ms,
        target=goal_ms / floor_ms,
    )


def _lamp(browser: Browser, before: Pages) -> Row:
    """From the wall time of the scan that raised the alarm to the frame that shows it, by one machine's clock."""
    begun, lit = [], []
    with _page(browser) as page:
        page.goto(before.url)
        page.wait_for_selector(".window", timeout=20_000)
        page.evaluate(_WATCH)
        for _ in range(9):
            page.wait_for_function("() => window.cooling.dataset.aspect === 'off'", timeout=_LONG_S * 1e3)
            page.evaluate("() => { window.lit = []; }")
            begun.append(time_ns() / 1e6)
            before.device.flow(2)
            page.wait_for_function("() => window.lit.length > 0", timeout=_LONG_S * 1e3)
            lit.append(page.evaluate("() => window.lit[0]"))
            before.device.flow(90)
            until(lambda: not any(one["active"] for one in _cooling(before)), within_s=_LONG_S)
            before.watch.do("acknowledge", "all")
            until(lambda: not any(one["state"] != "normal" for one in _cooling(before)), within_s=_LONG_S)
    raised = [
        one.utc_ns / 1e6
        for one in events(before.watch.record)
        if one.alarm in _COOLING and one.was == "normal" and one.now == "unacknowledged"
    ]
    took = [shown - min(one for one in raised if one > at) for at, shown in zip(begun, lit, strict=True)]
    return Row(
        what="alarm's scan to its lamp on the page, median",
        ours=f"{statistics.median(took):.0f} ms",
        floor="300 ms",
        ratio=statistics.median(took) / 300,
        target=1,
    )


_COOLING = ("cooling-lost", "cooling-flow-low")


def _cooling(before: Pages) -> list[dict[str, Any]]:
    return [one for one in before.watch.status()["alarms"] if one["alarm"] in _COOLING]


def _viewers(before: Pages) -> Row:
    """p99 of how late scans begin, in turn without and with fifty pages that follow."""
    alone: list[np.ndarray[Any, Any]] = []
    watched: list[np.ndarray[Any, Any]] = []
    for _ in range(3):
        alone.append(_late(before, lambda: sleep(_PART_S)))
        with _looked_at(before):
            watched.append(_late(before, lambda: sleep(_PART_S)))
    without, with_ = (float(np.percentile(np.concatenate(part), 99)) for part in (alone, watched))
    return Row(
        what=f"p99 lateness with {_VIEWERS} viewers, and without",
        ours=f"{with_ * 1e3:.1f} ms",
        floor=f"{without * 1e3:.1f} ms",
        ratio=with_ / without,
        target=1.5,
    )


def _late(before: Pages, wait: Callable[[], None]) -> np.ndarray[Any, Any]:
    record = Record(before.watch.record)
    until(lambda: record.newest() is not None)
    begin = record.newest()
    assert begin is not None
    wait()
    rig_ = _rig_of(record)
    slot = next(slot for slot in rig_.slots if slot.point.name == "self.lateness")
    late = []
    for item in record.inputs(after=begin[0]):
        if isinstance(item, Block):
            words = item.words[:, slot.column : slot.column + 2].astype(np.uint32)
            late.append(((words[:, 0] << 16) | words[:, 1]) * 1e-6)
    return np.concatenate(late)


def _rig_of(record: Record) -> Any:
    from brakewater.rig import parse  # noqa: PLC0415 - only here

    tail = record.tail()
    assert tail is not None
    return parse(tail[0].rig_toml, "recorded")


@contextmanager
def _looked_at(before: Pages) -> Iterator[None]:
    """Fifty clients of the live picture, each reading all that comes, in a process of their own."""
    script = Path(__file__).with_name("viewers.py")
    command = [sys.executable, str(script), before.url, str(_VIEWERS)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as viewers:
        try:
            assert viewers.stdout is not None
            assert viewers.stdout.readline().strip() == "every viewer sees"
            yield
        finally:
            viewers.kill()


def _day(browser: Browser, folder: Path) -> list[Row]:
    """A day of 432,000 scans in one run, charted."""
    write_day(folder, rig(), a_commit=2000)
    with reading(folder) as url, _page(browser) as page:
        page.goto(f"{url}/static/icon.svg")
        page.wait_for_function(_PAINT)
        floor = page.evaluate(_PAINT)
        spans = httpx.get(f"{url}/api/past/spans", timeout=60).json()
        sleep(11)  # the panel reads ahead once the watch has had time to start
        window = f"from_ms={spans[0]['from_ms']}&to_ms={spans[0]['to_ms'] + 1}"
        zoom = f"zoom_from_ms={spans[0]['from_ms']}&zoom_to_ms={spans[0]['from_ms'] + 1000}"
        httpx.get(f"{url}/api/past/charts?{window}&{zoom}", timeout=300).raise_for_status()  # waits until it has read
        page.goto(f"{url}/engineer")
        page.wait_for_selector("#trip-list button", timeout=120_000)
        opened = page.evaluate(_OPEN)
        frames = page.evaluate(_PAN)
    return [
        _timed("24 h of 5 scans/s opened (goal 1.5 s)", opened, floor, 1500),
        Row(
            what="frames a second while a day is moved", ours=f"{frames:.0f}", floor="30", ratio=frames / 30, target=1,
            at_least=True,
        ),
    ]  # fmt: skip
