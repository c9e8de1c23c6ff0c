"""The demo whole: every process of it real, the scripted alarms and no others, and its record replayed."""

import csv
import json
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest

from brakewater.record.reader import Record
from brakewater.record.verify import verify
from brakewater.stream import Block
from daemons import brakewater, events, here, inputs

pytestmark = pytest.mark.integration

SCRIPTED = [
    "brake-level-high", "brake-level-rising", "cooling-flow-low", "cooling-lost", "pump-stopped", "rotor-hot-no-flow",
]  # fmt: skip


def own_children() -> set[int]:
    return {child.pid for child in psutil.Process().children(recursive=True)}


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str]]:
    """The whole demo, once."""
    record = tmp_path_factory.mktemp("demo") / "record"
    return record, brakewater("demo", "--record", record, "--json", within_s=240)


@pytest.mark.timeout(240)
def test_it_raises_exactly_the_scripted_alarms(demo: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    record, done = demo
    assert done.returncode == 0, done.stderr
    said = {"record": str(record), "expected": SCRIPTED, "raised": SCRIPTED, "ok": True}
    assert [json.loads(line) for line in done.stdout.splitlines()] == [said]
    assert {event.alarm for event in events(record)} == set(SCRIPTED)
    assert own_children() == set()
    for words in ("Cooling water lost", "Stop lowering and hold on the friction brake", "gal/min", "invented"):
        assert words in done.stderr


@pytest.mark.timeout(240)
def test_the_level_alarm_comes_before_the_bearing_and_the_crew_clears_it(
    demo: tuple[Path, subprocess.CompletedProcess[str]], tmp_path: Path
) -> None:
    record, _ = demo
    turns = [(event.alarm, event.now) for event in events(record)]
    assert turns[0] == ("brake-level-rising", "unacknowledged")
    assert ("brake-level-rising", "returned-unacknowledged") in turns  # once the water is down again
    assert ("brake-level-high", "returned-unacknowledged") in turns
    assert here("export", record, "-o", tmp_path / "x.csv").returncode == 0
    with (tmp_path / "x.csv").open() as file:
        # A scan that the simulator answered too late on a busy machine has none.
        levels = [float(row["aux-level [in]"]) for row in csv.DictReader(file) if row["aux-level [in]"]]
    assert max(levels) < 600 / 25.4  # the bearing level of the demo rig, in inches


@pytest.mark.timeout(240)
def test_its_record_replays_to_the_same_events(demo: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    record, _ = demo
    replayed = here("replay", record, "--compare", "--json")
    assert replayed.returncode == 0, replayed.stderr
    *shown, close = [json.loads(line) for line in replayed.stdout.splitlines()]
    assert close["identical"] is True
    assert close["differences"] == close["not_comparable"] == []
    assert [(one["run"], one["input"], one["n"]) for one in shown] == [
        (event.run, event.input, event.n) for event in events(record)
    ]
    assert close["events"] == len(shown)
    assert "identical to the recorded events" in here("replay", record, "--compare").stdout


@pytest.mark.timeout(240)
def test_its_record_is_exported_with_units_and_counted_by_a_foreign_reader(
    demo: tuple[Path, subprocess.CompletedProcess[str]], tmp_path: Path
) -> None:
    record, _ = demo
    scans = sum(len(item) for item in Record(record).inputs() if isinstance(item, Block))
    assert scans == pytest.approx(120 / 0.2, abs=15)
    assert here("export", record, "-o", tmp_path / "x.csv").returncode == 0
    with (tmp_path / "x.csv").open() as file:
        head, *rows = list(csv.reader(file))
    assert len(rows) == scans
    values = [name for name in head[3:] if not name.endswith("quality")]
    assert {"aux-flow [gal/min]", "aux-inlet [degF]", "aux-level [in]", "aux.heat [kW]"} <= set(values)
    assert all(re.search(r" \[.+\]$", name) for name in values)
    (segment,) = (record / "hot").glob("*.sqlite3")
    query = "SELECT kind, count(*) FROM inputs GROUP BY kind ORDER BY kind"
    counted = subprocess.run(["sqlite3", str(segment), query], capture_output=True, text=True, check=True).stdout
    assert counted == f"scan|{scans}\nstart|1\n"
    assert len(inputs(record)) == scans + 1
    assert verify(record).verdict == "consistent"


def test_a_shorter_one_expects_only_what_is_due_by_then(tmp_path: Path) -> None:
    done = brakewater("demo", "--seconds", "3", "--record", tmp_path / "record", "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == {"record": str(tmp_path / "record"), "expected": [], "raised": [], "ok": True}


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_stopped_by_hand_it_ends_its_children_and_judges_what_was_due(tmp_path: Path, number: int) -> None:
    words = [sys.executable, "-m", "brakewater", "demo", "--record", str(tmp_path / "record")]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        while "margin" not in child.stdout.readline():
            assert child.poll() is None
        time.sleep(0.5)
        child.send_signal(number)
        out, errors = child.communicate(timeout=20)
    assert child.returncode == 0, errors
    assert "as scripted" in out
    assert f"brakewater replay {tmp_path / 'record'} --compare" in out
    assert own_children() == set()


@pytest.mark.parametrize(
    ("words", "allowed"),
    [
        (("--scenario", "nope"), "demo, trip-in"),
        (("--seconds", "-3"), "a number above 0"),
        (("--seconds", "nan"), "a number above 0"),
        (("--broker", "nowhere"), "HOST:PORT"),
    ],
)
def test_bad_arguments_start_nothing(tmp_path: Path, words: tuple[str, str], allowed: str) -> None:
    done = brakewater("demo", "--record", tmp_path / "record", *words)
    assert done.returncode == 2
    assert words[1] in done.stderr
    assert allowed in done.stderr
    assert not (tmp_path / "record").exists()


def test_a_folder_that_cannot_be_made_is_said_in_one_line() -> None:
    done = brakewater("demo", "--record", "/dev/null/x")
    assert done.returncode == 3
    assert len(done.stderr.splitlines()) == 1
    assert "/dev/null/x" in done.stderr


@pytest.mark.timeout(120)
def test_what_it_says_to_type_can_be_typed(tmp_path: Path) -> None:
    """Also where a folder has a space in its name."""
    done = brakewater("demo", "--seconds", "6", "--record", tmp_path / "a record", within_s=90)
    assert done.returncode == 0, done.stderr
    typed = (done.stdout + done.stderr).rpartition("To replay it:\n")[2].splitlines()[0]
    again = subprocess.run(["bash", "-c", typed], capture_output=True, text=True, check=False, timeout=60)
    assert again.returncode == 0, typed + again.stderr
