"""A trip in which the wall clock is set by an hour: nothing of it is lost or wrong but the labels, and that is said."""

import csv
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

import trip_record
from brakewater.cli import main
from brakewater.stream import Block, Command, Input

pytestmark = pytest.mark.integration

STEP_AT = 1000
"""Input; the trip lasts from 1 to some 1,600."""
HOUR_NS = 3600 * 10**9


@pytest.fixture(scope="module", params=[0, -HOUR_NS, HOUR_NS], ids=["as it was", "set back", "set on"])
def trip(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[int, Path]:
    step_ns: int = request.param
    given = trip_record._with

    def stepped(*what: object) -> Iterator[Input]:
        for item in given(*what):  # type: ignore[arg-type]
            yield from _moved(item, step_ns)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(trip_record, "_with", stepped)
        return step_ns, trip_record.write_trip(tmp_path_factory.mktemp("trip"))


def _moved(item: Input, step_ns: int) -> Iterator[Input]:
    if isinstance(item, Block):
        late = item.input >= STEP_AT
        moved = replace(item, utc_ns=item.utc_ns + late * step_ns)
        cut = int((~late).sum())
        yield from (moved.cut(*part) for part in ((0, cut), (cut, len(moved))) if part[0] < part[1])
    elif isinstance(item, Command) and item.input >= STEP_AT:
        yield replace(item, utc_ns=item.utc_ns + step_ns)
    else:
        yield item


def said(capsys: pytest.CaptureFixture[str], *words: str | Path) -> str:
    capsys.readouterr()
    assert main([*map(str, words)]) == 0, capsys.readouterr().err
    return capsys.readouterr().out


def test_its_figures_are_right_and_the_step_is_said(trip: tuple[int, Path], capsys: pytest.CaptureFixture[str]) -> None:
    step_ns, record = trip
    found = json.loads(said(capsys, "trips", record, "--json"))
    assert (found["stands"], found["lasts_s"], round(found["energy_j"] / 1e6)) == (3, 322.0, 63)
    assert found["clock_stepped_s"] == pytest.approx(step_ns / 1e9)
    assert [(one["alarm"], one["times"]) for one in found["alarms"]] == [("outlet-temperature-high", 2)]
    way = {0: "", -1: "CLOCK WAS SET BACK in it by 1 h", 1: "CLOCK WAS SET FORWARD in it by 1 h"}[step_ns // HOUR_NS]
    text = said(capsys, "trips", record)
    assert way in text
    assert ("CLOCK" in text) == bool(step_ns)


def test_its_window_holds_every_scan_and_event_of_it(
    trip: tuple[int, Path], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    step_ns, record = trip
    shown = said(capsys, "replay", record, "--trip", "1")
    later = step_ns < 0  # what came after the trip has times of before it
    assert f"{5 + later} events in this window" in shown
    assert said(capsys, "replay", record, "--compare").count("identical to the recorded events") == 1
    file = tmp_path / "trip.csv"
    said(capsys, "export", record, "--trip", "1", "-o", file)
    with file.open(encoding="utf-8") as lines:
        inputs = {int(row["input"]) for row in csv.DictReader(lines)}
    assert set(range(1, 1609)) - {900, 1200, 1300, 1500} <= inputs


@pytest.mark.parametrize("command", ["export", "pack", "replay"])
def test_what_its_window_holds_besides_is_told_by_whoever_takes_it(
    trip: tuple[int, Path], command: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A table of a trip held an hour that was none of it, and said nothing."""
    step_ns, record = trip
    file = {"export": ("-o", tmp_path / "trip.csv"), "pack": ("-o", tmp_path / "trip.case.zip"), "replay": ()}[command]
    assert main([command, str(record), "--trip", "1", *map(str, file)]) == 0
    way = {0: "", -1: "set back by 3600 s in trip 1", 1: "set on by 3600 s in trip 1"}[step_ns // HOUR_NS]
    told = capsys.readouterr().err
    assert way in told
    assert ("warning: the clock" in told) == bool(step_ns)


def test_its_report_is_whole_and_says_so(
    trip: tuple[int, Path], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    step_ns, record = trip
    page = tmp_path / "trip.html"
    said(capsys, "report", record, "--trip", "1", "-o", page)
    text = page.read_text(encoding="utf-8")
    assert text.count("Outlet water too hot: 112.6") == 1
    assert ("The clock was set" in text) == bool(step_ns)
    assert "outlet-temperature-high" in said(capsys, "alarms", record)
    setting = "aux.outlet-temperature-high.on-delay=6 min"
    told = json.loads(said(capsys, "study", record, "--workers", "1", "--set", setting, "--json"))["records"][0]
    alone = json.loads(said(capsys, "alarms", record, "--json"))
    assert told["alarms"]["most_frequent"] == alone["most_frequent"]
    assert told["what_if"] == {"aux.outlet-temperature-high": {"is": 2, "would_be": 0}}
