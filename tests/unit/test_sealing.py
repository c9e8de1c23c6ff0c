import json
import shutil
import sqlite3
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import streams
from brakewater.cli import main
from brakewater.errors import StorageError
from brakewater.record.cursors import Cursors
from brakewater.record.holds import Hold, add_hold, end_hold, holds
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.record.sealed.layout import CHAIN, COMMANDS, EVENTS, FILES, MANIFEST, SCANS, sealed_paths
from brakewater.record.sealed.manifest import read_manifest
from brakewater.record.sealing.compare import compare
from brakewater.record.sealing.derived import Derived
from brakewater.record.sealing.due import seal_due
from brakewater.record.sealing.seal import seal
from brakewater.record.sealing.summary import Summary
from brakewater.record.sealing.trim import Limits, trim
from brakewater.record.segment import segment_path, segment_runs
from brakewater.record.signing import Signer
from brakewater.record.verify import verify
from brakewater.stream import Column
from daemons import here
from faults.crash_images import KEY as OURS
from faults.crash_images import pem
from forgery import alter
from record_streams import UTC, block, command, event, flat, read, start
from sealed_parts import many_runs, put_in_place, rewritten, summed_anew, two_runs

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


@pytest.fixture
def pair(tmp_path: Path) -> tuple[Path, Path]:
    """A signed hot file, and the folder that was written of it."""
    with Journal(tmp_path, signer=Signer(pem(OURS))) as journal:
        journal.begin(start(1))
        journal.append(block(1, 1, 100), (event(1, 7, 1), event(1, 8, 2)))
        assert journal.wait_committed(5)
        journal.append(command(1, 101), (event(1, 101, 3),))
        journal.begin(start(2))
    return segment_path(tmp_path, 1), Path(str(put_in_place(tmp_path).path))


def plus_one(name: str, at: int) -> Callable[[pa.Table], pa.Table]:
    """Add one to the first byte, or to the number, of a column in one row."""

    def changed(table: pa.Table) -> pa.Table:
        column = table.column_names.index(name)
        field, values = table.schema.field(column), table.column(column).to_pylist()
        old = values[at]
        values[at] = bytes([old[0] ^ 1]) + old[1:] if isinstance(old, bytes) else old + 1
        return table.set_column(column, field, pa.array(values, field.type))

    return changed


def text_of(name: str, old: bytes, new: bytes) -> Callable[[Path], None]:
    def change(place: Path) -> None:
        raw = (place / name).read_bytes()
        assert old in raw
        (place / name).write_bytes(raw.replace(old, new, 1))

    return change


def one_more(place: Path) -> None:
    last = (place / EVENTS).read_bytes().splitlines(keepends=True)[-1]
    with (place / EVENTS).open("ab") as file:
        file.write(last.replace(b'"n":3', b'"n":4'))


def one_less(place: Path) -> None:
    lines = (place / EVENTS).read_bytes().splitlines(keepends=True)
    (place / EVENTS).write_bytes(b"".join(lines[:-1]))


FOLDERS: dict[str, Callable[[Path], None]] = {
    "a time": lambda place: rewritten(place / SCANS, plus_one(pq.read_table(place / SCANS).column_names[3], 50)),
    "an event": text_of(EVENTS, b'"high"', b'"lowe"'),
    "an event more": one_more,
    "an event less": one_less,
    "a command": text_of(COMMANDS, b"driller", b"pusher "),
    "a scan less": lambda place: rewritten(place / SCANS, lambda table: table.slice(0, len(table) - 1)),
    "a sum": lambda place: rewritten(place / CHAIN, plus_one("sums", 1)),
    "a hash": lambda place: rewritten(place / CHAIN, plus_one("hash", -1)),
    "a signature": lambda place: rewritten(place / CHAIN, plus_one("signature", -1)),
    "where a commit ends": lambda place: rewritten(place / CHAIN, plus_one("last_event", 0)),
    "a commit less": lambda place: rewritten(place / CHAIN, lambda table: table.slice(0, len(table) - 1)),
    "where it ends": text_of(MANIFEST, b'"commit_no": 3,\n  "hash": "', b'"commit_no": 3,\n  "hash": "0'),
}


@pytest.mark.parametrize("what", FOLDERS)
def test_no_hot_file_goes_while_its_folder_says_anything_else(pair: tuple[Path, Path], what: str) -> None:
    """Its checksums made anew each time, as by a fault before they were made."""
    hot, place = pair
    compare(hot, place)
    FOLDERS[what](place)
    summed_anew(place)
    with pytest.raises(StorageError):
        compare(hot, place)


@pytest.mark.parametrize("name", FILES)
def test_no_hot_file_goes_while_a_file_is_not_what_the_manifest_says(pair: tuple[Path, Path], name: str) -> None:
    hot, place = pair
    with (place / name).open("ab") as file:
        file.write(b"\n")
    with pytest.raises(StorageError):
        compare(hot, place)


