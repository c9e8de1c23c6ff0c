import os
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from brakewater.errors import Defect, StorageError
from brakewater.record.backlog import GROUP_NS
from brakewater.record.cursors import Cursors
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.record.segment import connect, segment_path
from brakewater.record.verify import verify
from brakewater.record.writer import Committed
from record_streams import block, command, event, flat, gap, read, start


class Disk:
    """Connections whose statements fail on demand; ``blocked`` makes them hang instead."""

    def __init__(self) -> None:
        self.fails: sqlite3.Error | None = None
        self.fails_on = "BEGIN"
        self.statements: list[str] = []
        self.open = threading.Event()
        self.open.set()

    def connect(self, path: Path) -> sqlite3.Connection:
        disk = self

        class Connection(sqlite3.Connection):
            def execute(self, sql: str, *args: object) -> sqlite3.Cursor:  # type: ignore[override]
                disk.statements.append(sql)
                disk.open.wait()
                if disk.fails is not None and sql.startswith(disk.fails_on):
                    raise disk.fails
                return super().execute(sql, *args)  # type: ignore[arg-type]

        return sqlite3.connect(path, timeout=1.0, isolation_level=None, factory=Connection)


@pytest.fixture
def disk() -> Iterator[Disk]:
    made = Disk()
    yield made
    made.open.set()
    made.fails = None


def until(true: object, what: str = "") -> None:
    for _ in range(2000):
        if true():  # type: ignore[operator]
            return
        time.sleep(0.005)
    raise AssertionError(what or "never came true")


def test_what_goes_in_comes_out(tmp_path: Path) -> None:
    items = [
        block(1, 1),
        block(1, 2, 3),
        command(1, 5, {"alarm": "cooling-flow-low"}),
        gap(1, 6, (0, 1, 2)),
        block(1, 7),
    ]
    with Journal(tmp_path) as journal:
        journal.begin(start(), (event(1, 0, 1),))
        for item in items:
            journal.append(item, (event(1, 5, 2),) if item is items[2] else ())
    assert read(tmp_path) == (flat([start(), *items]), [event(1, 0, 1), event(1, 5, 2)])
    report = verify(tmp_path)
    assert (report.verdict, report.inputs, report.events, len(report.gaps)) == ("consistent", 8, 2, 1)


def test_begin_is_durable_when_it_returns(tmp_path: Path) -> None:
    with Journal(tmp_path) as journal:
        journal.begin(start())
        assert list(Record(tmp_path).inputs()) == [start()]


def test_urgent_groups_are_full_and_scans_normal(tmp_path: Path, disk: Disk) -> None:
    made: list[Committed] = []
    with Journal(tmp_path, on_commit=made.append, connect=disk.connect) as journal:
        journal.begin(start())
        for number in (1, 2, 3):
            journal.append(block(1, number))
        assert journal.figures().queued == 3
        journal.append(command(1, 4))
        until(lambda: len(made) == 2)
        journal.append(block(1, 5), (event(1, 5, 1),))
        until(lambda: len(made) == 3)
        journal.append(block(1, 6))
        assert journal.wait_committed(5)
        said = list(disk.statements)
    commits = [at for at, sql in enumerate(said) if sql == "COMMIT"][:4]
    levels = [[sql for sql in said[:at] if "synchronous" in sql][-1].partition("=")[2] for at in commits]
    assert [(one.first_input, one.last_input, one.first_event) for one in made] == [
        (0, 0, None),
        (1, 4, None),
        (5, 5, 1),
        (6, 6, None),
    ]
    assert levels == ["FULL", "FULL", "FULL", "NORMAL"]


def test_lone_scans_are_committed_by_themselves(tmp_path: Path) -> None:
    made: list[Committed] = []
    with Journal(tmp_path, on_commit=made.append) as journal:
        journal.begin(start())
        journal.append(block(1, 1))
        began = journal.figures().commit_age_ns
        until(lambda: len(made) == 2)
    assert began < GROUP_NS
    assert made[1].last_input == 1


