"""Records of several runs: one cannot be read, a trip goes over midnight, a later rig file renames the brake."""

import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import trip_record
from brakewater.engine import Engine
from brakewater.errors import DamagedRecordError
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.record.segment import remove_segment, segment_path
from brakewater.review.alarm_proofs import alarm_proofs
from brakewater.review.proofs import proofs
from brakewater.review.table_file import Cells, Head, writing
from brakewater.review.trips import ledger
from brakewater.rig import parse
from brakewater.stream import Block, Command, Input, Start
from brakewater.units import utc_text
from daemons import here
from record_streams import watched

pytestmark = pytest.mark.integration

MIDNIGHT = 800
"""Input of the trip, of some 1,600, at which another run begins."""
AFTER = 2650
"""Another that is after the trip."""


def _runs(items: Iterator[Input], engine: Engine) -> Iterator[Input]:
    """The same stream, cut into three runs as at midnight: with the engine's state in each Start."""
    start = next(items)
    assert isinstance(start, Start)
    yield start
    run, began = 1, 0
    for item in items:
        first = int(item.input[0]) if isinstance(item, Block) else item.input
        at = (int(item.t_ns[0]), int(item.utc_ns[0])) if isinstance(item, Block) else (item.t_ns, item.utc_ns)
        if first > (MIDNIGHT, AFTER, 10**9)[run - 1]:
            run, began = run + 1, first - 1
            yield replace(start, run=run, t_ns=at[0], utc_ns=at[1], snapshot=engine.state())
        assert isinstance(item, Block | Command)
        yield replace(item, run=run, input=item.input - began)