@pytest.mark.parametrize("statement", [
    "UPDATE meta SET value = '0' WHERE key = 'prev_hash'",
    "UPDATE commits SET inputs_digest = hash WHERE commit_no = 2",
    "UPDATE signatures SET signature = key || key WHERE commit_no = 3",
    "INSERT INTO events SELECT n + 1, input, body FROM events WHERE n = 3",
    "INSERT INTO inputs SELECT input + 1, kind, t_ns, utc_ns, body FROM inputs WHERE input = 101",
])  # fmt: skip
def test_no_hot_file_goes_while_it_says_anything_else(pair: tuple[Path, Path], statement: str) -> None:
    hot, place = pair
    alter(hot, statement)
    with pytest.raises(StorageError):
        compare(hot, place)


def test_sealing_leaves_alone_what_is_being_written(tmp_path: Path) -> None:
    """What is committed and not yet in the file itself stands beside it."""
    with Journal(tmp_path) as journal:
        journal.begin(start(1))
        journal.append(block(1, 1, 5))
        journal.begin(start(2))
        journal.append(block(2, 1, 5))
        assert journal.wait_committed(5)
        beside = [file for file in (tmp_path / "hot").iterdir() if file.suffix != ".sqlite3"]
        assert beside
        before = read(tmp_path)
        assert seal_due(tmp_path) == []
        assert all(file.exists() for file in beside)
        assert read(tmp_path) == before
        journal.append(block(2, 6, 5))
        assert journal.wait_committed(5)
    assert len(read(tmp_path)[0]) == len(before[0]) + 5


def test_two_do_not_seal_in_one_record(folder: Path) -> None:
    def again(_name: str, _run: int) -> None:
        with pytest.raises(StorageError, match="another process is sealing there"):
            seal_due(folder)

    assert seal_due(folder, step=again) == []
    assert segment_runs(folder) == [2]


def test_the_slowest_of_several_followers_is_waited_for(tmp_path: Path) -> None:
    days(tmp_path, 0)
    many_runs(tmp_path, 4, first=2)
    with Cursors(tmp_path) as cursors:
        cursors.set("mqtt", (4, 0))
        cursors.set("mirror:office", (4, 0), (((3, 0), (3, 5)),))  # has still to send a part of run 3
        cursors.set("mirror:yard", (5, 0))
    seal_due(tmp_path)
    assert segment_runs(tmp_path) == [3, 4, 5]


def test_a_run_that_a_follower_still_reads_waits_for_it(folder: Path) -> None:
    with Cursors(folder) as cursors:
        cursors.set("mirror:office", (1, 200))
    assert seal_due(folder) == []
    assert segment_runs(folder) == [1, 2]
    with Cursors(folder) as cursors:
        cursors.set("mirror:office", (2, 0))
    seal_due(folder)
    assert segment_runs(folder) == [2]


def days(folder: Path, count: int, labels: Mapping[int, int] | None = None) -> None:
    """So many sealed days of a few scans each, and a hot one; ``labels`` by run where a clock said something else."""
    with Journal(folder) as journal:
        for run in range(1, count + 2):
            at = (labels or {}).get(run, UTC + (run - 1) * DAY_NS)
            journal.begin(start(run, utc_ns=at))
            one = block(run, 1, 3)
            one.utc_ns[:] += at - UTC
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
    days(tmp_path, 5, labels)
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


@pytest.mark.parametrize(
    ("labels", "left"),
    [
        ({8: YEAR_2099}, [5, 6, 7, 8]),  # and the machine's own clock says so as well
        ({7: YEAR_2099, 8: YEAR_2099 + DAY_NS}, [4, 5, 6, 7, 8]),
        ({run: YEAR_2099 + run * DAY_NS for run in range(2, 9)}, [1, 2, 3, 4, 5, 6, 7, 8]),
        ({run: YEAR_2099 + run * DAY_NS for run in range(1, 9)}, [6, 7, 8]),  # the clock it has had all along
    ],
)
def test_a_clock_that_ran_away_while_it_was_recorded_makes_nothing_old_for_a_week(
    tmp_path: Path, labels: dict[int, int], left: list[int]
) -> None:
    days(tmp_path, 8, labels)
    trim(tmp_path, Limits(age_ns=2 * DAY_NS), now_utc_ns=YEAR_2099 + 20 * DAY_NS)
    assert sorted(sealed_paths(tmp_path)) == left


def test_a_rig_that_stood_for_a_year_goes_on_trimming_a_week_later(tmp_path: Path) -> None:
    days(tmp_path, 11, {run: UTC + (run + 400) * DAY_NS for run in range(4, 12)})
    trim(tmp_path, Limits(age_ns=2 * DAY_NS), now_utc_ns=UTC + 9999 * DAY_NS)
    assert sorted(sealed_paths(tmp_path)) == [9, 10, 11]


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


