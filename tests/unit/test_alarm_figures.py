"""The window of a record's alarm figures, where the wall clock was wrong for a while."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from brakewater.cli import main
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.record.segment import segment_path
from brakewater.review.alarm_figures import inputs_only, of_record, timed, turn_of
from brakewater.stream import TESTED
from record_streams import UTC, block, event, start
from rig_parts import event as low_flow

YEAR_1970 = 3_600_000_000_000


def written(folder: Path, *labels: int) -> Path:
    """A run a label, each with a minute of scans and two alarms."""
    with Journal(folder) as journal:
        for run, at in enumerate(labels, 1):
            journal.begin(start(run, utc_ns=at))
            scans = block(run, 1, 300)
            scans.utc_ns[:] += at - UTC
            journal.append(scans, (event(run, 5, 1, utc_ns=at + 10**9), event(run, 10, 2, utc_ns=at + 2 * 10**9)))
    return folder


def test_a_pc_that_booted_in_1970_makes_no_quiet_half_century(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = written(tmp_path, YEAR_1970, UTC)
    assert main(["alarms", str(folder), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["to_s"] - found["from_s"] == pytest.approx(60.0, abs=1.0)
    assert (found["alarms"], found["untimed"]) == (2, 2)
    assert found["per_hour"] == pytest.approx(120.0, rel=0.02)
    main(["alarms", str(folder)])
    assert "not counted: 2 alarms that came while the clock was wrong" in capsys.readouterr().out


def test_a_month_without_a_watch_makes_no_quiet_alarms(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = written(tmp_path, UTC, UTC + 40 * 86_400 * 10**9)
    found = of_record(Record(folder))
    assert found is not None
    assert found["watched_s"] == pytest.approx(2 * 60, abs=1.0)
    assert found["per_hour"] == pytest.approx(120.0, rel=0.02)
    assert not found["long_enough"]
    main(["alarms", str(folder)])
    assert ", 0.0 h watched" in capsys.readouterr().out


def test_where_no_time_can_be_right_the_times_count_as_they_are(tmp_path: Path) -> None:
    found = of_record(Record(written(tmp_path, YEAR_1970)))
    assert found is not None
    assert (found["alarms"], found["untimed"]) == (2, 0)


def test_a_clock_set_back_between_runs_shortens_no_window(tmp_path: Path) -> None:
    """From the earliest scan to the latest, in whatever order they were recorded."""
    record = Record(written(tmp_path, UTC + 50 * 10**9, UTC, UTC + 100 * 10**9, UTC + 30 * 10**9))
    found = of_record(record)
    assert found is not None
    assert found["from_s"] == pytest.approx(UTC / 1e9, abs=0.5)
    assert found["to_s"] == pytest.approx(UTC / 1e9 + 160.0, abs=0.5)
    assert (found["alarms"], found["untimed"]) == (8, 0)


@pytest.mark.parametrize("window", [None, (UTC, UTC + 60 * 10**9)])
def test_what_cannot_be_read_is_told_once(tmp_path: Path, window: tuple[int, int] | None) -> None:
    folder = written(tmp_path, UTC, UTC)
    segment_path(folder, 1).write_bytes(b"no record " * 4096)
    damage: list[str] = []
    found = of_record(Record(folder), window, damage)
    assert found is not None
    assert found["alarms"] == 2
    (said,) = damage
    assert "00000001.sqlite3" in said


def test_scans_that_cannot_be_read_are_told_though_no_event_hangs_on_them(tmp_path: Path) -> None:
    folder = written(tmp_path, UTC)
    with closing(sqlite3.connect(segment_path(folder, 1))) as base, base:
        base.execute("UPDATE inputs SET body = 'x' WHERE input = 200")
    damage: list[str] = []
    assert of_record(Record(folder), None, damage) is not None
    (said,) = damage
    assert "00000001.sqlite3" in said


@pytest.mark.parametrize(("was", "now", "new", "acknowledged"), [
    ("normal", "unacknowledged", True, False), ("unacknowledged", "unacknowledged", False, False),
    ("returned-unacknowledged", "unacknowledged", True, False), ("returned-unacknowledged", "normal", False, True),
    ("acknowledged", "normal", False, False), ("shelved", "acknowledged", False, False),
])  # fmt: skip
@pytest.mark.parametrize("active", [True, False])
def test_what_an_event_is_to_the_figures(was: str, now: str, *, new: bool, acknowledged: bool, active: bool) -> None:
    turn = turn_of(low_flow(was=was, now=now, why="command", active=active))
    assert turn is not None
    assert (turn.new, turn.acknowledged, turn.active) == (new, acknowledged, active)


def test_what_asks_again_is_no_new_alarm_and_a_test_is_none_at_all() -> None:
    came = turn_of(low_flow())
    assert came is not None
    assert (came.new, came.acknowledged) == (True, False)
    again = turn_of(low_flow(was="acknowledged", why="re-alarm"))
    assert again is not None
    assert not again.new
    assert turn_of(low_flow(why=TESTED)) is None


@pytest.mark.parametrize(("why", "acknowledged"), [("command", True), ("condition", False)])
def test_only_a_person_acknowledges(why: str, *, acknowledged: bool) -> None:
    turn = turn_of(low_flow(was="unacknowledged", now="acknowledged", why=why))
    assert turn is not None
    assert (turn.new, turn.acknowledged) == (False, acknowledged)


def test_alarms_before_and_after_a_window_are_beyond_it() -> None:
    turns = [turn_of(low_flow(utc_ns=at * 10**9)) for at in (5, 10, 15, 20, 25)]
    within, untimed = timed([turn for turn in turns if turn is not None], (10.0, 20.0))
    assert ([turn.t_s for turn in within], untimed) == ([10.0, 15.0, 20.0], 2)


def test_the_figures_of_a_window_count_what_came_in_it(tmp_path: Path) -> None:
    record = Record(written(tmp_path, UTC))
    found = of_record(record, (UTC, UTC + 15 * 10**8))
    assert found is not None
    assert (found["alarms"], found["to_s"] - found["from_s"]) == (1, pytest.approx(1.5, abs=1e-3))
    assert "untimed" not in found


@pytest.mark.parametrize(
    ("boot", "events", "only"), [("simulated-1", 0, True), ("simulated-1", 1, False), ("b0", 0, False)]
)
def test_a_record_of_inputs_alone_is_one_of_the_simulator_without_an_event(
    tmp_path: Path, boot: str, events: int, *, only: bool
) -> None:
    with Journal(tmp_path) as journal:
        journal.begin(start(boot=boot))
        journal.append(block(1, 1, 10), tuple(event(1, 5, n + 1) for n in range(events)))
    assert inputs_only(Record(tmp_path)) is only
