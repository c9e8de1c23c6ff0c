"""What becomes of followers' cursors where the record beside them is not the one that was read."""

import shutil
import sqlite3
from pathlib import Path

import pytest

from brakewater.record.cursors import FOR_EVER, Cursors, Place, Span
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.record.sealed.layout import sealed_paths
from brakewater.record.sealing.due import seal_due
from brakewater.record.sealing.trim import Limits, trim
from brakewater.record.segment import segment_path
from record_streams import UTC, block, event, start

END = FOR_EVER[1]


def written(folder: Path, *runs: int, since: int = UTC) -> None:
    """Runs with five scans and two events each."""
    with Journal(folder) as journal:
        for run in runs:
            journal.begin(start(run, utc_ns=since + run))
            journal.append(block(run, 1, 5), (event(run, 2, 1), event(run, 5, 2)))


def settled(folder: Path) -> dict[str, tuple[Place | None, tuple[Span, ...]]]:
    with Cursors(folder) as cursors:
        cursors.settle()
    with Cursors(folder) as cursors:
        return {name: (cursors.get(name), cursors.spans(name)) for name in ("mqtt", "mirror.office", "sparkplug")}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    written(tmp_path, 1, 2, 3)
    with Cursors(tmp_path) as cursors:
        for run in (1, 2, 3):
            cursors.set("mqtt", (run, 2))
            cursors.set("mirror.office", (run, 5))
        cursors.set("sparkplug", (2**62, 7))
    return tmp_path


KEPT = {"mqtt": ((3, 2), ()), "mirror.office": ((3, 5), ()), "sparkplug": ((2**62, 7), ())}
NONE = {"mqtt": (None, ()), "mirror.office": (None, ()), "sparkplug": ((2**62, 7), ())}


def test_the_record_that_was_read_changes_nothing_sealed_trimmed_or_damaged(folder: Path) -> None:
    assert settled(folder) == KEPT
    written(folder, 4, 5)
    assert settled(folder) == KEPT
    seal_due(folder)
    assert settled(folder) == KEPT
    trim(folder, Limits(size=0))
    assert (sealed_paths(folder), settled(folder)) == ({}, KEPT)
    segment_path(folder, 5).write_bytes(b"no record " * 4096)
    assert settled(folder) == KEPT


def test_one_that_is_gone_begins_again(folder: Path, caplog: pytest.LogCaptureFixture) -> None:
    shutil.rmtree(folder / "hot")
    assert settled(folder) == NONE
    assert "mirror.office, mqtt begin again with all that is here" in caplog.text
    written(folder, 1, since=UTC + 10**12)
    assert settled(folder) == NONE


def test_another_one_in_its_place_begins_again_however_many_runs_it_has(folder: Path) -> None:
    shutil.rmtree(folder / "hot")
    written(folder, 1, 2, 3, 4, since=UTC + 10**12)
    assert settled(folder) == NONE


def test_where_its_end_is_gone_they_go_on_after_what_is_left(folder: Path) -> None:
    with Cursors(folder) as cursors:
        cursors.set("mirror.office", (1, 3), (((1, 3), (2, 0)), ((3, 5), FOR_EVER)))
    segment_path(folder, 3).unlink()
    owed = (((1, 3), (2, 0)), ((2, END), FOR_EVER))
    assert settled(folder) == {"mqtt": ((2, END), ()), "mirror.office": ((1, 3), owed), "sparkplug": ((2**62, 7), ())}
    written(folder, 3, since=UTC + 10**12)
    with Cursors(folder) as cursors:
        place = cursors.get("mqtt")
    assert [(one.event.run, one.event.n) for one in Record(folder).events(place)] == [(3, 1), (3, 2)]


def test_where_only_the_beginning_is_the_same_they_go_on_after_that(folder: Path) -> None:
    for run in (2, 3):
        segment_path(folder, run).unlink()
    written(folder, 2, 3, 4, since=UTC + 10**12)
    assert {name: place for name, (place, _) in settled(folder).items()}["mqtt"] == (1, END)


def test_a_file_of_an_older_version_is_held_against_the_newest_number(folder: Path) -> None:
    base = sqlite3.connect(folder / "cursors.sqlite3")
    base.execute("DROP TABLE marks")
    base.close()
    assert settled(folder) == KEPT
    base = sqlite3.connect(folder / "cursors.sqlite3")
    assert [run for (run,) in base.execute("SELECT run FROM marks")] == [3]
    base.execute("DROP TABLE marks")
    base.close()
    segment_path(folder, 3).unlink()
    assert settled(folder) == NONE
