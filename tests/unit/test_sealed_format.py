import json
import zipfile
from pathlib import Path

import numpy as np
import pytest

from brakewater.errors import DamagedRecordError
from brakewater.record.hot import hot_rows
from brakewater.record.reader import Record
from brakewater.record.rows import Widths
from brakewater.record.sealed.columns import WordColumn, columns_from, columns_of
from brakewater.record.sealed.layout import COMMANDS, EVENTS, MANIFEST, SCANS, START
from brakewater.record.sealed.lines import event_body, event_line, row_line, row_of
from brakewater.record.sealed.manifest import file_sum
from brakewater.record.sealed.read import Sealed
from brakewater.record.sealed.steps import StepsSeen
from brakewater.record.segment import reading, remove_segment, segment_path
from record_streams import block, flat, read
from rig_parts import demo_rig
from sealed_parts import put_in_place, two_runs


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    two_runs(tmp_path)
    return tmp_path


def test_a_sealed_segment_gives_back_every_row_bit_for_bit(folder: Path) -> None:
    sealed = put_in_place(folder)
    assert list(sealed.rows()) == list(hot_rows(segment_path(folder, 1)))


def test_hot_and_sealed_read_as_one(folder: Path) -> None:
    before, spans, head = read(folder), Record(folder).spans(), Record(folder).head()
    sealed = put_in_place(folder)
    assert read(folder) == before  # in both places: told once
    remove_segment(segment_path(folder, 1))
    record = Record(folder)
    assert read(folder) == before
    assert (record.runs(), record.head(), record.newest()) == ([1, 2], head, ((2, 5), 1_000_000_000))
    assert [(one.run, one.last_input, one.sealed) for one in record.spans()] == [(1, 343, True), (2, 5, False)]
    assert [one.from_utc_ns for one in record.spans()] == [one.from_utc_ns for one in spans]
    assert record.spans()[0].path == sealed.path


@pytest.mark.parametrize("after", [-1, 0, 7, 300, 301, 302, 303, 342, 343])
@pytest.mark.parametrize("most", [1, 7, 8192])
def test_reading_goes_on_after_any_input_in_blocks_of_any_size(folder: Path, after: int, most: int) -> None:
    hot = flat(Record(folder).inputs(after=(1, after), to_run=1))
    put_in_place(folder)
    remove_segment(segment_path(folder, 1))
    assert flat(Record(folder).inputs(after=(1, after), to_run=1, block=most)) == hot


def test_a_reader_at_work_goes_on_when_the_hot_file_is_sealed_away(folder: Path) -> None:
    whole = flat(Record(folder).inputs())
    reader = Record(folder).inputs(block=10)
    first = [next(reader), next(reader)]
    put_in_place(folder)
    remove_segment(segment_path(folder, 1))
    assert flat([*first, *reader]) == whole


def test_starts_and_commands_come_without_the_scans(folder: Path) -> None:
    hot = Record(folder).others(1)
    put_in_place(folder)
    remove_segment(segment_path(folder, 1))
    assert Record(folder).others(1) == hot
    assert [one.input for one in hot] == [0, 301, 302, 343]


def test_commits_and_events_are_the_journals(folder: Path) -> None:
    with reading(segment_path(folder, 1)) as base:
        commits = base.execute("SELECT commit_no, first_input, last_input, first_event, last_event FROM commits")
        recorded = commits.fetchall()
        events = base.execute("SELECT n, body FROM events ORDER BY n").fetchall()
    sealed = put_in_place(folder)
    found = list(sealed.commits())
    assert [(c.commit_no, c.first_input, c.last_input, c.first_event, c.last_event) for c in found] == recorded
    assert found[-1].hash == sealed.manifest.head.hash
    assert [len(c.sums) for c in found] == [
        last - first + 1 + ((b or 0) - (a or 1) + 1 if a else 0) for _, first, last, a, b in recorded
    ]
    assert [(n, body) for n, body, _ in sealed.events()] == events


def test_it_reads_from_a_zip_as_well(folder: Path, tmp_path: Path) -> None:
    sealed = put_in_place(folder)
    with zipfile.ZipFile(tmp_path / "case.zip", "w") as case:
        for file in Path(str(sealed.path)).iterdir():
            case.write(file, f"segments/1/{file.name}")
    assert list(Sealed(zipfile.Path(tmp_path / "case.zip", "segments/1/")).rows()) == list(sealed.rows())


