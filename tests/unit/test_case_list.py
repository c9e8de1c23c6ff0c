"""The list in a case file: what could not be packed is named, what was cut off or added shows, who signed too.

The signature (RFC 8032) is checked by OpenSSL's library, through ``cryptography``, from the line written down anew.
"""

import hashlib
import json
import shutil
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from brakewater.errors import StorageError
from brakewater.record.case import pack
from brakewater.record.case_list import LIST, SIGNATURE
from brakewater.record.holds import Hold, add_hold
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.record.sealed.layout import sealed_paths
from brakewater.record.sealing.due import seal_due
from brakewater.record.sealing.trim import Limits, trim
from brakewater.record.segment import segment_path
from brakewater.record.signing import Signer
from brakewater.record.verify import verify
from faults.crash_images import KEY, pem
from record_streams import TICK_NS, UTC, block, start

SIGNER = Signer(pem(KEY))


@pytest.fixture
def record(tmp_path: Path) -> Path:
    """Three runs, each of ten scans, an hour apart."""
    folder = tmp_path / "record"
    with Journal(folder) as journal:
        for run in (1, 2, 3):
            later, scans = run * 3600 * 10**9, block(run, 1, 10)
            journal.begin(start(run, utc_ns=UTC + later))
            journal.append(replace(scans, utc_ns=scans.utc_ns + later))
            assert journal.wait_committed(5)
    return folder


def changed(case: Path, to: Path, change: Callable[[str, bytes], bytes | None]) -> Path:
    """A copy with each file changed; None leaves it out."""
    with zipfile.ZipFile(case) as source, zipfile.ZipFile(to, "w") as target:
        for entry in source.infolist():
            text = change(entry.filename, source.read(entry))
            if text is not None:
                target.writestr(entry.filename, text)
    return to


def test_what_retention_deleted_between_its_runs_is_no_break_in_a_case_file(tmp_path: Path) -> None:
    folder, day = tmp_path / "record", 86_400_000_000_000
    with Journal(folder) as journal:
        for run in range(1, 7):
            scans = block(run, 1, 10)
            journal.begin(start(run, utc_ns=UTC + run * day))
            journal.append(replace(scans, utc_ns=scans.utc_ns + run * day))
    seal_due(folder)
    add_hold(folder, Hold(id="h1", from_utc_ns=UTC + 2 * day, to_utc_ns=UTC + 2 * day, actor="x", reason="y"))
    trim(folder, Limits(age_ns=day), now_utc_ns=UTC + 6 * day)
    assert verify(folder).trimmed == [1, 3]
    case, again = tmp_path / "x.case.zip", tmp_path / "y.case.zip"
    pack(Record(folder), case, None, None, signer=SIGNER)
    pack(Record(case), again, None, None, signer=SIGNER)
    for one in (case, again):
        report = verify(one, keys=[SIGNER.key])
        assert [one.says for one in report.altered if "trusted key" not in one.says] == []
        assert report.trimmed == [3]
        with zipfile.ZipFile(one) as archive:
            assert b"Deleted by the record's own retention before it was packed: run 3" in archive.read("README.txt")
    assert "run 3 is missing" in says(changed(case, tmp_path / "z.zip", _untold))


