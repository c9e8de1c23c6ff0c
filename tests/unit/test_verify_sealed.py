"""Damage to sealed segments and case files: each kind is found, and named as closely as can be."""

import json
import random
import shutil
import sqlite3
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from brakewater.errors import StorageError
from brakewater.record.anchor import heads_in
from brakewater.record.case import pack
from brakewater.record.case_list import LIST
from brakewater.record.case_places import case_paths
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.record.report import Report
from brakewater.record.sealed.layout import COMMANDS, EVENTS, FILES, MANIFEST, SCANS, START
from brakewater.record.sealed.layout import RIG as RIG_FILE
from brakewater.record.segment import remove_segment, segment_path
from brakewater.record.signing import Signer
from brakewater.record.verify import verify
from brakewater.record.writer import Committed
from day_record import scans
from faults.crash_images import KEY as OURS
from faults.crash_images import pem
from forgery import alter, hashed_anew
from record_streams import block, command, event, gap, read, start
from sealed_parts import RIG, put_in_place, rewritten, summed_anew

KEY = OURS.public_key().public_bytes_raw().hex()


Made = tuple[Path, list[Committed]]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """A signed record of two runs; the first has 300 commits of lone scans, so most hashes are not kept once sealed."""
    folder, told = tmp_path_factory.mktemp("made") / "record", list[Committed]()
    with Journal(folder, signer=Signer(pem(OURS)), on_commit=told.append) as journal:
        journal.begin(start(1))
        journal.append(block(1, 1, 100), (event(1, 7, 1), event(1, 8, 2)))
        assert journal.wait_committed(5)
        for number in range(101, 401):
            journal.append(block(1, number))
            assert journal.wait_committed(5)
        journal.append(command(1, 401), (event(1, 401, 3),))
        assert journal.wait_committed(5)
        journal.append(gap(1, 402, (0, 5, 6)))
        journal.begin(start(2))
        journal.append(block(2, 1, 5))
    return folder, told


@pytest.fixture
def told(made: Made) -> list[Committed]:
    return made[1]


@pytest.fixture
def hot(made: Made, tmp_path: Path) -> Path:
    """A copy of that record."""
    return shutil.copytree(made[0], tmp_path / "record")


def seal(folder: Path) -> Path:
    sealed = put_in_place(folder)
    remove_segment(segment_path(folder, 1))
    return Path(str(sealed.path))