def test_runs_follow_each_other_in_one_chain(tmp_path: Path) -> None:
    with Journal(tmp_path) as journal:
        journal.begin(start(1))
        journal.append(block(1, 1))
        journal.begin(start(2))
        journal.append(block(2, 1))
    with Journal(tmp_path) as journal:
        journal.begin(start(Record(tmp_path).next_run()))
    assert Record(tmp_path).runs() == [1, 2, 3]
    assert verify(tmp_path).verdict == "consistent"
    assert not list((tmp_path / "hot").glob("*-wal"))  # closed segments are one plain file each


def test_a_recorded_run_is_refused_and_the_journal_goes_on(tmp_path: Path) -> None:
    with Journal(tmp_path) as journal:
        journal.begin(start(1))
    with Journal(tmp_path) as journal:
        with pytest.raises(StorageError, match="recorded already"):
            journal.begin(start(1))
        journal.append(block(1, 1))
        assert journal.lost == (1, 0, 1)
        journal.begin(start(2))
        assert journal.lost == (1, 0, 1)
    assert Record(tmp_path).runs() == [1, 2]


def test_a_run_that_never_began_is_used_again(tmp_path: Path) -> None:
    (tmp_path / "hot").mkdir()
    connect(segment_path(tmp_path, 1)).execute("PRAGMA journal_mode=WAL").connection.close()
    assert Record(tmp_path).runs() == []
    with Journal(tmp_path) as journal:
        journal.begin(start(1))
    assert Record(tmp_path).runs() == [1]


@pytest.mark.parametrize(
    "item", [block(1, 2), block(2, 1), command(1, 0), gap(3, 1, (1, 1, 1))], ids=["hole", "run", "double", "later"]
)
def test_out_of_sequence_is_a_defect(tmp_path: Path, item: object) -> None:
    with Journal(tmp_path) as journal:
        journal.begin(start())
        with pytest.raises(Defect):
            journal.append(item)  # type: ignore[arg-type]
        with pytest.raises(Defect):
            journal.append(block(1, 1), (event(1, 1, 2),))
        journal.append(block(1, 1))
    assert verify(tmp_path).inputs == 2


def test_past_the_bound_inputs_are_lost_and_told_once_the_disk_is_well(tmp_path: Path, disk: Disk) -> None:
    with Journal(tmp_path, bound=10, connect=disk.connect) as journal:
        journal.begin(start())
        disk.fails = sqlite3.OperationalError("database or disk is full")
        for number in range(1, 31):
            journal.append(block(1, number), (event(1, number, number),))
        assert journal.figures().losing
        until(lambda: journal.figures().failures > 1)
        assert journal.lost is None  # the disk is still full
        disk.fails = None
        until(lambda: journal.lost is not None)
        assert journal.lost == (1, 6, 30)  # each of the first five weighs two: a scan and an event
        journal.begin(start(2, snapshot=b'{"live":1}'), wait_s=0)
        journal.append(gap(2, 1, (1, 6, 30)))
        assert journal.lost is None
        journal.append(block(2, 2))
    inputs, events = read(tmp_path)
    assert inputs == flat(
        [start(), block(1, 1, 5), start(2, snapshot=b'{"live":1}'), gap(2, 1, (1, 6, 30)), block(2, 2)]
    )
    assert [one.input for one in events] == [1, 2, 3, 4, 5]
    assert verify(tmp_path).verdict == "consistent"


def test_a_hanging_disk_blocks_nobody(tmp_path: Path, disk: Disk) -> None:
    with Journal(tmp_path, bound=10, connect=disk.connect) as journal:
        journal.begin(start())
        disk.open.clear()
        for number in range(1, 101):
            journal.append(block(1, number))
        journal.begin(start(2), wait_s=0)
        with pytest.raises(StorageError, match="could not be made durable"):
            journal.begin(start(3), wait_s=0.01)
        disk.open.set()
        assert journal.wait_committed(10)
        assert journal.lost == (1, 11, 100)
        journal.append(gap(3, 1, (1, 11, 100)))
        assert journal.lost is None or journal.lost[0] != 1
    assert verify(tmp_path).verdict == "consistent"
    assert Record(tmp_path).runs() == [1, 2, 3]


