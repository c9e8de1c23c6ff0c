import json
import shutil
import sqlite3
from pathlib import Path

import pytest

from brakewater.cli import main
from brakewater.errors import StorageError
from brakewater.record.cursors import Cursors
from brakewater.record.holds import Hold, add_hold, end_hold, holds
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.record.sealed.layout import SCANS, sealed_paths
from brakewater.record.sealed.manifest import read_manifest
from brakewater.record.sealing.due import seal_due
from brakewater.record.sealing.seal import seal
from brakewater.record.sealing.trim import Limits, trim
from brakewater.record.segment import segment_path, segment_runs
from brakewater.record.verify import verify
from daemons import here
from record_streams import UTC, block, flat, read, start
from sealed_parts import many_runs, two_runs

DAY_NS = 86_400_000_000_000
STEPS = ["write", "compare", "summary", "place", "remove"]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    two_runs(tmp_path)
    return tmp_path


class CutError(Exception):
    pass


def cut_at(step: str) -> object:
    def tell(name: str, _run: int) -> None:
        if name == step:
            raise CutError

    return tell


def test_a_closed_run_is_sealed_and_the_newest_stays_hot(folder: Path) -> None:
    before = read(folder)
    assert seal_due(folder) == []
    assert (segment_runs(folder), list(sealed_paths(folder))) == ([2], [1])
    assert read(folder) == before
    assert seal_due(folder) == []


@pytest.mark.parametrize("step", STEPS)
def test_cut_short_at_any_step_nothing_is_lost_or_doubled(folder: Path, step: str) -> None:
    before = read(folder)
    with pytest.raises(CutError):
        seal_due(folder, step=cut_at(step))  # type: ignore[arg-type]
    assert read(folder) == before
    assert seal_due(folder) == []
    assert read(folder) == before
    assert (segment_runs(folder), list(sealed_paths(folder))) == ([2], [1])
    assert not list(folder.glob("segments/.*"))


def test_a_folder_that_went_bad_before_its_hot_file_was_gone_is_made_anew(folder: Path) -> None:
    before = read(folder)
    with pytest.raises(CutError):
        seal_due(folder, step=cut_at("remove"))  # type: ignore[arg-type]
    scans = sealed_paths(folder)[1] / SCANS
    scans.write_bytes(scans.read_bytes()[:-1])
    assert seal_due(folder) == []
    assert read(folder) == before
    assert segment_runs(folder) == [2]


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE inputs SET utc_ns = utc_ns + 1 WHERE input = 17",
        "DELETE FROM inputs WHERE input = 17",
        "DELETE FROM events WHERE n = 2",
        "UPDATE events SET body = CAST(replace(body, 'high', 'lowe') AS BLOB) WHERE n = 2",
        "UPDATE commits SET hash = (SELECT hash FROM commits WHERE commit_no = 1) WHERE commit_no = 2",
        "UPDATE meta SET value = 'x' WHERE key = 'prev_hash'",
    ],
)
def test_a_run_whose_chain_does_not_hold_stays_as_it_is(folder: Path, statement: str) -> None:
    base = sqlite3.connect(segment_path(folder, 1))
    base.execute(statement)
    base.commit()
    base.close()
    assert seal_due(folder) == [1]
    assert (segment_runs(folder), list(sealed_paths(folder))) == ([1, 2], [])
    assert not list(folder.glob("segments/.*"))


def test_a_run_that_a_follower_still_reads_waits_for_it(folder: Path) -> None:
    with Cursors(folder) as cursors:
        cursors.set("mirror:office", (1, 200))
    assert seal_due(folder) == []
    assert segment_runs(folder) == [1, 2]
    with Cursors(folder) as cursors:
        cursors.set("mirror:office", (2, 0))
    seal_due(folder)
    assert segment_runs(folder) == [2]


def days(folder: Path, count: int) -> None:
    """So many sealed days of a few scans each, and a hot one."""
    with Journal(folder) as journal:
        for run in range(1, count + 2):
            journal.begin(start(run, utc_ns=UTC + (run - 1) * DAY_NS))
            one = block(run, 1, 3)
            one.utc_ns[:] += (run - 1) * DAY_NS
            journal.append(one)
    assert seal_due(folder) == []


def test_trimming_deletes_whole_segments_by_age(tmp_path: Path) -> None:
    days(tmp_path, 5)
    kept = flat(Record(tmp_path).inputs(from_run=3))
    assert trim(tmp_path, Limits()) == []
    assert trim(tmp_path, Limits(age_ns=2 * DAY_NS), now_utc_ns=UTC + 9 * DAY_NS) == [1, 2]
    assert flat(Record(tmp_path).inputs()) == kept
    assert sorted(sealed_paths(tmp_path)) == [3, 4, 5]
    noted = [json.loads(line) for line in (tmp_path / "segments" / "trimmed.jsonl").read_text().splitlines()]
    assert [(one["run"], one["why"]) for one in noted] == [(1, "age"), (2, "age")]
    report = verify(tmp_path)
    assert (report.verdict, report.begins_after, report.trimmed) == ("consistent", None, [1, 2])