@pytest.mark.parametrize(("first", "last"), [(0.0, 0.0), (0.5, 0.5), (1.0, 2.0), (-1.0, 0.0)])
def test_a_hold_on_any_part_of_a_segment_holds_it(tmp_path: Path, first: float, last: float) -> None:
    """Of the first one, which lasts from 0 to 1 here; the day after is not touched."""
    days(tmp_path, 2)
    manifest = read_manifest(sealed_paths(tmp_path)[1])
    begin, lasts = manifest.from_utc_ns, manifest.to_utc_ns - manifest.from_utc_ns
    window = [begin + int(share * lasts) for share in (first, last)]
    add_hold(tmp_path, Hold(id="h1", from_utc_ns=window[0], to_utc_ns=window[1], actor="engineer", reason="x"))
    assert trim(tmp_path, Limits(size=0), now_utc_ns=UTC + 9 * DAY_NS) == [2]


@pytest.mark.parametrize(("label", "first", "last", "left"), [
    (YEAR_1970, 2, 4, [2, 3, 4]), (YEAR_2099, 2, 4, [2, 3, 4]), (YEAR_1970, 4, 4, [3, 4]), (YEAR_1970, 5, 5, [5]),
    (YEAR_2099, 1, 1, [1]),
])  # fmt: skip
def test_a_hold_is_on_what_happened_whatever_the_clock_said_then(
    tmp_path: Path, label: int, first: int, last: int, left: list[int]
) -> None:
    """Run 3 was recorded between the days of runs 2 and 4, under a label of another year."""
    days(tmp_path, 5, {3: label})
    add_hold(tmp_path, hold(first=first, last=last))
    trim(tmp_path, Limits(size=0), now_utc_ns=UTC + 9 * DAY_NS)
    assert sorted(sealed_paths(tmp_path)) == left


def test_a_hold_stops_all_trimming_while_the_machines_clock_is_wrong(tmp_path: Path) -> None:
    days(tmp_path, 3)
    add_hold(tmp_path, hold(first=2, last=2))
    assert trim(tmp_path, Limits(size=0), now_utc_ns=YEAR_1970) == []


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
    assert trim(tmp_path, Limits(size=0), now_utc_ns=UTC + 9 * DAY_NS) == [2]


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


def test_a_summary_counts_each_value_until_the_next_and_nothing_that_nobody_saw(tmp_path: Path) -> None:
    """Three scans at most of a gap; over the edge of a block as within it; what is bad is in no mean."""
    rig, name = streams.demo(), "aux-flow"
    summary, minute = Summary(rig), 60 * 10**9
    scan, begin = rig.scan_ns, UTC // (60 * 10**9) * 60 * 10**9

    def see(at: list[int], values: list[float], codes: list[int]) -> None:
        t_ns = np.array(at, np.int64) * scan
        one = replace(streams.scans(rig, len(at)), t_ns=t_ns, utc_ns=begin + t_ns)
        summary.see(one, {name: Column(values=np.array(values), codes=np.array(codes, np.uint8))})

    see([0, 1, 2, 50], [1.0, 2.0, 3.0, 4.0], [0, 20, 0, 0])
    see([51, 52], [5.0, 0.0], [0, 92])
    see([53 + minute // scan], [7.0], [0])
    summary.finish()
    summary.write(tmp_path, 1, begin)
    (file,) = tmp_path.glob("summaries/*/*/*/*-minute.parquet")
    first, second = pq.read_table(file).to_pylist()
    seconds = {key: round(first[key] / 0.2, 3) for key in ("good_s", "uncertain_s", "bad_s")}
    assert seconds == {"good_s": 6, "uncertain_s": 1, "bad_s": 3}  # 1, 3 of the gap, 1, 1; and 3 of the next gap
    assert first["mean"] == pytest.approx((1.0 + 2.0 + 3 * 3.0 + 4.0 + 5.0) / 7)
    assert (first["least"], first["most"]) == (1.0, 5.0)
    assert (second["good_s"], second["mean"]) == (pytest.approx(0.2), 7.0)


def test_a_full_rate_value_that_is_bad_is_null() -> None:
    """A bad value is 0.0 inside the program, which is a flow."""
    rig = streams.demo()
    feed = Derived(rig, values=True).options().values
    assert feed(streams.start(rig)) == {}
    lost = np.repeat([0x82, 0, 0x82], 2)
    found = feed(streams.scans(rig, 6, values={"aux-flow": 5e-3}, status={"aux-flow": lost}))
    for name in ("aux-flow.value", "aux.heat_w"):
        assert np.isnan(found[name][0]).tolist() == [True, True, False, False, True, True]
    assert found["aux-flow.value"][0][2] == pytest.approx(5e-3, rel=1e-3)


def test_verify_says_that_full_rate_values_are_in_no_chain(tmp_path: Path) -> None:
    many_runs(tmp_path, 3)
    seal(tmp_path, 1)
    assert verify(tmp_path).worked_out == 0
    seal(tmp_path, 2, values=True)
    report = verify(tmp_path)
    assert (report.verdict, report.worked_out) == ("consistent", 1)
    assert "full-rate values in 1 run were worked out at sealing" in here("verify", tmp_path).stdout
