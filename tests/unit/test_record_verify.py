import sqlite3
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from brakewater.errors import DamagedRecordError
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.record.report import Report
from brakewater.record.segment import segment_path
from brakewater.record.verify import verify
from forgery import hashed_anew
from record_streams import block, command, event, flat, gap, start


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two runs; in the first, 400 scans in groups of ten, each with an event, and a command after them."""
    with Journal(tmp_path) as journal:
        journal.begin(start(1))
        for group in range(40):
            first = 1 + 10 * group
            journal.append(block(1, first, 10), (event(1, first, group + 1),))
            assert journal.wait_committed(5)
        journal.append(command(1, 401))
        assert journal.wait_committed(5)
        journal.append(gap(1, 402, (0, 5, 6)))
        journal.begin(start(2))
        journal.append(block(2, 1, 5))
    return tmp_path


def alter(folder: Path, *statements: str, run: int = 1) -> None:
    base = sqlite3.connect(segment_path(folder, run))
    for statement in statements:
        base.execute(statement)
    base.commit()
    base.close()


def places(report: Report) -> list[str]:
    return [one.place for one in report.altered]


def damage(pull: Callable[[], object]) -> str:
    with pytest.raises(DamagedRecordError) as caught:
        pull()
    return str(caught.value)


def test_untouched_is_consistent(folder: Path) -> None:
    report = verify(folder)
    assert report.verdict == "consistent"
    assert (report.runs, report.inputs, report.events, report.commits) == (2, 409, 40, 1 + 40 + 2 + 1 + 1)
    assert [one.input for one in report.gaps] == [402]
    assert report.head == Record(folder).head()
    assert report.head is not None
    assert report.head.run == 2


def test_one_flipped_bit_in_the_file_is_found(folder: Path) -> None:
    path, body = segment_path(folder, 1), block(1, 123)
    words = body.words.astype("<u2").tobytes() + body.status.tobytes() + body.age_ns.astype("<i8").tobytes()
    raw = bytearray(path.read_bytes())
    assert raw.count(words) == 1
    raw[raw.index(words) + 5] ^= 0x10
    path.write_bytes(raw)
    assert places(verify(folder)) == ["input 123"]


@pytest.mark.parametrize(
    ("statement", "found"),
    [
        ("DELETE FROM inputs WHERE input = 57", ["input 57"]),
        ("DELETE FROM inputs WHERE input = 402", ["input 402"]),
        ("DELETE FROM events WHERE n = 40", ["event 40"]),
        ("UPDATE inputs SET t_ns = t_ns + 1 WHERE input = 57", ["input 57"]),
        ("UPDATE inputs SET utc_ns = utc_ns + 1 WHERE input = 0", ["input 0"]),
        ("UPDATE inputs SET body = CAST('x' AS TEXT) WHERE input = 401", ["input 401"]),
        ("UPDATE inputs SET body = replace(body, 'driller', 'pusher ') WHERE input = 401", ["input 401"]),
        ("UPDATE events SET body = CAST(replace(body, '\"high\"', '\"low\"') AS BLOB) WHERE n = 7", ["event 7"]),
        ("UPDATE events SET input = input + 1 WHERE n = 7", ["event 7"]),
        ("UPDATE commits SET hash = replace(hash, substr(hash, 1, 3), 'abc') WHERE commit_no = 9", ["commit 9"]),
        ("UPDATE commits SET inputs_digest = 'abc' WHERE commit_no = 9", ["commit 9"]),
        ("UPDATE commits SET sums = zeroblob(length(sums)) WHERE commit_no = 43", ["commit 43"]),
        (
            "INSERT INTO inputs SELECT 403, kind, t_ns, utc_ns, body FROM inputs WHERE input = 402",
            ["inputs 403 to 403"],
        ),
        ("INSERT INTO events SELECT 41, input, body FROM events WHERE n = 40", ["events 41 to 41"]),
        ("UPDATE meta SET value = 9 WHERE key = 'run'", ["meta"]),
    ],
)
def test_every_alteration_is_found_where_it_is(folder: Path, statement: str, found: list[str]) -> None:
    alter(folder, statement)
    assert places(verify(folder)) == found
    assert verify(folder).verdict == "broken"


@pytest.mark.parametrize(
    ("statement", "found"),
    [
        ("UPDATE events SET body = CAST(replace(body, '\"n\":7,', '\"n\":9,') AS BLOB) WHERE n = 7", "event 7"),
        ("UPDATE events SET body = CAST(replace(body, '\"run\":1', '\"run\":3') AS BLOB) WHERE n = 7", "event 7"),
        ("UPDATE events SET input = input + 1 WHERE n = 7", "event 7"),
        ("UPDATE commits SET first_input = first_input - 10 WHERE commit_no = 9", "inputs 71 to 60"),
        ("UPDATE commits SET first_input = first_input + 1 WHERE commit_no = 9", "inputs 71 to 71"),
    ],
)
def test_what_contradicts_itself_is_found_though_the_chain_was_hashed_anew(
    folder: Path, statement: str, found: str
) -> None:
    alter(folder, statement)
    hashed_anew([segment_path(folder, 1), segment_path(folder, 2)])
    assert places(verify(folder)) == [found]


def test_two_rows_swapped_are_both_named(folder: Path) -> None:
    alter(
        folder,
        "UPDATE inputs SET input = -1 WHERE input = 33",
        "UPDATE inputs SET input = 33 WHERE input = 34",
        "UPDATE inputs SET input = 34 WHERE input = -1",
    )
    assert places(verify(folder)) == ["input 33", "input 34"]


def test_a_missing_commit_is_named(folder: Path) -> None:
    alter(folder, "DELETE FROM commits WHERE commit_no = 9")
    assert places(verify(folder)) == ["commits 9 to 9", "inputs 71 to 80"]


def test_scans_read_with_other_widths_are_found(folder: Path) -> None:
    # Two words less and four points more take the same bytes a scan.
    alter(folder, "UPDATE meta SET value = value - 2 WHERE key = 'words'")
    alter(folder, "UPDATE meta SET value = value + 4 WHERE key = 'points'")
    assert places(verify(folder)) == [f"commit {number}" for number in range(2, 42)]


def test_an_end_cut_off_whole_is_found_by_the_next_run(folder: Path) -> None:
    alter(
        folder,
        "DELETE FROM commits WHERE commit_no > 20",
        "DELETE FROM inputs WHERE input > 190",
        "DELETE FROM events WHERE n > 19",
    )
    report = verify(folder)
    assert places(report) == ["meta"]
    assert report.altered[0].file == str(segment_path(folder, 2))


@pytest.mark.parametrize("share", [0.3, 0.6, 0.95])
def test_a_truncated_file_is_found_and_read_as_far_as_it_is_whole(folder: Path, share: float) -> None:
    path = segment_path(folder, 1)
    raw = path.read_bytes()
    path.write_bytes(raw[: int(len(raw) * share)])
    report = verify(folder)
    assert report.verdict == "broken"
    assert str(path) in str(report.altered[0])
    got = []
    text = damage(lambda: got.extend(Record(folder).inputs(block=16)))
    assert str(path) in text
    assert flat(got) == flat([start(1), block(1, 1, 400), command(1, 401), gap(1, 402, (0, 5, 6))])[: len(flat(got))]
    assert flat(Record(folder).inputs(from_run=2)) == flat([start(2), block(2, 1, 5)])


def test_reading_stops_at_a_hole_and_names_it(folder: Path) -> None:
    alter(folder, "DELETE FROM inputs WHERE input = 57")
    got = []
    assert "input 57 is missing" in damage(lambda: got.extend(Record(folder).inputs()))
    assert flat(got) == flat([start(1), block(1, 1, 56)])


def test_reading_stops_at_a_missing_end(folder: Path) -> None:
    alter(folder, "DELETE FROM inputs WHERE input > 400", "DELETE FROM events WHERE n > 38")
    assert "inputs 401 to 402 are missing" in damage(lambda: list(Record(folder).inputs()))
    assert "events 39 to 40 are missing" in damage(lambda: list(Record(folder).events()))


@pytest.mark.parametrize("body", ["x'00'", "'text'", "x''"])
def test_reading_stops_at_a_body_that_is_none(folder: Path, body: str) -> None:
    alter(folder, f"UPDATE inputs SET body = {body} WHERE input = 57", f"UPDATE events SET body = {body} WHERE n = 3")
    got: list[object] = []
    assert "input 57" in damage(lambda: got.extend(flat(Record(folder).inputs())))
    got = []
    text = damage(lambda: got.extend(Record(folder).inputs()))
    assert "input 57" in text
    assert flat(got) == flat([start(1), block(1, 1, 56)])  # type: ignore[arg-type]
    assert "event 3" in damage(lambda: list(Record(folder).events()))


def test_no_database_at_all_is_told(folder: Path) -> None:
    segment_path(folder, 2).write_bytes(b"not a database " * 500)
    assert Record(folder).runs() == [1, 2]
    assert Record(folder).next_run() == 3
    assert "not a database" in damage(lambda: list(Record(folder).inputs(from_run=2)))
    assert "not a database" in damage(Record(folder).tail)
    assert verify(folder).verdict == "broken"
    with Journal(folder) as journal:  # the watch goes on all the same
        journal.begin(start(3))
    assert flat(Record(folder).inputs(from_run=3)) == [start(3)]


def test_reading_from_a_cursor(folder: Path) -> None:
    record = Record(folder)
    whole = flat(record.inputs())
    for after, at in (((1, 0), 1), ((1, 57), 58), ((1, 402), 403), ((2, 2), 406), ((2, 5), 409)):
        assert flat(record.inputs(after=after, block=7)) == whole[at:]
    events = [one.event for one in record.events()]
    assert [one.event for one in record.events(after=(1, 39))] == events[39:]
    assert list(record.events(after=(2, 0))) == []


def test_an_event_carries_the_hash_of_its_commit(folder: Path) -> None:
    hashes = sqlite3.connect(segment_path(folder, 1))
    known = dict(hashes.execute("SELECT first_event, hash FROM commits WHERE first_event IS NOT NULL"))
    hashes.close()
    assert {one.event.n: one.hash for one in Record(folder).events()} == known


def test_tail_and_head(folder: Path) -> None:
    tail = Record(folder).tail()
    assert tail is not None
    assert tail[0] == start(2)
    assert flat(tail[1]) == flat([block(2, 1, 5)])


def test_runs_that_nothing_accounts_for_are_named_however_many(tmp_path: Path) -> None:
    with Journal(tmp_path) as journal:
        for run in (2, 4, 90_000_000):
            journal.begin(start(run))
    report = verify(tmp_path)
    assert [(one.place, "run 90000000 began without it" in one.says) for one in report.altered] == [
        ("run 3", False),
        ("runs 5 to 89999999", True),
    ]


def test_an_empty_folder(tmp_path: Path) -> None:
    record = Record(tmp_path)
    assert (record.runs(), record.head(), record.tail(), record.next_run()) == ([], None, None, 1)
    assert list(record.inputs()) == []
    assert verify(tmp_path).verdict == "consistent"


def test_the_sqlite3_command_line_reads_it(folder: Path) -> None:
    # Debian's sqlite3: an outside reader of the file format.
    def ask(query: str) -> str:
        command_line = ["sqlite3", "-readonly", str(segment_path(folder, 1)), query]
        return subprocess.run(command_line, capture_output=True, text=True, check=True).stdout.strip()

    assert ask("PRAGMA integrity_check") == "ok"
    assert ask("PRAGMA user_version") == "1"
    assert ask("SELECT kind, count(*) FROM inputs GROUP BY kind ORDER BY kind") == (
        "command|1\ngap|1\nscan|400\nstart|1"
    )
    assert ask("SELECT json_extract(CAST(body AS TEXT), '$.alarm') FROM events WHERE n = 7") == "cooling-flow-low"
    assert ask("SELECT hex(substr(body, 1, 2)) FROM inputs WHERE input = 1") == "1F00"
    assert ask("SELECT max(commit_no) FROM commits") == "43"