def test_the_oldest_runs_taken_away_beside_retention_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    days(tmp_path, 6)
    trim(tmp_path, Limits(age_ns=3 * DAY_NS), now_utc_ns=UTC + 9 * DAY_NS)
    assert main(["verify", str(tmp_path)]) == 0
    assert "which nobody signs: runs 1 to 2" in capsys.readouterr().out
    shutil.rmtree(sealed_paths(tmp_path)[3])
    assert main(["verify", str(tmp_path)]) == 1
    assert "the oldest run here, 4, follows run 3, which is not here, and no list says" in capsys.readouterr().out
    listed = tmp_path / "segments" / "trimmed.jsonl"
    first, second = listed.read_text().splitlines()
    manifest = read_manifest(sealed_paths(tmp_path)[4])
    third = {**json.loads(second), "run": 3, "prev_hash": json.loads(second)["hash"], "hash": manifest.prev_hash}
    listed.write_text("\n".join([first, second, json.dumps(third)]))
    assert (verify(tmp_path).verdict, verify(tmp_path).trimmed) == ("consistent", [1, 2, 3])  # nobody signs the list
    listed.write_text("\n".join([second, json.dumps(third)]))
    report = verify(tmp_path)
    assert (report.verdict, report.begins_after, report.trimmed) == ("broken", 1, [2, 3])
    assert "run 2 is the first that the list of what retention deleted has" in report.altered[0].says