def test_the_manifest_names_every_file_with_its_checksum(folder: Path) -> None:
    sealed = put_in_place(folder)
    place = Path(str(sealed.path))
    assert {one.name for one in place.iterdir()} == {MANIFEST, *sealed.manifest.files}
    assert all(file_sum(place / name) == known for name, known in sealed.manifest.files.items())
    assert json.loads((place / MANIFEST).read_text())["inputs"] == 344


@pytest.mark.parametrize("name", [SCANS, COMMANDS, START, EVENTS, MANIFEST])
@pytest.mark.parametrize("harm", ["cut", "gone"])
def test_damage_is_told_with_its_file(folder: Path, name: str, harm: str) -> None:
    file = Path(str(put_in_place(folder).path)) / name
    remove_segment(segment_path(folder, 1))
    if harm == "gone":
        file.unlink()
    else:
        file.write_bytes(file.read_bytes()[:-40])
    with pytest.raises(DamagedRecordError, match=name if harm == "gone" or name != EVENTS else "events"):
        read(folder)


def test_a_flipped_bit_in_a_column_is_damage(folder: Path) -> None:
    file = Path(str(put_in_place(folder).path)) / SCANS
    remove_segment(segment_path(folder, 1))
    raw = bytearray(file.read_bytes())
    raw[len(raw) // 3] ^= 4
    file.write_bytes(raw)
    with pytest.raises(DamagedRecordError, match=SCANS):
        read(folder)


@pytest.mark.parametrize("kind", ["uint16", "int16", "uint32", "int32", "float32", "float64"])
@pytest.mark.parametrize("words_high_first", [True, False])
@pytest.mark.parametrize("bytes_high_first", [True, False])
def test_any_word_comes_back_from_its_number(kind: str, *, words_high_first: bool, bytes_high_first: bool) -> None:
    column = WordColumn(
        name="x", first=1, kind=kind, words_high_first=words_high_first, bytes_high_first=bytes_high_first, about={}
    )
    words = np.random.default_rng(1).integers(0, 65536, (500, 1 + column.count)).astype(np.uint16)
    words[:4, 1:] = [[0x7F80 + n % 2, 0x7FA0, 0xFF80, 1][: column.count] for n in range(4)]  # NaNs that signal
    back = np.zeros_like(words)
    back[:, 0] = words[:, 0]
    column.put(column.numbers(words), back)
    assert np.array_equal(back, words)


def test_a_number_reads_as_the_register_means_it() -> None:
    # 123456.0 = 0x47F12000; word and byte orders as libmodbus' unit-test.h gives them.
    for orders, wire in {
        (True, True): (0x47F1, 0x2000),
        (False, True): (0x2000, 0x47F1),
        (True, False): (0xF147, 0x0020),
        (False, False): (0x0020, 0xF147),
    }.items():
        column = WordColumn(
            name="x", first=0, kind="float32", words_high_first=orders[0], bytes_high_first=orders[1], about={}
        )
        assert column.numbers(np.array([wire], np.uint16)).tolist() == [123456.0]


def test_columns_carry_the_rigs_names_or_numbers_where_they_do_not_fit() -> None:
    rig = demo_rig()
    widths = Widths(words=rig.words, points=len(rig.points), devices=len(rig.groups))
    named = columns_of(rig, widths)
    assert [one.name for one in named.words] == [point.name for point in rig.points]
    assert columns_from(json.loads(json.dumps(named.document()))) == named
    other = columns_of(rig, Widths(words=3, points=2, devices=1))
    assert [one.name for one in other.words] == ["word-0", "word-1", "word-2"]
    assert other.widths == Widths(words=3, points=2, devices=1)


def test_lines_hold_the_bytes_that_were_hashed() -> None:
    row = (7, "command", -5, 2**62, b'{"args":{"text":",\\"input\\":3}"},"id":"c"}')
    assert row_of(row_line(row)) == row
    assert json.loads(row_line(row))["body"]["id"] == "c"
    body = '{"alarm":"x","why":"Wasser läuft"}'.encode()
    assert event_body(event_line(1, body, "ab" * 32)) == (body, "ab" * 32)
    with pytest.raises(ValueError, match="input 7"):
        row_line((7, "command", 0, 0, b"{}\n{}"))


def test_times_take_the_coarsest_step_that_holds_them() -> None:
    seen = StepsSeen()
    one = block(1, 1, 20)
    seen.see(one)
    assert (seen.steps().wall_ns, seen.steps().offset_ns, seen.steps().age_ns) == (1, 1_000_000, 1)
