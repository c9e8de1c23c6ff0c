"""The engineer's page asks for the past: trips, charts and what-if, held against what the commands say."""

import asyncio
import csv
import json
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from brakewater.panel.past import router
from brakewater.record.journal import Journal
from brakewater.render import came_first
from brakewater.rig import load
from brakewater.rig.load import demo_file
from brakewater.stream import Command, Request
from brakewater.units import utc_text
from brakewater.wording import LANGUAGES
from brakewater_sim.offline import record
from brakewater_sim.story import parse
from daemons import here
from record_streams import UTC, start
from trip_record import STORY, write_trip

pytestmark = pytest.mark.timeout(180)

SETTING = "aux.outlet-temperature-high.setpoint=95 degF"
COLUMNS = {
    "aux-flow [gal/min]": "inlet-flow",
    "aux-outlet [degF]": "outlet-temperature",
    "aux.heat [kW]": "heat_w",
    "aux.cooling_margin [1]": "cooling_margin",
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("past") / "trip"
    record(parse(STORY), load(demo_file()), place, seed=1)
    return place


class Page:
    """Asks as the page does, without a socket between."""

    def __init__(self, folder: Path) -> None:
        self._app = FastAPI()
        self._app.include_router(router(folder))

    def get(self, path: str, params: dict[str, Any] | None = None) -> httpx.Response:
        async def asked() -> httpx.Response:
            carrier = httpx.ASGITransport(app=self._app)
            async with httpx.AsyncClient(transport=carrier, base_url="http://panel") as client:
                return await client.get(path, params=params)

        return asyncio.run(asked())


@pytest.fixture
def page(folder: Path) -> Page:
    return Page(folder)


@pytest.fixture
def whole(page: Page) -> dict[str, int]:
    span = page.get("/api/past/spans").json()[0]
    return {"from_ms": span["from_ms"], "to_ms": span["to_ms"] + 1}


def zoomed(window: dict[str, int], **more: int) -> dict[str, int]:
    return {**window, "zoom_from_ms": window["from_ms"], "zoom_to_ms": window["to_ms"], **more}


def test_the_trips_are_those_of_the_command(page: Page, folder: Path) -> None:
    told = page.get("/api/past/trips").json()
    said = [json.loads(line) for line in here("trips", folder, "--json").stdout.splitlines()]
    assert said
    same = ("trip", "brake", "direction", "from", "stands", "energy_j")
    assert [[one[key] for key in same] for one in told] == [[one[key] for key in same] for one in said]


def test_what_stood_when_a_window_begins_is_told_though_it_moves_only_later(tmp_path: Path) -> None:
    folder = write_trip(tmp_path, said=(), told=STORY.replace("[scenario]", '[scenario]\nwater = "40 degC"'))
    page = Page(folder)
    begin = page.get("/api/past/spans").json()[0]["from_ms"]
    assert page.get("/api/past/standing", {"from_ms": begin, "lang": "en"}).json() == []
    later = {"from_ms": begin + 60_000, "to_ms": begin + 120_000, "lang": "es"}
    assert page.get("/api/past/events", later).text == ""
    (told,) = page.get("/api/past/standing", later).json()
    assert told["alarm"] == "aux.inlet-temperature-high"
    assert told["name"] == LANGUAGES["es"].alarms["inlet-temperature-high"]
    assert told["t"] == json.loads(page.get("/api/past/events", {"lang": "en"}).text.splitlines()[0])["t"]


@pytest.mark.parametrize("count", [1, 7, 800, 5000])
def test_no_zoom_hides_what_the_export_shows(
    page: Page, folder: Path, whole: dict[str, int], tmp_path: Path, count: int
) -> None:
    file = tmp_path / "all.csv"
    assert here("export", folder, "-o", file).returncode == 0
    with file.open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    told = page.get("/api/past/charts", params=zoomed(whole, count=count)).json()
    lines_of = {line["quantity"]: line for line in told["lines"]}
    assert len(told["utc_ms"]) <= count
    for column, quantity in COLUMNS.items():
        values = [float(row[column]) for row in rows if row[column]]
        seen = lines_of[quantity]
        assert max(one for one in seen["most"] if one is not None) == pytest.approx(max(values), abs=1e-3)
        assert min(one for one in seen["least"] if one is not None) == pytest.approx(min(values), abs=1e-3)


@pytest.mark.parametrize(
    ("settings", "raised"),
    [
        ([SETTING], "outlet-temperature-high"),
        ([SETTING, "aux.outlet-temperature-high.on-delay=2 s"], "outlet-temperature-high"),
        (["aux-flow.range=0 to 100 gal/min"], "cooling-flow-low"),
        (["aux-flow.range=0 gal/min to 400 L/min", "aux.cooling-flow-low.on-delay=4 s"], "cooling-flow-low"),
    ],
)
def test_what_if_says_what_the_command_says(
    page: Page, folder: Path, whole: dict[str, int], settings: list[str], raised: str
) -> None:
    told = page.get("/api/past/what-if", params={**whole, "set": settings}).json()
    words = [word for setting in settings for word in ("--set", setting)]
    said = [json.loads(line) for line in here("replay", folder, *words, "--json").stdout.splitlines()]
    assert told["events"] == [one | {"came_first": came_first(one)} for one in said if "alarm" in one]
    assert any(one["came_first"] for one in told["events"])
    assert any(one["alarm"] == raised for one in told["events"]), "the setting made a difference"
    before = page.get("/api/past/what-if", params={**whole, "set": ["aux.cooling-flow-low.on-delay=1 s"]}).json()
    assert not any(one["alarm"] == raised for one in before["events"])


@pytest.mark.parametrize(
    "setting",
    [
        "nonsense",
        "aux.no-such.setpoint=1 gal/min",
        "aux.cooling-flow-low.setpoint=1 furlong",
        "aux-flow.range=5 gal/min",
        "aux-flow.range=1 to 1 gal/min",
        "no-such.range=0 to 1 gal/min",
        "aux-inlet.range=0 to 1 degF",
    ],
)
def test_a_setting_that_is_none_is_refused_in_the_words_of_the_command(
    page: Page, folder: Path, whole: dict[str, int], setting: str
) -> None:
    answer = page.get("/api/past/what-if", params={**whole, "set": [setting]})
    assert answer.status_code == 422
    assert answer.json()["detail"] in here("replay", folder, "--set", setting).stderr


@pytest.mark.parametrize(
    "query",
    [
        "from_ms=5&to_ms=5&zoom_from_ms=1&zoom_to_ms=2",
        "from_ms=5&to_ms=6&zoom_from_ms=2&zoom_to_ms=1",
        f"from_ms=0&to_ms={30 * 3_600_000}&zoom_from_ms=0&zoom_to_ms=1",
        "from_ms=-1&to_ms=6&zoom_from_ms=0&zoom_to_ms=1",
        "from_ms=0&to_ms=6&zoom_from_ms=0&zoom_to_ms=1&count=0",
        "from_ms=0&to_ms=6&zoom_from_ms=0&zoom_to_ms=1&count=9999999",
    ],
)
def test_windows_that_are_none_are_refused(page: Page, query: str) -> None:
    assert page.get(f"/api/past/charts?{query}").status_code == 422


def test_notes_of_other_times_take_no_room_from_those_of_the_window(tmp_path: Path) -> None:
    """A year of a note every two hours; one of them marks a moment of a window that it was not written in."""
    hour = 3600 * 10**9
    with Journal(tmp_path, bound=10_000) as journal:
        journal.begin(start(utc_ns=UTC))
        for at in range(1, 5003):
            marks = {"at": utc_text(UTC + 6001 * hour)} if at == 3 else {}
            said = Request(id=f"n{at}", actor="driller", do="note", args={"text": f"note {at}", **marks})
            journal.append(Command(run=1, input=at, t_ns=at, utc_ns=UTC + at * hour, request=said))
        assert journal.wait_committed(30)
    page, begin = Page(tmp_path), UTC // 10**6
    window = {"from_ms": begin + 5001 * 3_600_000, "to_ms": begin + 6002 * 3_600_000}
    found = page.get("/api/past/commands", window).json()
    assert [one["args"]["text"] for one in found] == ["note 3", "note 5001", "note 5002"]
