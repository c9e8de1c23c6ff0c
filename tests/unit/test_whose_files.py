"""What root, the service's user and a member of its group leave in a record folder, and what each is told."""

import json
import os
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from brakewater.errors import StorageError
from brakewater.panel.stations import FILE, invite, pair, station_of
from brakewater.review.export import Exported, Wanted
from brakewater.review.export_log import NAME, note
from brakewater.review.replay import Tally

pytestmark = pytest.mark.skipif(os.getuid() != 0, reason="only root can be other users")

SERVICE, MEMBER = 4711, 4712
"""The service's user and group; a user in that group."""


@pytest.fixture
def folder() -> Iterator[Path]:
    """A record folder as the service has it; not below pytest's own, which others may not enter."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        record = Path(name) / "record"
        record.mkdir(mode=0o750)
        os.chown(record, SERVICE, SERVICE)
        (Path(name) / "taken.csv").write_text("utc\n")
        yield record


def as_user(uid: int, work: Callable[[], object]) -> str:
    """What came of it where that user does it, in the service's group."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.setgroups([])
        os.setgid(SERVICE)
        os.setuid(uid)
        said = "neither done nor refused"
        try:
            said = str(work())
        except StorageError as error:
            said = f"StorageError: {error}"
        finally:  # never back into the tests
            os.write(writing, said.encode())
            os._exit(0)
    os.close(writing)
    os.waitpid(child, 0)
    with os.fdopen(reading) as told:
        return told.read()


def take(folder: Path) -> None:
    note(folder, folder.parent / "taken.csv", Wanted(), Exported(rows=1, tally=Tally()))


def owner(file: Path) -> tuple[int, int]:
    return file.stat().st_uid, file.stat().st_gid


def test_what_root_pairs_the_service_reads_and_keeps(folder: Path) -> None:
    code = invite(folder, "doghouse")
    assert owner(folder / FILE) == (SERVICE, SERVICE)
    assert as_user(SERVICE, lambda: (pair(folder, code) or ("",))[0]) == "doghouse"
    invite(folder, "shaker")  # a second one, by root again
    assert set(json.loads(as_user(SERVICE, (folder / FILE).read_text))) == {"doghouse", "shaker"}


def test_a_member_of_the_group_is_told_what_to_type(folder: Path) -> None:
    invite(folder, "doghouse")
    said = as_user(MEMBER, lambda: invite(folder, "shaker"))
    assert f"type as root: brakewater panel --pair shaker --record {folder}" in said
    assert "shaker" not in (folder / FILE).read_text()


def test_a_file_that_is_roots_is_said_with_what_gives_it_back(folder: Path) -> None:
    invite(folder, "doghouse")
    os.chown(folder / FILE, 0, 0)
    said = as_user(SERVICE, lambda: station_of(folder, "x"))
    assert said.startswith("StorageError: the paired stations: ")  # a page sets its first letter large: no path there
    assert f"type as root: chown --reference={folder} {folder / FILE}" in said


def test_exports_of_root_and_of_the_service_stand_in_one_log(folder: Path) -> None:
    take(folder)
    assert owner(folder / NAME) == (SERVICE, SERVICE)
    assert as_user(SERVICE, lambda: take(folder)) == "None"
    os.chown(folder / NAME, 0, 0)  # by an older version
    take(folder)
    assert as_user(SERVICE, lambda: take(folder)) == "None"
    assert len((folder / NAME).read_text().splitlines()) == 4
    assert "typed as root" in as_user(MEMBER, lambda: take(folder))


def test_a_link_in_its_place_is_not_followed(folder: Path) -> None:
    (folder.parent / "other").touch()
    (folder / NAME).symlink_to(folder.parent / "other")
    with pytest.raises(StorageError, match="cannot be written"):
        take(folder)
    assert owner(folder.parent / "other") == (0, 0)
