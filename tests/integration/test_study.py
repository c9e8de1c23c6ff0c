"""Many records at once: the same answers by any number of workers, and those of the commands for a single record."""

import json
import re
from pathlib import Path

import fsspec
import pytest

from brakewater.cli.study import _show
from brakewater.review.study import study, trend
from brakewater.review.study_page import alarm_load, study_page
from brakewater.stream import Start
from brakewater.wording import LANGUAGES
from brakewater_sim.cli import main as simulate
from daemons import brakewater, here, starts

pytestmark = pytest.mark.integration

SETTING = "aux.cooling-flow-low.setpoint=95 gal/min"


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("fleet")
    for seed in (1, 2, 3):
        words = ["record", "trip-in", "--seed", str(seed), "--seconds", "400", "-o", str(folder / f"rig-{seed}")]
        assert simulate(words) == 0
    return [*sorted(folder.iterdir()), folder / "nowhere"]


def test_the_answers_do_not_depend_on_the_workers(records: list[Path]) -> None:
    told: list[tuple[int, int]] = []
    one = study(records, [SETTING], tell=lambda done, of: told.append((done, of)))
    assert told == [(done, 4) for done in range(1, 5)]
    alone = json.loads(json.dumps(one))
    for workers, given in ((3, records), (2, list(reversed(records)))):
        done = brakewater("study", *given, "--set", SETTING, "--workers", str(workers), "--json", within_s=300)
        found = json.loads(done.stdout)["records"]
        assert sorted(found, key=lambda row: row["record"]) == sorted(alone, key=lambda row: row["record"])
        assert [row["record"] for row in found] == [str(place) for place in given]
    assert [Path(row["record"]) for row in one] == records
    assert one[3]["error"] == "no such file or folder"
    assert len({json.dumps({**row, "record": ""}) for row in one}) == 4  # and the records are not one and the same


def test_they_are_those_of_the_single_commands(records: list[Path]) -> None:
    row = study(records[:1], [SETTING])[0]
    trips = [json.loads(line) for line in here("trips", records[0], "--json").stdout.splitlines()]
    assert row["trips"]["count"] == len(trips)
    assert row["trips"]["energy_j"] == sum(one["energy_j"] for one in trips)
    plain = [json.loads(line) for line in here("replay", records[0], "--json").stdout.splitlines()]
    other = [json.loads(line) for line in here("replay", records[0], "--set", SETTING, "--json").stdout.splitlines()]
    assert row["scans"] == plain[-1]["scans"]
    assert row["alarms"]["watched_s"] == pytest.approx((row["scans"] - 1) * 0.2)

    def raised(lines: list[dict[str, object]]) -> int:
        return sum(one.get("alarm") == "cooling-flow-low" and one["to"] == "unacknowledged" for one in lines)

    change = row["what_if"]["aux.cooling-flow-low"]
    assert (change["is"], change["would_be"]) == (raised(plain), raised(other))
    assert change["would_be"] > change["is"]
    assert isinstance(starts(records[0])[0], Start)


def test_a_record_may_lie_in_an_object_store(records: list[Path], tmp_path: Path) -> None:
    """A store of keys without folders, by fsspec's own; a folder of keys and one object, a case file."""
    case = tmp_path / "rig-1.case.zip"
    assert here("pack", records[0], "-o", case).returncode == 0
    store = fsspec.filesystem("memory")
    try:
        store.put(str(records[0]), "/office/rig-1", recursive=True)
        store.put_file(str(case), "/office/rig-1.case.zip")
        held = study([records[0], case], [SETTING])
        fetched = study(["memory://office/rig-1", "memory://office/rig-1.case.zip", "memory://office/rig-2"], [SETTING])
    finally:
        store.rm("/office", recursive=True)
    assert [{**row, "record": ""} for row in fetched[:2]] == [{**row, "record": ""} for row in held]
    assert fetched[2]["record"] == "memory://office/rig-2"
    assert fetched[2]["error"].startswith("cannot be fetched")


def test_the_page_needs_nothing_beside_itself(records: list[Path], tmp_path: Path) -> None:
    page = tmp_path / "study.html"
    done = here("study", *records, "--set", SETTING, "--workers", "1", "-o", page)
    assert done.returncode == 1  # one of them is nowhere
    assert "nowhere: no such file or folder" in done.stderr
    text = page.read_text()
    assert not re.search(r"(src|href)=|<script", text)
    for title in ("Whose brakes weaken", "Whose alarms nag", "Whose water is bad", "What would have been", "Not in it"):
        assert title in text
    assert here("study", *records, "-o", page).returncode == 2
    assert here("study", records[0], "--workers", "0").returncode == 2
    assert here("study", records[0], "--lang", "xx").returncode == 2


