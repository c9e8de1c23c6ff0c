"""A disk that really is full: a small tmpfs that something else fills. Only recording stops, and resumes by itself."""

import asyncio
import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import replace
from pathlib import Path

import pytest

from brakewater.control import ask
from brakewater.engine import Engine
from brakewater.errors import StorageError
from brakewater.record.cursors import Cursors
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.record.sealing.due import seal_due
from brakewater.record.segment import MOST_COPIED_BYTES, BusyRecordError, reading, segment_path, segment_runs
from brakewater.record.verify import verify
from brakewater.record.writer import newest_head
from brakewater.restart import restored
from brakewater.review.replay import Tally, compare, replayed
from brakewater.service.starts import Starts
from brakewater.service.upkeep import used_e4
from brakewater.stream import Block, Gap, Start
from brokers import free_port
from brokers import until as eventually
from daemons import SmallDevice, brakewater, daemon, serving, small_rig
from field_rigs import Played, run, until
from gap_parts import CALM, DRY, Gapped
from record_streams import block, flat, start
from sealed_parts import many_runs
from streams import demo

pytestmark = pytest.mark.integration


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A file system of 4 MB."""
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(tmp_path)], capture_output=True, text=True, check=False
    )
    if made.returncode:
        pytest.skip(f"a full disk needs a disk to fill, and mounting one needs root: {made.stderr.strip()}")
    yield tmp_path
    subprocess.run(["umount", "-l", str(tmp_path)], check=True)


def fill(folder: Path) -> Path:
    ballast = folder / "ballast"
    with ballast.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            return ballast


def test_the_count_of_crashes_outlives_it(small: Path) -> None:
    for at in (1000, 1001):
        Starts(small, at)
    ballast = fill(small)
    assert Starts(small, 1002).lately == 3
    ballast.unlink()
    assert Starts(small, 1003).lately == 3  # the one that could not be noted is missing, the others are not


def test_cursors_of_an_older_version_are_read(small: Path) -> None:
    with Cursors(small) as cursors:
        cursors.set("mqtt", (1, 5))
    with closing(sqlite3.connect(small / "cursors.sqlite3")) as base:
        base.execute("DROP TABLE IF EXISTS marks")
        base.execute("VACUUM")
    ballast = fill(small)
    with Cursors(small) as cursors:
        cursors.settle()
        assert cursors.get("sparkplug") is None
        ballast.unlink()
        cursors.set("mqtt", (1, 6))
    with Cursors(small) as cursors:
        assert cursors.get("mqtt") == (1, 6)


def test_only_recording_stops_and_it_resumes_by_itself(small: Path) -> None:
    made = Gapped(small)
    scans, ballast = 0, small / "ballast"

    async def before(number: int) -> None:
        nonlocal scans
        scans = number + 1
        made.clock.t_ns += 200_000_000
        await asyncio.sleep(0.001)
        if number == 20:
            made.journal.wait_committed(5)
            fill(small)
            assert used_e4(small) > 9_900
        if number == 20 + 400:  # past what the journal holds back, and what the WAL had left
            await until(lambda: not made.loop._scheduled)
            assert made.journal.figures().losing
            assert made.standing()["cooling-lost"] == "unacknowledged"  # it rose on a full disk
            ballast.unlink()
        if number == 20 + 420:
            await until(lambda: made.journal.lost is not None or len(made.snapshots) > 0)

    samples = [CALM] * 60 + [DRY] * 440

    async def test() -> None:
        await made.loop.watch(Played(samples, before))
        await until(lambda: not made.loop._scheduled)

    run(test())
    made.journal.close()
    assert scans == len(samples)
    record = Record(small)
    (gap,) = [item for item in record.inputs() if isinstance(item, Gap)]
    numbers = {run_: set[int]() for run_ in record.runs()}
    for item in record.inputs():
        numbers[item.run] |= set(item.input.tolist()) if isinstance(item, Block) else {item.input}
    assert record.runs() == [1, 2]
    assert numbers[1] == set(range(gap.lost_first))  # all before the gap, and nothing of it
    assert gap.lost_run == 1
    recorded = sum(len(item) for item in record.inputs() if isinstance(item, Block))
    assert recorded + gap.lost_last - gap.lost_first + 1 == len(samples)
    assert verify(small).verdict == "consistent"
    tally, events = Tally(), []
    for _, outcome in replayed(record, Engine(), tally):
        events += outcome.events
    assert compare(record, events, tally).differences == []


@pytest.mark.parametrize("was_there", [True, False], ids=["again", "first"])
def test_a_watch_begins_on_a_full_disk_and_records_once_there_is_room(small: Path, *, was_there: bool) -> None:
    if was_there:
        many_runs(small, 1)
    ballast = fill(small)
    with Journal(small) as journal:
        run_ = 2 if was_there else 1
        with pytest.raises(StorageError, match="could not be made durable"):
            journal.begin(start(run_), wait_s=0.2)
        journal.append(block(run_, 1))
        ballast.unlink()
        assert journal.wait_committed(10)
    assert Record(small).runs()[-1] == run_
    assert verify(small).verdict == "consistent"


def test_sealing_on_a_full_disk_leaves_everything_as_it_is(small: Path) -> None:
    many_runs(small, 3)
    before = flat(Record(small).inputs())
    ballast = fill(small)
    assert seal_due(small) == [1, 2]
    assert segment_runs(small) == [1, 2, 3]
    assert not list(small.glob("segments/.*"))
    assert flat(Record(small).inputs()) == before
    ballast.unlink()
    assert seal_due(small) == []
    assert segment_runs(small) == [3]
    assert flat(Record(small).inputs()) == before


def test_a_simulated_record_for_which_there_is_no_room_ends_with_why_and_leaves_nothing(small: Path) -> None:
    ballast = fill(small)
    ballast.write_bytes(bytes(3 << 20))  # room to begin, not for all of it
    words = [sys.executable, "-m", "brakewater_sim", "record", "trip-in", "-o", str(small / "made")]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 3
    assert f"{small / 'made'}: not written: the disk does not take it; see whether it is full" in done.stderr
    assert [one.name for one in small.iterdir()] == ["ballast"]


def start_of_demo(run: int) -> Start:
    rig = demo()
    return replace(start(run), rig_toml=rig.text, own=rig.own, alarms=rig.keys, snapshot=b"")


def killed(record: Path, number: int, *, wait_s: float = 10.0) -> None:
    """A watch that begins a run and is killed."""
    if (child := os.fork()) == 0:
        with suppress(BaseException):
            Journal(record).begin(start_of_demo(number), wait_s=wait_s)
        os._exit(0)
    os.waitpid(child, 0)


def folded(hot: Path) -> None:
    """What SQLite keeps beside it goes into the file, as where the last to close it could write."""
    with closing(sqlite3.connect(hot)) as base:
        base.execute("SELECT count(*) FROM commits")


def power_cut(hot: Path) -> None:
    """The index of the WAL is never synced."""
    hot.with_name(f"{hot.name}-shm").unlink()


@pytest.mark.parametrize("most", [MOST_COPIED_BYTES, 0])
@pytest.mark.parametrize("then", [folded, power_cut])
def test_a_run_that_ends_on_a_full_disk_is_the_one_that_the_next_follows(
    small: Path, then: Callable[[Path], None], most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("brakewater.record.segment.MOST_COPIED_BYTES", most)
    record = small / "record"
    with Journal(record) as journal:
        journal.begin(start(1))
    killed(record, 2)
    then(segment_path(record, 2))
    ballast = fill(small)
    assert (head := newest_head(record)) is not None
    assert head.run == 2
    before = restored(Record(record))
    assert (before.run, before.snapshot != b"") == (3, True)
    with Journal(record) as journal:
        with pytest.raises(StorageError, match="could not be made durable"):
            journal.begin(start(3), wait_s=0.2)
        ballast.unlink()
        assert journal.wait_committed(30)
    assert verify(record).verdict == "consistent"


@pytest.mark.parametrize("most", [MOST_COPIED_BYTES, 0])
def test_a_large_run_is_not_copied_into_memory(small: Path, most: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("brakewater.record.segment.MOST_COPIED_BYTES", most)
    killed(small, 1)
    hot = segment_path(small, 1)
    power_cut(hot)
    fill(small)
    with reading(hot) as base:
        assert base.execute("PRAGMA database_list").fetchone()[2] == ("" if most else str(hot))
        assert base.execute("SELECT kind FROM inputs").fetchall() == [("start",)]


def test_a_run_that_cannot_be_read_at_the_moment_is_not_passed_over(tmp_path: Path) -> None:
    with Journal(tmp_path) as journal:
        journal.begin(start(1))
    killed(tmp_path, 2)
    with closing(sqlite3.connect(segment_path(tmp_path, 2), check_same_thread=False)) as other:
        other.execute("PRAGMA locking_mode=EXCLUSIVE")
        other.execute("SELECT count(*) FROM commits").fetchone()
        with pytest.raises(BusyRecordError, match="locked"):
            newest_head(tmp_path)
        journal = Journal(tmp_path)
        with pytest.raises(StorageError, match="could not be made durable"):
            journal.begin(start(3), wait_s=0.1)
    with journal:
        assert journal.wait_committed(30)
    assert verify(tmp_path).verdict == "consistent"


def test_what_never_began_on_a_full_disk_stands_in_nobodys_way(small: Path) -> None:
    record = small / "record"
    with Journal(record) as journal:
        journal.begin(start(1))
    ballast = fill(small)
    killed(record, 2, wait_s=0.3)
    ballast.unlink()
    with Journal(record) as journal:
        journal.begin(start(3))
    assert segment_path(record, 2).exists()
    assert Record(record).runs() == [1, 3]
    assert verify(record).verdict == "consistent"
    assert [one.event.run for one in Record(record).events()] == []


def test_an_answer_says_where_its_command_is_not_in_the_record_yet(small: Path) -> None:
    device, record = SmallDevice(free_port()), small / "record"
    note = {"do": "note", "text": "the disk is full"}
    with serving(device), daemon(small_rig(small / "rig.toml", device=device.port), record):
        assert "not in the record" not in ask(record, note)["says"]
        ballast = fill(small)
        for _ in range(100):  # what the WAL had left
            said = ask(record, note)
            if "not in the record yet" in said["says"]:
                break
        assert said["ok"]
        assert "not in the record yet" in said["says"]
        eventually(lambda: "WAITS FOR ITS DISK" in brakewater("status", "--record", record).stdout, "it says so")
        ballast.unlink()
        eventually(lambda: "not in the record" not in ask(record, note)["says"], "the record goes on", within_s=30)
    assert verify(record).verdict == "consistent"
