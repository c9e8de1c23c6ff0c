"""A trip's report: it says what the commands say, needs nothing beside itself, and is small enough to send."""

import json
import re
import shutil
from html import unescape
from pathlib import Path

import pytest

from brakewater.wording import ENGLISH, LANGUAGES
from daemons import here
from trip_record import STORY, TWO_TRIPS, write_trip

pytestmark = pytest.mark.timeout(180)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_trip(tmp_path_factory.mktemp("report"))


@pytest.fixture(scope="module")
def page(folder: Path) -> str:
    file = folder.parent / "trip.html"
    done = here("report", folder, "--trip", "1", "-o", file)
    assert done.returncode == 0, done.stderr
    return file.read_text(encoding="utf-8")


def part(page: str, head: str) -> str:
    """One chapter as plain text, a line a row."""
    html = page[page.index(f"<h2>{head}</h2>") :]
    html = html[: html.find("<h2>", 4)].replace("</tr>", "\n")
    return unescape(re.sub(r"<[^>]+>", " ", html)).replace("\xa0", " ")


def test_it_says_what_the_commands_say(page: str, folder: Path) -> None:
    trip = json.loads(here("trips", folder, "--json").stdout.splitlines()[0])
    energy, spread = trip["energy_j"] / 1e6, 2 * trip["energy_std_j"] / 1e6
    assert f"carried off {energy:.0f} \u00b1 {spread:.0f} MJ" in page
    assert f"{energy:.0f} \u00b1 {spread:.0f} MJ" in part(page, "Energy balance")
    assert f"{trip['put_in_j'] / 1e6:.0f} \u00b1 {2 * trip['put_in_std_j'] / 1e6:.0f} MJ" in part(
        page, "Energy balance"
    )
    assert f"{trip['stands']} stands" in page
    assert "Verified: consistent" in part(page, "The record")
    assert "not a safety instrumented system" in page
    figures = json.loads(here("alarms", folder, "--json").stdout)
    assert re.search(rf"Alarms a day +[\d.]+ +{figures['per_day']:.1f} ", part(page, "Alarm performance"))


def test_events_and_commands_stand_in_one_sequence(page: str) -> None:
    told = part(page, "Sequence of events")
    rows = [re.sub(r" +", " ", row).strip() for row in told.splitlines()]
    assert any("First out: Outlet water too hot: 112.6 degF, set at 95 degF." in row for row in rows)
    assert any(row.endswith("engineer: note: hose <moved> & clamped") for row in rows), "what was typed, and no markup"
    assert any("driller: set" in row and "refused" in row for row in rows)
    times = [row[:23] for row in rows if row.startswith("2031-")]
    assert len(times) == 7
    assert times == sorted(times)


def test_settings_in_force_name_who_changed_them(page: str) -> None:
    settings = part(page, "Settings in force")
    assert "in this trip: Outlet water too hot, setpoint (aux.outlet-temperature-high.setpoint)" in settings
    assert re.search(r"95 degF +by engineer, 2031-02-03 04:08:05, from 160 degF: a look at the hot end", settings)
    assert re.search(r"Inlet water too warm +aux.inlet-temperature-high +high +100 degF", settings)


def test_sensors_upkeep_and_time_line_are_told(page: str) -> None:
    assert re.search(r"aux-flow +inlet-flow +100 % +0 % +0 %", part(page, "Sensors"))
    assert "grease  aux  ok" in part(page, "Upkeep and health")
    line = part(page, "Time line")
    assert "Outlet water too hot" in line
    assert "engineer: note" in line


def test_nothing_comes_from_elsewhere_and_it_is_small(page: str) -> None:
    assert not re.search(r"(?:src|href)=[\"']|url\(|@import|<link", page)
    assert "default-src 'none'" in page
    assert page.count("<svg") >= 8, "charts for paper and for whoever runs no script"
    assert len(page.encode()) < 1_500_000, "twelve hours of 10,000 stretches then stay below 5 MB"


_PLACE = re.compile(r"\{[^}]*\}")