def test_a_list_of_deleted_runs_is_held_against_what_the_rig_files_ask_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The list is not signed, the starts are: who deletes runs and adds to the list is told by them."""
    days(tmp_path, 3)
    trim(tmp_path, Limits(age_ns=DAY_NS), now_utc_ns=UTC + 9 * DAY_NS)
    assert main(["verify", str(tmp_path)]) == 0
    assert "though no rig file of the runs here asks for retention" in capsys.readouterr().out
    with Journal(tmp_path) as journal:
        journal.begin(start(5, utc_ns=UTC + 7 * DAY_NS, rig_toml='[record]\nkeep-size = "200 GB"\n'))
    assert verify(tmp_path).retention
    assert main(["verify", str(tmp_path)]) == 0
    assert "asks for retention" not in capsys.readouterr().out


def test_a_line_that_a_power_cut_tore_costs_neither_the_next_one_nor_the_verdict(tmp_path: Path) -> None:
    days(tmp_path, 4)
    listed = tmp_path / "segments" / "trimmed.jsonl"
    with listed.open("a") as file:
        file.write('{"run": 2, "from": "2031-02')
    assert trim(tmp_path, Limits(age_ns=2 * DAY_NS), now_utc_ns=UTC + 9 * DAY_NS) == [1]
    report = verify(tmp_path)
    assert (report.verdict, report.trimmed) == ("consistent", [1])


def test_a_run_deleted_by_hand_among_those_that_retention_deleted_is_named(tmp_path: Path) -> None:
    days(tmp_path, 5)
    with Journal(tmp_path) as journal:
        journal.begin(start(8, utc_ns=UTC + 7 * DAY_NS))
    trim(tmp_path, Limits(size=0))
    report = verify(tmp_path)
    assert (report.trimmed, [one.place for one in report.altered]) == ([1, 2, 3, 4, 5], ["run 7"])


YEAR_1970, YEAR_2099 = 3_600_000_000_000, 4_070_908_800_000_000_000


@pytest.mark.parametrize(
    ("labels", "days_kept", "left"),
    [
        ({4: YEAR_1970}, 2, [3, 4, 5]),
        ({3: YEAR_1970}, 2, [3, 4, 5]),  # as old as the next one
        ({1: YEAR_1970, 5: YEAR_1970}, 1, [3, 4, 5]),
        ({5: UTC - 900 * DAY_NS}, 2, [2, 3, 4, 5]),
        ({1: YEAR_2099, 2: YEAR_2099, 4: YEAR_2099}, 1, [4, 5]),
        (dict.fromkeys(range(1, 6), YEAR_1970), 1, [1, 2, 3, 4, 5]),
    ],
)
def test_what_a_wrong_clock_labelled_is_as_old_as_what_is_about_it(
    tmp_path: Path, labels: dict[int, int], days_kept: int, left: list[int]
) -> None:
    """A PC without its battery boots in 1970: what it records then was gone by the next midnight."""
    with Journal(tmp_path) as journal:
        for run in range(1, 7):
            at = labels.get(run, UTC + (run - 1) * DAY_NS)
            journal.begin(start(run, utc_ns=at))
            one = block(run, 1, 3)
            one.utc_ns[:] += at - UTC
            journal.append(one)
    assert seal_due(tmp_path) == []
    trim(tmp_path, Limits(age_ns=days_kept * DAY_NS), now_utc_ns=UTC + 4 * DAY_NS + DAY_NS // 2)
    assert sorted(sealed_paths(tmp_path)) == left


def test_trimming_deletes_the_oldest_beyond_a_size(tmp_path: Path) -> None:
    days(tmp_path, 4)
    hot = sum(file.stat().st_size for file in (tmp_path / "hot").iterdir())
    one = sum(file.stat().st_size for file in sealed_paths(tmp_path)[1].iterdir())
    assert trim(tmp_path, Limits(size=hot + 2 * one + one // 2)) == [1, 2]
    assert trim(tmp_path, Limits(size=hot + 2 * one + one // 2)) == []


def test_a_clock_that_ran_away_makes_nothing_old(tmp_path: Path) -> None:
    days(tmp_path, 3)
    assert trim(tmp_path, Limits(age_ns=4 * DAY_NS), now_utc_ns=UTC + 10_000 * DAY_NS) == []


def hold(number: str = "h1", first: int = 1, last: int = 1) -> Hold:
    begin, end = UTC + (first - 1) * DAY_NS, UTC + (last - 1) * DAY_NS
    return Hold(id=number, from_utc_ns=begin, to_utc_ns=end, actor="engineer", reason="incident of the third")


def test_a_legal_hold_beats_age_and_size(tmp_path: Path) -> None:
    days(tmp_path, 4)
    add_hold(tmp_path, hold(first=2, last=3))
    assert trim(tmp_path, Limits(age_ns=0, size=0), now_utc_ns=UTC + 9 * DAY_NS) == [1, 4]
    assert sorted(sealed_paths(tmp_path)) == [2, 3]
    end_hold(tmp_path, "h1", "engineer", "settled")
    assert holds(tmp_path) == ()
    assert trim(tmp_path, Limits(size=0)) == [2, 3]


def test_what_retention_deleted_between_others_is_no_break_in_the_chain(tmp_path: Path) -> None:
    days(tmp_path, 5)
    add_hold(tmp_path, hold(first=2, last=2))
    trim(tmp_path, Limits(age_ns=2 * DAY_NS), now_utc_ns=UTC + 9 * DAY_NS)
    assert sorted(sealed_paths(tmp_path)) == [2, 3, 4, 5]
    end_hold(tmp_path, "h1", "engineer", "settled")
    add_hold(tmp_path, hold("h2", first=2, last=2))
    trim(tmp_path, Limits(age_ns=DAY_NS), now_utc_ns=UTC + 9 * DAY_NS)
    assert sorted(sealed_paths(tmp_path)) == [2, 4, 5]
    report = verify(tmp_path)
    assert (report.verdict, report.altered, report.trimmed) == ("consistent", [], [1, 3])
    (tmp_path / "segments" / "trimmed.jsonl").unlink()
    assert "run 3 is missing" in str(verify(tmp_path).altered[0])


def test_a_follower_that_needs_nothing_of_the_record_holds_no_segment_up(folder: Path) -> None:
    """Sparkplug keeps its birth number where followers keep their place."""
    with Cursors(folder) as cursors:
        cursors.set("sparkplug", (2**62, 3))
    seal_due(folder)
    assert segment_runs(folder) == [2]


def test_holds_that_cannot_be_read_stop_all_trimming(tmp_path: Path) -> None:
    days(tmp_path, 2)
    add_hold(tmp_path, hold(first=9, last=9))
    with (tmp_path / "holds.jsonl").open("a") as file:
        file.write('{"hold": {"id": "h2", "from_ut')
    with pytest.raises(StorageError, match=r"holds.jsonl:2"):
        trim(tmp_path, Limits(size=0))
    assert sorted(sealed_paths(tmp_path)) == [1, 2]


def test_a_segment_without_manifest_is_kept(tmp_path: Path) -> None:
    days(tmp_path, 2)
    (sealed_paths(tmp_path)[1] / "manifest.json").unlink()
    assert trim(tmp_path, Limits(size=0)) == [2]


def test_a_record_moved_elsewhere_reads_the_same(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    seal_due(folder)
    other = tmp_path_factory.mktemp("other") / "copy"
    shutil.copytree(folder, other)
    assert read(other) == read(folder)


def test_a_record_of_sealed_segments_alone_goes_on_in_one_chain(folder: Path) -> None:
    seal_due(folder)
    shutil.rmtree(folder / "hot")
    with Journal(folder) as journal, pytest.raises(StorageError, match="recorded already"):
        journal.begin(start(1))
    with Journal(folder) as journal:
        journal.begin(start(2))
        journal.append(block(2, 1, 5))
    report = verify(folder)
    assert (report.verdict, report.runs) == ("consistent", 2)


def test_verify_says_that_full_rate_values_are_in_no_chain(tmp_path: Path) -> None:
    many_runs(tmp_path, 3)
    seal(tmp_path, 1)
    assert verify(tmp_path).worked_out == 0
    seal(tmp_path, 2, values=True)
    report = verify(tmp_path)
    assert (report.verdict, report.worked_out) == ("consistent", 1)
    assert "full-rate values in 1 run were worked out at sealing" in here("verify", tmp_path).stdout
