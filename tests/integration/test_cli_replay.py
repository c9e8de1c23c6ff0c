"""Replay, what-if and export from the command line, over records of the simulator and of a live watch."""

import csv
import json
import re
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from itertools import islice
from pathlib import Path
from typing import Any

import pytest

import streams
from brakewater.errors import StorageError
from brakewater.record.journal import Journal
from brakewater.record.lock import FolderLock
from brakewater.record.reader import Record
from brakewater.record.rows import rows_of
from brakewater.record.verify import verify
from brakewater.review import fill, replay
from daemons import DEMO, here

pytestmark = pytest.mark.integration

SCRIPTED = {
    "brake-level-high", "brake-level-rising", "cooling-flow-low", "cooling-lost", "pump-stopped", "rotor-hot-no-flow",
}  # fmt: skip


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo scenario as inputs only."""
    folder = tmp_path_factory.mktemp("recorded") / "record"
    words = [sys.executable, "-m", "brakewater_sim", "record", "demo", "-o", str(folder), "--json"]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert json.loads(done.stdout)["scans"] == 600
    return folder


def replayed(record: Path, *words: str | Path) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    done = here("replay", record, "--json", *words)
    assert done.returncode == 0, done.stderr
    *shown, close = [json.loads(line) for line in done.stdout.splitlines()]
    return shown, close


def first(shown: list[dict[str, Any]], alarm: str) -> dict[str, Any]:
    return next(one for one in shown if one["alarm"] == alarm and one["to"] == "unacknowledged")


def test_a_record_of_inputs_only_raises_the_scripted_alarms(recorded: Path) -> None:
    shown, close = replayed(recorded)
    assert {one["alarm"] for one in shown if one["to"] == "unacknowledged"} == SCRIPTED
    assert close.keys() == {"inputs", "scans", "events", "scans_per_s"}
    assert (close["inputs"], close["scans"], close["events"]) == (601, 600, len(shown))
    lost = first(shown, "cooling-lost")
    contract = {
        "run", "input", "n", "t", "rig", "brake", "alarm", "from", "to", "priority", "value", "quality", "setpoint",
        "why", "actor", "first_out", "shown", "text", "respond",
    }  # fmt: skip
    assert contract <= lost.keys()
    assert lost["shown"]["unit"] == "gal/min"
    assert lost["respond"].startswith("Stop lowering and hold on the friction brake.")


def test_in_plain_words_it_says_what_happened_and_what_to_do(recorded: Path) -> None:
    done = here("replay", recorded)
    assert done.returncode == 0
    assert re.search(r"Cooling water lost: \d\.\d gal/min, set at 5 gal/min\.", done.stdout)
    assert "Stop lowering and hold on the friction brake." in done.stdout
    assert "events from 600 scans" in done.stdout.splitlines()[-1]


def test_a_record_of_inputs_only_has_nothing_to_compare_with(recorded: Path) -> None:
    done = here("replay", recorded, "--compare")
    assert done.returncode == 1
    assert "inputs only" in done.stdout
    assert "different:" not in done.stdout


def test_of_a_record_of_inputs_only_no_alarms_are_counted(recorded: Path) -> None:
    """Zeros would call a brake without water a quiet one."""
    for more in ([], ["--json"]):
        done = here("alarms", recorded, *more)
        assert (done.returncode, done.stdout) == (1, "")
        assert "no events are recorded in it, only inputs" in done.stderr
        assert f"brakewater replay {recorded}" in done.stderr
    done = here("study", recorded, "--workers", "1")
    assert re.search(r" [1-9]\d* in 0\.0 h ", done.stdout)


@pytest.fixture
def own(recorded: Path, tmp_path: Path) -> Path:
    """The same record, to be changed."""
    return Path(shutil.copytree(recorded, tmp_path / "own"))


def test_a_record_of_inputs_only_gets_its_events(own: Path) -> None:
    shown, _ = replayed(own)
    before = list(Record(own).inputs())
    told, close = replayed(own, "--fill")
    assert (told, close["events"]) == (shown, len(shown))
    assert [rows_of(item) for item in Record(own).inputs()] == [rows_of(item) for item in before]
    assert [one.event.alarm for one in Record(own).events()] == [one["alarm"] for one in shown]
    assert replayed(own, "--compare")[1]["identical"]
    assert here("verify", own).returncode == 0
    assert "6 alarms from" in here("alarms", own).stdout
    assert [one.name for one in own.parent.iterdir()] == ["own"]  # nothing is left beside it
    done = here("replay", own, "--fill")
    assert (done.returncode, done.stdout) == (1, "")
    assert "one that has its events; allowed: the folder of a record of inputs only" in done.stderr


def test_a_record_takes_no_place_that_lacks_something(own: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def cut(*what: Any) -> Iterator[Any]:
        return islice(replay.replayed(*what), 1)

    monkeypatch.setattr(fill, "replayed", cut)
    before = verify(own).head
    with pytest.raises(StorageError, match="only 1 of 601 inputs and 0 of 0 events were written; it is as it was"):
        fill.fill(own, replay.Tally())
    assert verify(own).head == before
    assert [one.name for one in own.parent.iterdir()] == ["own"]


def test_of_a_quiet_record_it_says_that_there_is_no_alarm_to_add(tmp_path: Path) -> None:
    words = [sys.executable, "-m", "brakewater_sim", "record", "demo", "-o", str(tmp_path / "own"), "--seconds", "5"]
    subprocess.run(words, capture_output=True, check=True)
    done = here("replay", tmp_path / "own", "--fill")
    says = f"no alarm in 25 scans of {tmp_path / 'own'}, so that nothing is added\n"
    assert (done.returncode, done.stdout) == (0, says), done.stderr


def test_events_are_added_to_no_record_of_a_watch_nor_to_one_that_is_altered(own: Path, tmp_path: Path) -> None:
    (own / "holds.jsonl").write_text("")
    done = here("replay", own, "--fill")
    assert done.returncode == 1
    assert "found holds.jsonl beside its runs" in done.stderr
    (own / "holds.jsonl").unlink()
    assert (
        here("pack", own, "--from", "2031-02-03", "--to", "2031-02-04", "-o", tmp_path / "a.case.zip").returncode == 0
    )
    assert "a.case.zip: found a file" in here("replay", tmp_path / "a.case.zip", "--fill").stderr
    (own / "holds.jsonl").unlink(missing_ok=True)
    with FolderLock(own):
        assert "already records here" in here("replay", own, "--fill").stderr
    with sqlite3.connect(own / "hot" / "00000001.sqlite3") as segment:
        segment.execute("update inputs set t_ns = t_ns + 1 where input = 300")
    segment.close()
    done = here("replay", own, "--fill")
    assert (done.returncode, done.stdout) == (1, "")
    assert "whole and unaltered; brakewater verify says more" in done.stderr
    watched = tmp_path / "watched"
    with Journal(watched) as journal:
        journal.begin(streams.start(streams.demo()))
    done = here("replay", watched, "--fill")
    assert done.returncode == 1
    assert "found a record that a watch has written" in done.stderr
    done = here("replay", own, "--fill", "--set", "aux.cooling-lost.on-delay=3 s")
    assert (done.returncode, done.stdout) == (2, "")
    assert "leave out all options but" in done.stderr


def test_a_lower_setpoint_gives_other_events(recorded: Path) -> None:
    as_it_was, _ = replayed(recorded)
    what_if, _ = replayed(recorded, "--set", "aux.brake-level-high.setpoint=14 in")
    assert first(what_if, "brake-level-high")["input"] < first(as_it_was, "brake-level-high")["input"]
    assert first(what_if, "brake-level-high")["setpoint"] == pytest.approx(0.3556)
    several, _ = replayed(
        recorded,
        "--set", "aux.cooling-flow-low.setpoint = 70 gal/min",
        "--set", "aux.brake-level-high.setpoint=599 mm",
        "--set", "aux.cooling-lost.on-delay=3 s",
    )  # fmt: skip
    assert "brake-level-high" not in {one["alarm"] for one in several}
    assert first(several, "cooling-lost")["input"] == pytest.approx(
        first(as_it_was, "cooling-lost")["input"] + 14, abs=3
    )
    assert first(several, "cooling-flow-low")["setpoint"] == pytest.approx(70 * 3.785411784e-3 / 60)


def test_another_rig_file_over_the_same_inputs(recorded: Path, tmp_path: Path) -> None:
    as_it_was, _ = replayed(recorded)
    same, _ = replayed(recorded, "--rig", DEMO)
    assert same == as_it_was
    other = tmp_path / "other.toml"
    other.write_text(DEMO.read_text().replace('bearing-level = "600 mm"', 'bearing-level = "900 mm"'))
    changed, _ = replayed(recorded, "--rig", other)
    assert {one["alarm"] for one in changed} == SCRIPTED - {"brake-level-high"}


@pytest.mark.parametrize(
    ("setting", "allowed"),
    [
        ("aux.cooling-lots.setpoint=5 gal/min", 'did you mean "aux.cooling-lost"?'),
        ("aux.cooling-lost.on-dealy=1 s", 'did you mean "on-delay"?'),
        ("aux.cooling-flow-low.colour=red", "setpoint, deadband, on-delay, off-delay"),
        ("aux.cooling-flow-low.setpoint=70 degF", "gal/min"),
        ("aux.cooling-flow-low.setpoint=70 gal", "US gal"),
        ("aux.cooling-flow-low.setpoint", "ALARM.SETTING=VALUE"),
        ("aux.cooling-flow-low.on-delay=-2 s", "zero or more"),
        ("aux.cooling-flow-low.deadband=-2 gal/min", "zero or more"),
        ("rig.signal-bad:aux-flow.setpoint=3", "has no setpoint"),
    ],
)
def test_a_bad_setting_is_refused_with_what_is_allowed(recorded: Path, setting: str, allowed: str) -> None:
    done = here("replay", recorded, "--set", setting)
    assert done.returncode == 2
    assert done.stdout == ""
    assert "--set" in done.stderr
    assert "found" in done.stderr
    assert allowed in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("setting", "objection"),
    [
        ("aux.cooling-flow-low.on-delay=15 s", "check would refuse aux.cooling-flow-low: found 15 s"),
        ("aux.brake-level-high.setpoint=900 mm", "below the bearing level"),
        ("aux.cooling-flow-low.setpoint=-1 gal/min", "above zero"),
        ("aux.cooling-flow-low.on-delay=1 s", ""),
    ],
)
def test_what_check_would_refuse_may_be_asked_but_is_said(recorded: Path, setting: str, objection: str) -> None:
    done = here("replay", recorded, "--set", setting)
    assert done.returncode == 0
    assert bool(done.stderr) is bool(objection)
    assert objection in done.stderr


def test_a_folder_with_runs_of_several_rigs_says_so(tmp_path: Path) -> None:
    with closing(Journal(tmp_path)) as journal:
        for run, rig in enumerate((streams.demo(), streams.two(), streams.demo()), 1):
            journal.begin(streams.start(rig, run=run, t_ns=run))
    done = here("replay", tmp_path)
    assert "holds runs of several rigs (rig-4: run 1, 3; rig-9: run 2); each is replayed as its own" in done.stderr
    assert "run 2 of rig rig-9 begins" in done.stdout
    assert "replayed as one rig" in here("replay", tmp_path, "--rig", DEMO).stderr


def test_what_if_is_not_held_against_the_record(recorded: Path) -> None:
    done = here("replay", recorded, "--compare", "--set", "aux.cooling-lost.on-delay=3 s")
    assert done.returncode == 2
    assert "--compare" in done.stderr


def test_a_bad_rig_file_for_what_if_names_its_faults(recorded: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    other.write_text("schema = 1\n")
    done = here("replay", recorded, "--rig", other)
    assert done.returncode == 2
    assert str(other) in done.stderr
    assert here("replay", recorded, "--rig", tmp_path / "none.toml").returncode == 2


@pytest.mark.parametrize("words", [("replay",), ("export", "-o", "x.csv")])
def test_no_record_is_said_in_one_line(tmp_path: Path, words: tuple[str, ...]) -> None:
    for folder in (tmp_path / "none", tmp_path, DEMO):
        done = here(words[0], folder, *[str(tmp_path / word) if "." in word else word for word in words[1:]])
        assert done.returncode == 3
        (line,) = done.stderr.splitlines()
        assert str(folder) in line
    assert list(tmp_path.iterdir()) == []


def test_export_gives_a_row_a_scan_and_hides_what_is_bad(recorded: Path, tmp_path: Path) -> None:
    file = tmp_path / "x.csv"
    done = here("export", recorded, "-o", file)
    assert (done.returncode, done.stdout) == (0, "")
    assert "600 rows" in done.stderr
    with file.open() as handle:
        rows = list(csv.DictReader(handle))
    assert len(rows) == 600
    stopped = [row for row in rows if row["aux.heat quality"] != "good"]
    assert stopped
    assert {row["aux.heat [kW]"] for row in stopped} == {""}
    assert all(float(row["aux.heat [kW]"]) > 0 for row in rows if row["aux.heat quality"] == "good")
    assert [path.name for path in tmp_path.iterdir()] == ["x.csv"]


def test_export_overwrites_nothing_unasked(recorded: Path, tmp_path: Path) -> None:
    file = tmp_path / "x.csv"
    file.write_text("mine")
    done = here("export", recorded, "-o", file)
    assert (done.returncode, file.read_text()) == (2, "mine")
    assert done.stderr == f"brakewater export: {file} exists; name another file, or say --replace\n"
    assert here("export", recorded, "-o", file, "--replace").returncode == 0
    assert file.read_text() != "mine"


def test_export_refuses_other_kinds_of_file_and_places_it_cannot_write(recorded: Path, tmp_path: Path) -> None:
    done = here("export", recorded, "-o", tmp_path / "x.xls")
    assert done.returncode == 2
    assert ".csv" in done.stderr
    done = here("export", recorded, "-o", tmp_path / "none" / "x.csv")
    assert done.returncode == 3
    assert len(done.stderr.splitlines()) == 1


def test_a_reader_that_has_read_enough_is_no_error(recorded: Path) -> None:
    words = [sys.executable, "-m", "brakewater", "replay", str(recorded), "--json"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as child:
        assert child.stdout is not None
        assert child.stderr is not None
        child.stdout.close()
        assert child.stderr.read() == b""
    assert child.returncode == 0