@pytest.fixture(scope="module")
def made_sealed(made: Made, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = shutil.copytree(made[0], tmp_path_factory.mktemp("sealed") / "record")
    seal(folder)
    return folder


@pytest.fixture
def sealed(made_sealed: Path, tmp_path: Path) -> Path:
    """Folder of the sealed first run in a copy of that record."""
    folder = shutil.copytree(made_sealed, tmp_path / "sealed")
    (place,) = folder.glob("segments/*/*/*/*")
    return place


def record_of(sealed: Path) -> Path:
    return sealed.parents[4]


def places(report: Report) -> list[str]:
    return [one.place for one in report.altered]


def test_sealed_is_as_consistent_signed_and_anchored_as_hot(hot: Path, told: list[Committed]) -> None:
    lines = [json.dumps({"run": one.run, "commit": one.commit_no, "hash": one.hash}) for one in told]
    before = verify(hot, keys=[KEY], anchor=heads_in(lines))
    seal(hot)
    after = verify(hot, keys=[KEY], anchor=heads_in(lines))
    assert after == before
    assert (after.verdict, after.altered, after.signed) == ("signed", [], after.head)
    assert after.heads_outside == len(lines)


@pytest.mark.parametrize("name", [MANIFEST, *FILES])
def test_a_flipped_bit_anywhere_is_found(sealed: Path, name: str) -> None:
    whole = (sealed / name).read_bytes()
    chance = random.Random(name)
    for at in chance.sample(range(len(whole)), min(12, len(whole))):
        raw = bytearray(whole)
        raw[at] ^= 1 << chance.randrange(8)
        (sealed / name).write_bytes(raw)
        report = verify(record_of(sealed))
        if name == MANIFEST and report.verdict != "broken":
            assert json.loads(raw) is not None
            left, right = json.loads(raw), json.loads(whole)
            # White space between its words, and what people read beside the numbers that count.
            assert left == right or {k for k in right if left.get(k) != right[k]} <= {"from", "to", "columns"}
            continue
        assert report.verdict == "broken", (name, at)
        assert name == MANIFEST or any(name in one.place for one in report.altered), report.altered


@pytest.mark.parametrize("again", ["", "sums made anew"])
@pytest.mark.parametrize(
    ("change", "found"),
    [
        (lambda table: pa.concat_tables([table.slice(0, 56), table.slice(57)]), ["input 57"]),
        (lambda table: table.set_column(3, table.column_names[3], [_plus(table.column(3), 199)]), ["input 200"]),
        (lambda table: pa.concat_tables([table, table.slice(len(table) - 1)]), []),
        (
            lambda table: pa.concat_tables([table.slice(0, 9), table.slice(10, 1), table.slice(9, 1), table.slice(11)]),
            [],
        ),
    ],
    ids=["deleted", "changed", "doubled", "swapped"],
)
def test_rows_deleted_changed_doubled_and_swapped(
    sealed: Path, again: str, change: Callable[[pa.Table], pa.Table], found: list[str]
) -> None:
    rewritten(sealed / SCANS, change)
    if again:
        summed_anew(sealed)
    report = verify(record_of(sealed), keys=[KEY])
    assert report.verdict == "broken"
    assert set(found) <= set(places(report))
    assert again or SCANS in places(report)
    if again and found:
        # No row is blamed that is as it was.
        assert [place for place in places(report) if place.startswith("input ")] == found


def _plus(column: pa.ChunkedArray, at: int) -> pa.Array:
    values = column.to_pylist()
    values[at] += 1_000_000
    return pa.array(values, column.type)


@pytest.fixture
def named(tmp_path: Path) -> Path:
    """Folder of a sealed run with a rig file that this version takes, in a signed record."""
    folder = tmp_path / "named"
    with Journal(folder, signer=Signer(pem(OURS))) as journal:
        for run in (1, 2):
            journal.begin(start(run, rig_toml=RIG.text, own=RIG.own, snapshot=b""))
            journal.append(scans(RIG, 1, 50, run), (event(run, 7, 1),))
    return seal(folder)


def _manifest_with(place: Path, **changed: Any) -> None:
    doc = json.loads((place / MANIFEST).read_text())
    (place / MANIFEST).write_text(json.dumps({**doc, **changed}))


@pytest.mark.parametrize(
    ("what", "says"),
    [
        ("rig", "says rig 'rig-9', and its start says 'rig-4'"),
        ("version", "says version 'rig-9', and its start says '0.1.0'"),
        ("boot", "says boot 'rig-9', and its start says 'b0'"),
        ("events", "says events 9, and its rows say 1"),
    ],
)
def test_what_a_manifest_says_again_is_held_against_what_is_signed(named: Path, what: str, says: str) -> None:
    assert verify(record_of(named), keys=[KEY]).verdict == "signed"
    _manifest_with(named, **{what: 9 if what == "events" else "rig-9"})
    report = verify(record_of(named), keys=[KEY])
    assert [(one.place, one.says) for one in report.altered] == [(MANIFEST, says)]


@pytest.mark.parametrize("what", ["commit_no", "hash", "run"])
def test_a_manifest_that_ends_elsewhere_than_its_chain_is_found(named: Path, what: str) -> None:
    head = json.loads((named / MANIFEST).read_text())["head"]
    _manifest_with(named, head={**head, what: "0" * 64 if what == "hash" else head[what] + 1})
    assert MANIFEST in places(verify(record_of(named), keys=[KEY]))


def test_a_segment_that_cannot_be_read_hides_no_break_behind_it(named: Path) -> None:
    """Its manifest still says where it ends."""
    (named / SCANS).write_bytes(b"")
    summed_anew(named)
    folder = record_of(named)
    assert {Path(one.file).name for one in verify(folder).altered} == {named.name}
    alter(segment_path(folder, 2), f"UPDATE meta SET value = '{'7' * 64}' WHERE key = 'prev_hash'")
    assert any("not how the run before ends" in one.says for one in verify(folder).altered)


def test_a_rig_file_that_says_other_limits_than_the_watch_had_is_found(named: Path) -> None:
    text = (named / RIG_FILE).read_text()
    (named / RIG_FILE).write_text(text.replace("inlet", "other", 1))
    summed_anew(named)
    report = verify(record_of(named), keys=[KEY])
    assert [(one.place, one.says) for one in report.altered] == [
        (RIG_FILE, "is not the rig file that the watch began with")
    ]


def test_a_rig_file_that_is_gone_is_named_once(named: Path) -> None:
    (named / RIG_FILE).unlink()
    assert places(verify(record_of(named), keys=[KEY])) == [RIG_FILE]


def test_columns_under_each_others_names_are_found(named: Path) -> None:
    other = {"p6": "p7", "p7": "p6"}
    table = pq.read_table(named / SCANS)
    pq.write_table(table.rename_columns([other.get(name, name) for name in table.column_names]), named / SCANS)
    columns = json.loads((named / MANIFEST).read_text())["columns"]
    words = [{**one, "name": other.get(one["name"], one["name"])} for one in columns["words"]]
    _manifest_with(named, columns={**columns, "words": words})
    summed_anew(named)
    report = verify(record_of(named), keys=[KEY])
    assert [(one.place, one.says[:25]) for one in report.altered] == [
        (SCANS, "its column p7 is not that"),
        (SCANS, "its column p6 is not that"),
    ]


def test_two_values_swapped_between_rows_are_both_named(sealed: Path) -> None:
    def swapped(table: pa.Table) -> pa.Table:
        name = table.column_names[-len(range(12)) - 1]
        at = table.column_names.index(name)
        values = table.column(name).to_pylist()
        values[32], values[33] = values[33], values[32]
        return table.set_column(at, table.schema.field(at), pa.array(values, table.schema.field(at).type))

    rewritten(sealed / SCANS, swapped)
    summed_anew(sealed)
    assert [place for place in places(verify(record_of(sealed))) if place.startswith("input")] == [
        "input 33",
        "input 34",
    ]


@pytest.mark.parametrize(
    ("name", "old", "new", "place"),
    [
        (EVENTS, b'"high"', b'"low"', "event 1"),
        (COMMANDS, b"driller", b"pusher ", "input 401"),
        (START, b"Rig 4", b"Rig 5", "input 0"),
    ],
)
def test_a_changed_line_is_named(sealed: Path, name: str, old: bytes, new: bytes, place: str) -> None:
    text = (sealed / name).read_bytes()
    assert old in text
    (sealed / name).write_bytes(text.replace(old, new, 1))
    summed_anew(sealed)
    assert place in places(verify(record_of(sealed)))


def test_a_line_taken_out_is_named(sealed: Path) -> None:
    lines = (sealed / EVENTS).read_bytes().splitlines(keepends=True)
    (sealed / EVENTS).write_bytes(b"".join([lines[0], *lines[2:]]))
    summed_anew(sealed)
    assert verify(record_of(sealed)).verdict == "broken"


@pytest.mark.parametrize("name", [MANIFEST, *(name for name in FILES if name != COMMANDS)])
def test_a_truncated_or_missing_file_is_named(sealed: Path, name: str) -> None:
    whole = (sealed / name).read_bytes()
    (sealed / name).write_bytes(whole[: len(whole) * 2 // 3])
    assert verify(record_of(sealed)).verdict == "broken"
    (sealed / name).unlink()
    report = verify(record_of(sealed))
    assert name in "".join(map(str, report.altered))
    assert all(one.file == str(sealed) for one in report.altered)  # the next run is not blamed for it


def test_a_segment_forged_hashed_anew_and_sealed_again(hot: Path, told: list[Committed]) -> None:
    alter(segment_path(hot, 1), "UPDATE inputs SET utc_ns = utc_ns + 1000000 WHERE input = 150")
    hashed_anew([segment_path(hot, 1), segment_path(hot, 2)])
    for path in (segment_path(hot, 1), segment_path(hot, 2)):
        base = sqlite3.connect(path)
        kept = base.execute("SELECT * FROM signatures").fetchall()
        base.execute("DELETE FROM signatures")
        base.commit()
        base.close()
        assert kept
    seal(hot)
    assert verify(hot).verdict == "consistent"  # all that a chain alone can prove
    assert verify(hot, keys=[KEY]).verdict == "broken"
    lines = [json.dumps({"run": one.run, "commit": one.commit_no, "hash": one.hash}) for one in told if one.durable]
    report = verify(hot, anchor=heads_in(lines))
    assert "the record was changed after run 1 commit 2 and hashed anew" in report.altered[0].says


def test_one_whose_signatures_are_left_is_found_without_a_key(hot: Path) -> None:
    alter(segment_path(hot, 1), "UPDATE inputs SET utc_ns = utc_ns + 1000000 WHERE input = 150")
    hashed_anew([segment_path(hot, 1), segment_path(hot, 2)])
    seal(hot)
    report = verify(hot)
    assert "hashed anew" in report.altered[0].says


# --------------------------------------------------------------- case files


@pytest.fixture
def case(sealed: Path, tmp_path: Path) -> Path:
    file = tmp_path / "x.case.zip"
    pack(Record(record_of(sealed)), file, None, None)
    return file


def test_a_case_holds_what_the_record_holds(hot: Path, case: Path) -> None:
    assert read(case) == read(hot)
    ours, theirs = verify(case, keys=[KEY]), verify(hot, keys=[KEY])
    assert (ours.verdict, ours.inputs, ours.events, ours.head) == ("signed", theirs.inputs, theirs.events, theirs.head)


def test_the_same_window_gives_the_same_bytes_sealed_or_hot(hot: Path, tmp_path: Path) -> None:
    for name in ("a", "b"):
        pack(Record(hot), tmp_path / name, None, None)
    seal(hot)
    pack(Record(hot), tmp_path / "c", None, None)
    pack(Record(tmp_path / "a"), tmp_path / "d", None, None)  # and a case of a case
    assert len({(tmp_path / name).read_bytes() for name in "abcd"}) == 1


def test_any_zip_tool_and_text_editor_opens_it(case: Path, tmp_path: Path) -> None:
    shutil.unpack_archive(case, tmp_path / "out", "zip")
    text = (tmp_path / "out" / "README.txt").read_text()
    assert "run 1: 2031-02-0" in text
    assert "brakewater verify" in text
    assert verify(tmp_path / "out").verdict == "consistent"  # unpacked it is a record folder
    with zipfile.ZipFile(case) as archive:
        assert archive.testzip() is None
        assert {one.compress_type for one in archive.infolist()} == {zipfile.ZIP_STORED}


def test_a_window_takes_the_runs_that_touch_it(hot: Path, tmp_path: Path) -> None:
    spans = Record(hot).spans()
    pack(Record(hot), tmp_path / "x", spans[0].to_utc_ns, spans[0].to_utc_ns)
    assert 1 in Record(tmp_path / "x").runs()
    with pytest.raises(StorageError, match="nothing in this window"):
        pack(Record(hot), tmp_path / "y", spans[-1].to_utc_ns + 10**18, None)
    assert not list(tmp_path.glob("y*"))


def test_heads_from_after_a_case_are_no_fault(hot: Path, told: list[Committed], tmp_path: Path) -> None:
    file = tmp_path / "x.case.zip"
    with zipfile.ZipFile(file, "w"):
        pass
    seal(hot)
    pack(Record(hot), tmp_path / "both", None, None)
    with zipfile.ZipFile(tmp_path / "both") as both, zipfile.ZipFile(file, "w") as one:
        for entry in both.infolist():
            if "/00000002/" not in entry.filename and entry.filename != LIST:
                one.writestr(entry.filename, both.read(entry))
    lines = [json.dumps({"run": one.run, "commit": one.commit_no, "hash": one.hash}) for one in told if one.durable]
    report = verify(file, anchor=heads_in(lines))
    assert (report.verdict, report.heads_elsewhere) == ("anchored", 1)


def test_a_flipped_bit_in_a_case_is_found(case: Path) -> None:
    with zipfile.ZipFile(case) as archive:
        spots = [
            (one.filename, one.header_offset + 30 + len(one.filename) + 20, one.file_size) for one in archive.infolist()
        ]
    whole, chance = case.read_bytes(), random.Random(1)
    for name, begin, size in spots:
        if name.endswith(MANIFEST) or size == 0:
            continue
        raw = bytearray(whole)
        raw[begin + chance.randrange(size)] ^= 1 << chance.randrange(8)
        case.write_bytes(raw)
        assert verify(case).verdict == "broken", name


def test_a_truncated_case_is_told(case: Path) -> None:
    whole = case.read_bytes()
    for share in (0.2, 0.9, 0.999):
        case.write_bytes(whole[: int(len(whole) * share)])
        with pytest.raises(StorageError, match="found no record here"):
            verify(case)


@pytest.mark.parametrize(
    "name", ["../../etc/passwd", "/etc/passwd", "segments/../x", "C:\\x", "a\\b", "./x", "a//b", "x\n"]
)
def test_names_that_lead_out_are_refused(case: Path, name: str) -> None:
    with zipfile.ZipFile(case, "a") as archive:
        archive.writestr(zipfile.ZipInfo(name), "x")
    with pytest.raises(StorageError, match="leads out"):
        Record(case)


def test_what_swells_is_refused(case: Path) -> None:
    with zipfile.ZipFile(case, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("bomb", bytes(10_000_000))
    with pytest.raises(StorageError, match="compressed"):
        Record(case)


def test_entries_that_overlap_are_refused(case: Path) -> None:
    raw = bytearray(case.read_bytes())
    # Points the second entry of the central directory at the first one's bytes.
    first = raw.index(b"PK\x01\x02")
    second = raw.index(b"PK\x01\x02", first + 4)
    raw[second + 42 : second + 46] = struct.pack("<I", 0)
    case.write_bytes(raw)
    with pytest.raises(StorageError, match="lies over"):
        case_paths(case)


def test_a_zip_of_endless_entries_is_refused(case: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with zipfile.ZipFile(case) as archive:
        count = len(archive.namelist())
    monkeypatch.setattr("brakewater.record.case_places.MOST_ENTRIES", count)
    assert case_paths(case)
    monkeypatch.setattr("brakewater.record.case_places.MOST_ENTRIES", count - 1)
    with pytest.raises(StorageError, match=f"found {count} entries; allowed: {count - 1}"):
        case_paths(case)


def test_a_name_twice_is_refused(case: Path) -> None:
    with pytest.warns(UserWarning, match="Duplicate"), zipfile.ZipFile(case, "a") as archive:
        archive.writestr("README.txt", "another")
    with pytest.raises(StorageError, match="twice"):
        Record(case)


def test_a_table_that_swells_is_refused(sealed: Path) -> None:
    names = pq.read_schema(sealed / SCANS)
    rows = (1 << 18) + 1
    table = pa.Table.from_arrays([pa.array([0] * rows).cast(field.type) for field in names], schema=names)
    pq.write_table(table, sealed / SCANS, row_group_size=rows)
    summed_anew(sealed)
    report = verify(record_of(sealed))
    assert "found a row group of 262145 rows" in "".join(map(str, report.altered))


def test_neither_folder_nor_case(tmp_path: Path) -> None:
    (tmp_path / "x").write_text("nothing of the kind")
    with pytest.raises(StorageError, match="allowed: a record folder or a case file"):
        Record(tmp_path / "x")
    with zipfile.ZipFile(tmp_path / "y", "w") as archive:
        archive.writestr("z", "")
    with pytest.raises(StorageError, match="without any segment"):
        Record(tmp_path / "y")