@pytest.mark.parametrize("days", [1 - UTC // 86_400_000_000_000, 5, 900, 24_000])
def test_a_run_of_a_wrong_clock_in_a_window_is_packed_with_those_about_it(tmp_path: Path, days: int) -> None:
    """Behind or ahead: without it the whole record would look altered."""
    folder, day = tmp_path / "record", 86_400_000_000_000
    with Journal(folder) as journal:
        for run, at in ((1, UTC), (2, UTC + day), (3, UTC + days * day), (4, UTC + 2 * day), (5, UTC + 9 * day)):
            scans = block(run, 1, 10)
            journal.begin(start(run, utc_ns=at))
            journal.append(replace(scans, utc_ns=scans.utc_ns + at - UTC))
    pack(Record(folder), tmp_path / "x.case.zip", UTC + day, UTC + 3 * day)
    assert Record(tmp_path / "x.case.zip").runs() == [2, 3, 4]
    assert verify(tmp_path / "x.case.zip").verdict == "consistent"


def _untold(name: str, text: bytes) -> bytes:
    if name != LIST:
        return text
    doc = json.loads(text)
    del doc["trimmed"]
    return json.dumps(doc).encode()


def signed(record: Path) -> Path:
    file = record.parent / "x.case.zip"
    pack(Record(record), file, None, None, signer=SIGNER)
    return file


def says(case: Path) -> str:
    return "\n".join(map(str, verify(case).altered))


def spoil(record: Path, run: int) -> None:
    segment_path(record, run).write_bytes(b"not a database, as a dying disk gives it" * 100)


def test_what_cannot_be_read_is_named_everywhere(record: Path, tmp_path: Path) -> None:
    spoil(record, 2)
    packed = pack(Record(record), tmp_path / "x", None, None)
    assert packed.runs == 2
    (lost,) = packed.left_out
    assert lost.run == 2
    assert "00000002.sqlite3" in lost.why
    with zipfile.ZipFile(tmp_path / "x") as archive:
        readme = archive.read("README.txt").decode()
    assert "NOT in it" in readme
    assert f"run 2: {lost.why}" in readme
    assert verify(tmp_path / "x").left_out == [(2, lost.why)]
    again = pack(Record(tmp_path / "x"), tmp_path / "y", None, None)
    assert again.left_out == packed.left_out  # a case of a case lacks it still


def test_a_window_that_the_unreadable_run_cannot_touch_does_not_name_it(record: Path, tmp_path: Path) -> None:
    spoil(record, 2)
    first, third = Record(record).spans()
    assert pack(Record(record), tmp_path / "a", None, first.to_utc_ns - TICK_NS).left_out == ()
    assert pack(Record(record), tmp_path / "b", third.from_utc_ns + TICK_NS, None).left_out == ()
    assert len(pack(Record(record), tmp_path / "c", first.to_utc_ns, third.from_utc_ns).left_out) == 1


def test_nothing_that_can_be_read_is_no_case(record: Path, tmp_path: Path) -> None:
    for run in (1, 2, 3):
        spoil(record, run)
    with pytest.raises(StorageError, match=r"run 1: .*00000001"):
        pack(Record(record), tmp_path / "x", None, None)
    assert not list(tmp_path.glob("x*"))


def test_the_signature_is_ordinary(record: Path) -> None:
    case = signed(record)
    with zipfile.ZipFile(case) as archive:
        listed, doc = archive.read(LIST), json.loads(archive.read(SIGNATURE))
    line = f"brakewater case file, SHA-256 of case.json {hashlib.sha256(listed).hexdigest()}\n".encode()
    Ed25519PublicKey.from_public_bytes(bytes.fromhex(doc["key"])).verify(bytes.fromhex(doc["signature"]), line)
    report = verify(case)
    assert (report.verdict, report.listed_by) == ("consistent", SIGNER.key)


def test_runs_cut_off_at_either_end_show(record: Path, tmp_path: Path) -> None:
    case = signed(record)
    for run in (1, 3):
        cut = changed(case, tmp_path / f"{run}", lambda name, text, at=f"/{run:08d}/": None if at in name else text)
        assert f"run {run}: is missing, though case.json names it" in says(cut)


def test_a_run_added_shows(record: Path, tmp_path: Path) -> None:
    first = Record(record).spans()[0]
    pack(Record(record), tmp_path / "one", None, first.to_utc_ns, signer=SIGNER)
    with zipfile.ZipFile(signed(record)) as three, zipfile.ZipFile(tmp_path / "one", "a") as one:
        for name in three.namelist():
            if "/00000002/" in name:
                one.writestr(name, three.read(name))
    assert "run 2: was added: case.json does not name it" in says(tmp_path / "one")


@pytest.mark.parametrize("name", [
    "segments/2031/02/04/00000001/events2.jsonl", "segments/2031/02/04/00000009/scans.parquet", "conclusion.txt",
    "segments/2001/01/01/00000001/scans.parquet", "segments/2099/01/01/00000001/scans.parquet",
])  # fmt: skip
@pytest.mark.parametrize("listed", [True, False])
def test_a_file_that_no_chain_shows_is_named_as_other_tools_read_it(
    record: Path, tmp_path: Path, name: str, *, listed: bool
) -> None:
    lists = () if listed else (LIST, SIGNATURE)
    case = changed(signed(record), tmp_path / "x", lambda one, text: None if one in lists else text)
    assert verify(case).verdict == "consistent"
    with zipfile.ZipFile(case, "a") as archive:
        archive.writestr("segments/2031/", b"")  # a folder, as other tools put it down
        archive.writestr(name, b"it was the driller")
    (one,) = verify(case).altered
    assert (one.place, one.says[:23]) == (name, "nothing vouches for it:")


@pytest.mark.parametrize("day", ["2001/01/01", "2099/01/01"])
@pytest.mark.parametrize("packed", [True, False])
def test_a_run_that_is_there_twice_is_named(record: Path, tmp_path: Path, day: str, *, packed: bool) -> None:
    """Whichever of them counts here, other tools read both."""
    if not packed:
        assert seal_due(record) == []
        assert verify(record).verdict == "consistent"
        place = sealed_paths(record)[1]
        shutil.copytree(place, record / "segments" / day / place.name)
        (one,) = verify(record).altered
        assert one.says.startswith("run 1 once more")
        return
    with zipfile.ZipFile(signed(record)) as source:
        own = {name: source.read(name) for name in source.namelist() if "/00000001/" in name}
    case = changed(signed(record), tmp_path / "x", lambda _, text: text)
    with zipfile.ZipFile(case, "a") as archive:
        for name, text in own.items():
            archive.writestr(f"segments/{day}/{name.split('/', 4)[4]}", text)
    found = verify(case).altered
    assert len(found) == len(own)
    assert all(one.says.startswith("nothing vouches for it") for one in found)


@pytest.mark.parametrize(
    ("file", "found"),
    [
        ("README.txt", "README.txt: is not the one that was packed"),
        (LIST, f"{SIGNATURE}: does not fit {LIST}"),
        (SIGNATURE, f"{SIGNATURE}: does not fit {LIST}"),
    ],
)
def test_a_changed_file_shows(record: Path, tmp_path: Path, file: str, found: str) -> None:
    def change(name: str, text: bytes) -> bytes:
        if name != file:
            return text
        return text.replace(b"  ", b" \t", 1) if name == "README.txt" else _other_digit(text)

    assert found in says(changed(signed(record), tmp_path / "changed", change))


def _other_digit(text: bytes) -> bytes:
    """One hex digit of the last hash or signature changed."""
    at = text.rindex(b'"') - 1
    return text[:at] + (b"0" if text[at : at + 1] != b"0" else b"1") + text[at + 1 :]


def test_a_manifest_that_says_another_day_to_people_is_not_the_one_that_was_packed(
    record: Path, tmp_path: Path
) -> None:
    """No chain covers that line, and nothing is read from it."""

    def change(name: str, text: bytes) -> bytes:
        return text.replace(b'"from": "2031', b'"from": "2032', 1) if "/00000002/manifest" in name else text

    assert "run 2: its manifest.json is not the one that was packed" in says(
        changed(signed(record), tmp_path / "x", change)
    )


def test_a_spoilt_readme_is_named_though_no_list_vouches_for_it(record: Path, tmp_path: Path) -> None:
    case = changed(signed(record), tmp_path / "x", lambda name, text: None if name in (LIST, SIGNATURE) else text)
    raw = bytearray(case.read_bytes())
    raw[raw.index(b"brakewater", raw.index(b"README.txt"))] ^= 1
    case.write_bytes(raw)
    (one,) = verify(case).altered
    assert one.place == "README.txt"
    assert one.says.startswith("cannot be read")


def test_a_list_taken_away_shows_by_its_signature(record: Path, tmp_path: Path) -> None:
    found = says(changed(signed(record), tmp_path / "x", lambda name, text: None if name == LIST else text))
    assert f"{LIST}: is missing; {SIGNATURE} is there" in found


@pytest.mark.parametrize("text", [b"", b"[]", b'{"schema": 2}', b'{"schema": 1, "runs": 7}', b"\xff"])
def test_a_list_that_is_none_is_named(record: Path, tmp_path: Path, text: bytes) -> None:
    case = changed(signed(record), tmp_path / "x", lambda name, old: text if name == LIST else old)
    assert f"{LIST}: cannot be read" in says(case)


def test_a_case_of_before_there_were_lists_is_none_the_worse(record: Path, tmp_path: Path) -> None:
    old = changed(signed(record), tmp_path / "x", lambda name, text: None if name in (LIST, SIGNATURE) else text)
    report = verify(old)
    assert (report.verdict, report.listed) == ("consistent", False)


def test_a_case_that_a_disk_has_spoilt_is_packed_without_the_spoilt_run(record: Path, tmp_path: Path) -> None:
    case = signed(record)
    with zipfile.ZipFile(case) as archive:
        (entry,) = [one for one in archive.infolist() if one.filename.endswith("/00000002/scans.parquet")]
    text = bytearray(case.read_bytes())
    text[entry.header_offset + 200] ^= 1
    case.write_bytes(text)
    packed = pack(Record(case), tmp_path / "y", None, None)
    assert [one.run for one in packed.left_out] == [2]
    assert "scans.parquet: cannot be read" in packed.left_out[0].why
    assert verify(tmp_path / "y").left_out[0][0] == 2


def test_a_sealed_run_that_lacks_a_file_is_left_out(record: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(signed(record)) as archive:
        archive.extractall(tmp_path / "folder")
    (gone,) = (tmp_path / "folder").glob("segments/*/*/*/00000003/events.jsonl")
    gone.unlink()
    packed = pack(Record(tmp_path / "folder"), tmp_path / "y", None, None)
    assert [str(one) for one in packed.left_out] == [f"run 3: {gone}: is missing"]


@pytest.mark.parametrize("flag", [0x1, 0x20, 0x40])
def test_a_file_that_its_zip_calls_encrypted_or_patched_is_refused(record: Path, flag: int) -> None:
    """One bit of the directory at the zip's end, for each file in turn; no reader of zips opens such a file."""
    case = signed(record)
    whole, at = case.read_bytes(), -1
    while (at := whole.find(b"PK\1\2", at + 1)) >= 0:
        case.write_bytes(whole[: at + 8] + bytes((whole[at + 8] | flag,)) + whole[at + 9 :])
        for look in (Record, verify):
            with pytest.raises(StorageError, match="encrypted or patched"):
                look(case)


def test_a_file_that_by_its_own_head_ends_beyond_the_zip_is_refused(record: Path) -> None:
    """The head's length of what follows the name is its last two bytes; the directory at the end says another."""
    case = signed(record)
    whole = case.read_bytes()
    with zipfile.ZipFile(case) as archive:
        heads = [entry.header_offset for entry in archive.infolist()]
    for at in heads:
        case.write_bytes(whole[: at + 28] + b"\xff\xff" + whole[at + 30 :])
        for look in (Record, verify):
            with pytest.raises(StorageError, match="beyond the end"):
                look(case)