@pytest.fixture(scope="module")
def one(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return trip_record.write_trip(tmp_path_factory.mktemp("one"))


@pytest.fixture(scope="module")
def whole(one: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    engine = Engine()
    return watched(tmp_path_factory.mktemp("runs") / "record", _runs(Record(one).inputs(block=50), engine), engine)


def damaged(whole: Path, place: Path, run: int) -> Path:
    folder = shutil.copytree(whole, place / "record")
    remove_segment(segment_path(folder, run))
    segment_path(folder, run).write_bytes(b"no record " * 4096)
    return folder


COMMANDS = (
    ("replay",), ("trips",), ("handover",), ("alarms",), ("export", "-o", "FILE.csv"),
    ("export", "-o", "FILE.parquet", "--every", "1min"), ("pack", "-o", "FILE.case.zip"), ("study", "--workers", "1"),
    ("fit",), ("verify",),
)  # fmt: skip


@pytest.mark.parametrize("run", [1, 2, 3])
def test_every_command_names_it_and_ends_with_status_1(whole: Path, tmp_path: Path, run: int) -> None:
    folder = damaged(whole, tmp_path, run)
    for at, (command, *rest) in enumerate(COMMANDS):
        words = [word.replace("FILE", str(tmp_path / f"file-{at}")) for word in rest]
        done = here(command, folder, *words)
        assert done.returncode == 1, (command, done.stderr)
        lacks_rotor = command == "fit" and "lacks" in done.stdout  # told before the record is read to its end
        assert lacks_rotor or f"{run:08d}.sqlite3" in done.stderr + done.stdout, (command, done.stderr)


def test_the_handover_page_names_it_too(whole: Path, tmp_path: Path) -> None:
    folder = damaged(whole, tmp_path, 3)
    assert here("handover", folder, "-o", tmp_path / "tour.html").returncode == 1
    assert "Part of the record cannot be read" in (tmp_path / "tour.html").read_text(encoding="utf-8")


def test_the_report_of_a_whole_trip_is_not_refused_for_another_run(whole: Path, tmp_path: Path) -> None:
    folder = damaged(whole, tmp_path, 3)
    done = here("report", folder, "--trip", "1", "-o", tmp_path / "trip.html")
    assert done.returncode == 1, done.stderr
    assert "00000003.sqlite3" in (tmp_path / "trip.html").read_text(encoding="utf-8")


def test_a_window_that_the_damage_does_not_touch_is_whole(whole: Path, tmp_path: Path) -> None:
    folder = damaged(whole, tmp_path, 3)
    done = here("export", folder, "-o", tmp_path / "trip.csv", "--trip", "1")
    assert (done.returncode, "damaged" in done.stderr) == (0, False), done.stderr


def test_a_trip_over_midnight_is_whole_in_the_handover(whole: Path) -> None:
    (second,) = [span for span in Record(whole).spans() if span.run == 2]
    since = here("handover", whole, "--from", utc_text(second.from_utc_ns + 10 * 10**9))
    alone = here("handover", whole)
    assert since.returncode == 0, since.stderr
    told = [line for line in alone.stdout.splitlines() if "stands" in line]
    assert len(told) == 1
    assert [line for line in since.stdout.splitlines() if "stands" in line] == told


def test_proofs_are_told_without_it_only_to_who_asks_what_was_lost(whole: Path, tmp_path: Path) -> None:
    folder = damaged(whole, tmp_path, 2)
    start = next(Record(folder).inputs())
    assert isinstance(start, Start)
    rig, lost = parse(start.rig_toml, "rig.toml"), list[str]()
    assert {one.status for one in proofs(rig, folder, lost)} == {"never"}
    assert [f"{2:08d}.sqlite3" in says for says in lost] == [True]
    with pytest.raises(DamagedRecordError):
        proofs(rig, folder)
    with pytest.raises(DamagedRecordError):
        alarm_proofs(rig, folder)


@pytest.mark.parametrize("words", [("points", "{rig}", "--proofs", "--record"), ("upkeep", "--csv", "--record")])
def test_what_was_entered_is_told_without_the_damaged_run(whole: Path, tmp_path: Path, words: tuple[str, ...]) -> None:
    folder, rig = damaged(whole, tmp_path, 2), tmp_path / "rig.toml"
    start = next(Record(folder).inputs())
    assert isinstance(start, Start)
    rig.write_text(start.rig_toml, encoding="utf-8")
    done = here(*(word.format(rig=rig) for word in words), folder)
    assert done.returncode == 1, done.stderr
    assert done.stderr.count(f"{2:08d}.sqlite3") == 1
    assert "aux.cooling-lost" in done.stdout or done.stdout.startswith("entry,")
    assert here(*(word.format(rig=rig) for word in words), whole).stderr == ""


def test_trips_of_a_brake_that_a_later_rig_file_renamed_are_told(whole: Path, tmp_path: Path) -> None:
    items = list(Record(whole).inputs(block=50))
    start, last = items[0], items[-1]
    assert isinstance(start, Start)
    assert isinstance(last, Block)
    text = start.rig_toml.replace('name = "aux"', 'name = "main"').replace('"aux.', '"main.')
    later = {"t_ns": int(last.t_ns[-1]) + 10**9, "utc_ns": int(last.utc_ns[-1]) + 10**9}
    begun = replace(start, run=4, rig_toml=text, own=start.own, alarms=None, snapshot=b"", **later)
    shift = begun.t_ns - int(last.t_ns[0])
    scans = replace(
        last, run=4, input=last.input - last.input[0] + 1, t_ns=last.t_ns + shift, utc_ns=last.utc_ns + shift
    )
    with Journal(shutil.copytree(whole, tmp_path / "record")) as journal:
        journal.begin(begun)
        journal.append(scans)
        assert journal.wait_committed(10)
    for command, rest in (("trips", ()), ("study", ("--workers", "1")), ("handover", ())):
        done = here(command, tmp_path / "record", *rest)
        assert done.returncode == 0, done.stderr
        assert "aux" in done.stdout
    assert here("trips", tmp_path / "record").stdout.splitlines()[2] == here("trips", whole).stdout.splitlines()[2]


def test_trips_stand_in_the_order_they_were_made_in_though_the_clock_was_wrong_for_the_later_one(
    tmp_path: Path,
) -> None:
    """What is first and what is last tells whether a brake weakens."""
    record, engine = Record(trip_record.write_trip(tmp_path, said=(), told=trip_record.TWO_TRIPS)), Engine()
    found = ledger(record)
    assert found is not None
    into, out = found.lines
    begins = out.from_input - 150

    def items() -> Iterator[Input]:
        start = None
        for item in record.inputs(block=50):
            start = start or item
            if not isinstance(item, Block) or int(item.input[0]) < begins:
                yield item
                continue
            assert isinstance(start, Start)
            back = item.utc_ns - 10**18  # thirty years
            if start.run == 1:
                at, first = {"t_ns": int(item.t_ns[0]), "utc_ns": int(back[0])}, int(item.input[0]) - 1
                start = replace(start, run=2, snapshot=engine.state(), **at)
                yield start
            yield replace(item, run=2, input=item.input - first, utc_ns=back)

    told = ledger(Record(watched(tmp_path / "back", items(), engine)))
    assert told is not None
    assert [(line.number, line.lowered, line.run) for line in told.lines] == [(1, True, 1), (2, False, 2)]
    assert told.lines[1].from_utc_ns < told.lines[0].from_utc_ns
    assert into.stands == told.lines[0].stands


def test_a_stretch_in_which_a_run_ends_is_one_row(whole: Path, one: Path, tmp_path: Path) -> None:
    made = []
    for place in (one, whole):
        assert here("export", place, "-o", tmp_path / "t.parquet", "--every", "1 min", "--replace").returncode == 0
        made.append(pd.read_parquet(tmp_path / "t.parquet"))
    assert made[1]["utc"].is_unique
    pd.testing.assert_frame_equal(made[1], made[0], rtol=1e-9)


def test_a_count_of_32_bits_is_whole_in_csv(tmp_path: Path) -> None:
    head = [Head(name="strokes", kind="number")]
    with writing(tmp_path / "t.csv", head, {}) as table:
        table.write([Cells(values=np.array([16_777_217.0, 4_294_967_295.0, 61.2 * 6.30902e-5 / 6.30902e-5]))])
    assert (tmp_path / "t.csv").read_text().split() == ["strokes", "16777217", "4294967295", "61.2"]