def test_a_head_stands_over_its_numbers(records: list[Path]) -> None:
    page = study_page(study([*records]), [])
    for table in re.findall(r"<table>(.*?)</table>", page):
        heads, *rows = re.findall(r"<tr>(.*?)</tr>", table)
        kinds = [bool(kind) for kind in re.findall(r'<th( class="n")?>', heads)]
        cells = [[bool(kind) for kind in re.findall(r'<td( class="n")?>', row)] for row in rows]
        assert cells
        assert kinds == [any(column) for column in zip(*cells, strict=True)]


def test_the_page_speaks_spanish_where_asked_to(records: list[Path], tmp_path: Path) -> None:
    page = tmp_path / "study.html"
    done = here("study", *records[:2], "--set", SETTING, "--workers", "1", "-o", page, "--lang", "es")
    assert done.returncode == 0, done.stderr
    assert "qué diría más: " in done.stdout  # asked for a language the terminal speaks it, too
    assert not re.search(r"\b(whose|likely|cannot|unknown|trips|times|the|brake)\b", done.stdout, re.IGNORECASE)
    assert "what would tell more: " in here("study", records[0], "--workers", "1").stdout
    text = page.read_text()
    assert '<html lang="es">' in text
    assert re.search(r"Poca agua de enfriamiento \(aux\.cooling-flow-low\)", text)
    for said in ("Estudio de 2 registros", "no se puede decir", "qué diría más: ", "Monitor de aviso"):
        assert said in text
    assert not re.search(r"\b(whose|likely|cannot|unknown|trips|the)\b", text.partition("</style>")[2], re.IGNORECASE)


def test_a_setting_that_names_nothing_is_said_of_each(records: list[Path]) -> None:
    done = here("study", records[0], "--set", "aux.no-such.setpoint=1", "--workers", "1")
    assert done.returncode == 1
    assert "no-such" in done.stderr


def test_alarms_are_counted_over_what_was_watched() -> None:
    """Three trips in half a year, each with a watch of its own, and three alarms: 0.0 a day by the calendar."""
    assert alarm_load({"alarms": 3, "watched_s": 4050.0, "per_day": 0.02}) == "3 in 1.1 h"
    assert alarm_load({"alarms": 3, "watched_s": 129_600.0, "per_day": 0.02}) == "2.0"
    assert alarm_load({"alarms": 3, "watched_s": 4050.0}, LANGUAGES["es"]) == "3 en 1.1 h"
    assert alarm_load(None) == "unknown"


def test_one_state_has_one_name_for_people(capsys: pytest.CaptureFixture[str]) -> None:
    """Terminal and page call it the same, and both say what a heat share leaves out; machines keep their word."""
    brake = {"condition": "sound", "heat_share_median": 0.63, "trend_per_trip": None, "trips": 3, "findings": [],
             "lacks_words": []}  # fmt: skip
    water = dict.fromkeys(("flow_under_s", "inlet_over_s", "outlet_over_s"), 0.0)
    row = {"record": "d", "rig": "rig-4", "alarms": None, "brakes": {"aux": brake},
           "trips": {"count": 3, "energy_j": 3e8, "worst_margin": 0.6, **water}}  # fmt: skip
    _show([row], LANGUAGES["en"])
    said = capsys.readouterr().out
    assert "aux as new" in said
    assert "without correction for what the drawworks itself takes" in said
    for code, name, means in (("en", "as new", "drawworks itself takes"), ("es", "como nuevo", "propio malacate")):
        page = study_page([row], [], code)
        assert f"<td>{name}</td>" in page
        assert page.count(means) == 1
    _show([{**row, "brakes": {"aux": {**brake, "heat_share_median": None}}}], LANGUAGES["en"])
    assert "drawworks" not in capsys.readouterr().out


def test_a_trend_is_the_median_of_slopes() -> None:
    assert trend([1.0, 2.0, 3.0]) is None
    assert trend([1.0, 2.0, 3.0, 4.0]) == 1.0
    assert trend([1.0, 2.0, 100.0, 4.0, 5.0]) == pytest.approx(1.0)  # one that is off moves it little
    assert trend([0.5] * 6) == 0.0