def test_a_full_disk_by_sqlites_own_word(tmp_path: Path) -> None:
    # max_page_count makes SQLite itself say SQLITE_FULL, as a full disk does.
    full = True

    def small(path: Path) -> sqlite3.Connection:
        base = connect(path)
        if full:
            base.execute("PRAGMA max_page_count=24")
        return base

    with Journal(tmp_path, bound=200, connect=small) as journal:
        journal.begin(start())
        for number in range(1, 100):
            journal.append(block(1, 1 + (number - 1) * 10, 10), (event(1, number * 10, number),))
            if not journal.figures().failures:
                journal.wait_committed(0.1)
        assert journal.figures().failures
        assert journal.figures().losing
        full = False
        until(lambda: journal.lost is not None)
        lost = journal.lost
        assert lost is not None
        assert lost[2] == 990
    inputs, events = read(tmp_path)
    assert len(inputs) == lost[1]
    assert len(events) == (lost[1] - 1) // 10
    assert verify(tmp_path).verdict == "consistent"


def test_a_commit_that_got_through_in_spite_of_its_error_is_not_doubled(tmp_path: Path) -> None:
    class Lying(sqlite3.Connection):
        lies = 2

        def execute(self, sql: str, *args: object) -> sqlite3.Cursor:  # type: ignore[override]
            done = super().execute(sql, *args)  # type: ignore[arg-type]
            if sql == "COMMIT" and Lying.lies:
                Lying.lies -= 1
                raise sqlite3.OperationalError("disk I/O error")
            return done

    def lying(path: Path) -> sqlite3.Connection:
        return sqlite3.connect(path, isolation_level=None, factory=Lying)

    with Journal(tmp_path, connect=lying) as journal:
        journal.begin(start())
        journal.append(block(1, 1), (event(1, 1, 1),))
        assert journal.wait_committed(5)
        assert journal.figures().failures == 2
    assert verify(tmp_path).verdict == "consistent"
    assert read(tmp_path) == (flat([start(), block(1, 1)]), [event(1, 1, 1)])


@pytest.mark.parametrize("harm", ["damage", "removal"])
def test_a_segment_that_cannot_be_written_again_is_given_up(tmp_path: Path, disk: Disk, harm: str) -> None:
    with Journal(tmp_path, connect=disk.connect) as journal:
        journal.begin(start())
        if harm == "damage":
            disk.fails = sqlite3.DatabaseError("database disk image is malformed")
        else:
            segment_path(tmp_path, 1).unlink()
        journal.append(command(1, 1))
        until(lambda: journal.lost is not None)
        disk.fails = None
        assert journal.lost == (1, 1, 1)
        journal.append(block(1, 2))
        assert journal.lost == (1, 1, 2)
        journal.begin(start(2))
        journal.append(gap(2, 1, (1, 1, 2)))
        assert journal.lost is None
    assert flat(Record(tmp_path).inputs(from_run=2)) == [start(2), gap(2, 1, (1, 1, 2))]


def test_closing_on_a_failing_disk_ends(tmp_path: Path, disk: Disk) -> None:
    journal = Journal(tmp_path, connect=disk.connect)
    journal.begin(start())
    disk.fails = sqlite3.OperationalError("database or disk is full")
    journal.append(command(1, 1))
    journal.close(timeout_s=0.1)
    assert not any(thread.name == "journal" for thread in threading.enumerate())
    assert verify(tmp_path).inputs == 1


def test_a_listener_that_fails_harms_nothing(tmp_path: Path) -> None:
    def listener(_: Committed) -> None:
        raise RuntimeError("not mine")

    with Journal(tmp_path, on_commit=listener) as journal:
        journal.begin(start())
        journal.append(command(1, 1))
    assert verify(tmp_path).inputs == 2