def test_it_is_written_in_the_language_and_units_asked_for(folder: Path, tmp_path: Path) -> None:
    """Every chapter: no piece of an English sentence is left that Spanish does not hold as well."""
    assert (
        here("report", folder, "--trip", "1", "-o", tmp_path / "t.html", "--lang", "es", "--units", "metric").returncode
        == 0
    )
    page = (tmp_path / "t.html").read_text(encoding="utf-8")
    assert '<html lang="es">' in page
    spanish = LANGUAGES["es"]
    told = unescape(re.sub(r"<(?:style|script).*?</(?:style|script)>|<[^>]+>", " ", page, flags=re.DOTALL))
    own = " ".join([*spanish.pages.values(), *spanish.papers.values()])
    pieces = {
        piece.strip()
        for text in [*ENGLISH.pages.values(), *ENGLISH.papers.values(), *ENGLISH.alarms.values()]
        for piece in _PLACE.split(text)
    }
    left = [piece for piece in pieces if len(piece) > 11 and " " in piece and piece in told and piece not in own]
    assert left == []
    assert "retiró" in told
    settings = told[told.index(spanish.papers["report-settings"]) :]
    assert re.search(rf"{spanish.alarms['cooling-lost']} +aux\.cooling-lost .* banda muerta, ", settings)
    assert "deadband" not in settings
    assert "Primera: " in told
    assert "(rechazado: 'driller' es driller y no puede cambiar ajuste; puede: reconocer" in told
    assert "gal/min" not in told
    assert "degF" not in re.sub(r"\d+ degF", "", told), "only where somebody typed it"
    data = json.loads(re.search(r'id="data">(.*?)</script>', page)[1]) if 'id="data"' in page else None
    assert data is None or {line["unit"] for line in data["lines"]} <= {"L/min", "degC", "K", "mm", "kW", "1"}


def test_a_language_that_is_not_there_is_refused_in_words(folder: Path, tmp_path: Path) -> None:
    done = here("report", folder, "--trip", "1", "-o", tmp_path / "t.html", "--lang", "xx")
    assert (done.returncode, (tmp_path / "t.html").exists()) == (2, False)
    assert "--lang xx; allowed: en, es" in done.stderr


def test_files_that_exist_are_kept_and_trips_that_are_none_refused(folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "trip.html"
    file.write_text("mine")
    assert here("report", folder, "--trip", "1", "-o", file).returncode == 2
    assert file.read_text() == "mine"
    none = here("report", folder, "--trip", "9", "-o", tmp_path / "none.html")
    assert (none.returncode, (tmp_path / "none.html").exists()) == (3, False)
    assert "trip 9; allowed: 1 to 1" in none.stderr


@pytest.mark.parametrize(("paper", "box"), [("A4", (595, 842)), ("Letter", (612, 792))])
def test_a_pdf_has_pages_of_the_paper_asked_for(folder: Path, tmp_path: Path, paper: str, box: tuple[int, int]) -> None:
    done = here("report", folder, "--trip", "1", "-o", tmp_path / "trip.html", "--pdf", "--paper", paper)
    assert done.returncode == 0, done.stderr
    pdf = (tmp_path / "trip.pdf").read_bytes()
    boxes = {tuple(map(round, map(float, one.split()))) for one in re.findall(rb"/MediaBox \[([^\]]*)\]", pdf)}
    assert boxes == {(0, 0, *box)}
    assert 3 <= len(re.findall(rb"/Type /Page\b", pdf)) <= 12


def test_without_a_chromium_the_page_is_there_and_the_pdf_refused_in_words(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shutil, "which", lambda _: None)
    done = here("report", folder, "--trip", "1", "-o", tmp_path / "trip.html", "--pdf")
    assert done.returncode == 3
    assert "--pdf needs a Chromium" in done.stderr
    assert (tmp_path / "trip.html").exists()


def test_an_alarm_after_the_last_stand_is_none_of_the_trip(tmp_path: Path) -> None:
    fault = '[[fault]]\nfault = "pump-stopped"\nat = "7.5 min"\nuntil = "8 min"\nseverity = 0.5\n'
    record = write_trip(tmp_path, said=(), told=STORY + fault)
    assert "Cooling water lost" in here("replay", record).stdout
    assert "0 events in this window" in here("replay", record, "--trip", "1").stdout
    assert json.loads(here("trips", record, "--json").stdout)["alarms"] == []
    assert here("report", record, "--trip", "1", "-o", tmp_path / "trip.html").returncode == 0
    assert "Cooling water lost" not in (tmp_path / "trip.html").read_text(encoding="utf-8").partition("<h2>")[0]


def test_an_alarm_that_stood_before_and_after_has_its_bar_and_its_line(tmp_path: Path) -> None:
    record = write_trip(tmp_path, said=(), told=TWO_TRIPS.replace("[scenario]", '[scenario]\nwater = "40 degC"'))
    told = here("replay", record, "--trip", "2").stdout
    assert "2031-02-03 04:05:11.000Z  -         stood already when this window begins: Inlet water too warm\n" in told
    assert told.count("Inlet water too warm") == 1, "it does not move in it"
    assert here("report", record, "--trip", "2", "-o", tmp_path / "trip.html").returncode == 0
    page = (tmp_path / "trip.html").read_text(encoding="utf-8")
    assert "2031-02-03 04:05:11.000 Stood already: Inlet water too warm" in re.sub(
        r"\s+", " ", part(page, "Sequence of events")
    )
    trip = json.loads(here("trips", record, "--json").stdout.splitlines()[1])
    bars = re.findall(r"<rect[^>]+#b3111c[^>]+><title>Inlet water too warm: (\S+) (\S+) to ", page)
    assert [f"{day}T{time}"[:19] for day, time in bars] == [trip["from"][:19]]