def test_the_wal_stays_small(tmp_path: Path) -> None:
    with Journal(tmp_path, bound=10**9) as journal:
        journal.begin(start())
        for number in range(40):
            journal.append(block(1, 1 + number * 8192, 8192))
        assert journal.wait_committed(30)
        assert journal.figures().wal_bytes < 32 << 20
    assert verify(tmp_path).inputs == 1 + 40 * 8192


def test_what_was_folded_in_is_not_folded_again_at_each_commit(tmp_path: Path) -> None:
    """The WAL keeps its size then, and was folded in, which syncs the disk, after each further commit."""
    folded = []

    class Counting(sqlite3.Connection):
        def execute(self, sql: str, *values: Any) -> sqlite3.Cursor:
            if "wal_checkpoint" in sql:
                folded.append(sql)
            return super().execute(sql, *values)

    def connect(path: Path) -> sqlite3.Connection:
        return sqlite3.connect(path, timeout=1.0, isolation_level=None, factory=Counting)

    with Journal(tmp_path, connect=connect) as journal:
        journal.begin(start())
        for number in range(1, 201):
            journal.append(block(1, number, 1))
            assert journal.wait_committed(30)
    assert 1 <= len(folded) <= 4, "three megabytes, about, and one is kept"
    assert verify(tmp_path).inputs == 201


def test_a_power_cut_takes_six_seconds_of_scans_at_most(tmp_path: Path) -> None:
    synced: list[tuple[int, bool]] = []

    def tell(made: Committed) -> None:
        if made.first_input:
            synced.append((made.last_input, made.synced))
            assert made.synced or not made.durable

    with Journal(tmp_path, on_commit=tell) as journal:
        journal.begin(start())
        for number in range(1, 101):  # a scan every 200 ms
            journal.append(block(1, number, 1))
            assert journal.wait_committed(30)
    kept = [number for number, safe in synced if safe]
    assert len(kept) == 4
    assert all(b - a == 25 for a, b in pairwise([0, *kept]))


def test_a_second_daemon_is_refused_by_pid(tmp_path: Path) -> None:
    script = f"""
import pathlib
from brakewater.errors import StorageError
from brakewater.record.journal import Journal
try:
    Journal(pathlib.Path({str(tmp_path)!r}))
except StorageError as error:
    print(error)
"""
    with Journal(tmp_path):
        with pytest.raises(StorageError, match=f"process {os.getpid()} already records here"):
            Journal(tmp_path)
        said = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout
        assert f"process {os.getpid()} already records here" in said
    Journal(tmp_path).close()


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(StorageError, match="cannot be written"):
        Journal(tmp_path / "file" / "record")


def test_cursors_are_kept(tmp_path: Path) -> None:
    with Cursors(tmp_path) as cursors:
        assert cursors.get("mqtt") is None
        cursors.set("mqtt", (1, 5))
        cursors.set("mqtt", (2, 3))
        cursors.set("mirror", (1, 1))
    with Cursors(tmp_path) as cursors:
        assert (cursors.get("mqtt"), cursors.get("mirror")) == ((2, 3), (1, 1))


def test_damaged_cursors_begin_again(tmp_path: Path) -> None:
    (tmp_path / "cursors.sqlite3").write_bytes(b"no database at all, " * 100)
    with Cursors(tmp_path) as cursors:
        assert cursors.get("mqtt") is None
        cursors.set("mqtt", (1, 5))
    with Cursors(tmp_path) as cursors:
        assert cursors.get("mqtt") == (1, 5)


def test_a_cursor_that_cannot_be_written_stays_in_memory(tmp_path: Path) -> None:
    with Cursors(tmp_path) as cursors:
        cursors._base.execute("PRAGMA query_only=1")
        cursors.set("mqtt", (1, 5))
        assert (cursors.get("mqtt"), cursors.failures) == ((1, 5), 1)
        cursors._base.execute("PRAGMA query_only=0")
        cursors.set("mirror", (1, 1))
    with Cursors(tmp_path) as cursors:
        assert cursors.get("mqtt") == (1, 5)
