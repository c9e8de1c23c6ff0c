"""A file appears whole or not at all; what syncing is worth after a power cut, the crash images show."""

import os
import stat
from pathlib import Path

import pytest

from brakewater.record.durable import PRIVATE, appearing


def test_it_is_there_when_all_went_well(tmp_path: Path) -> None:
    file = tmp_path / "a.txt"
    with appearing(file) as part:
        part.write_text("new")
        assert not file.exists()
    assert file.read_text() == "new"
    assert list(tmp_path.iterdir()) == [file]


def test_a_failure_leaves_what_was_there(tmp_path: Path) -> None:
    file = tmp_path / "a.txt"
    file.write_text("old")

    def write() -> None:
        with appearing(file) as part:
            part.write_text("half")
            raise ValueError("in the middle")

    with pytest.raises(ValueError, match="in the middle"):
        write()
    assert file.read_text() == "old"
    assert list(tmp_path.iterdir()) == [file]


def test_what_a_crash_left_is_no_obstacle_and_lends_no_permissions(tmp_path: Path) -> None:
    file, left = tmp_path / "a.txt", tmp_path / "a.txt.part"
    left.write_text("half")
    left.chmod(0o644)
    with appearing(file, mode=PRIVATE) as part:
        assert part.read_text() == ""
    assert stat.S_IMODE(file.stat().st_mode) == PRIVATE


def test_no_folder_no_file(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError), appearing(tmp_path / "none" / "a.txt"):
        pass


@pytest.mark.skipif(os.getuid() != 0, reason="only root gives files away")
@pytest.mark.parametrize(("as_folder", "owner"), [(True, (4711, 4712)), (False, (0, 0))])
def test_what_root_leaves_in_a_folder_may_belong_to_whom_the_folder_belongs(
    tmp_path: Path, *, as_folder: bool, owner: tuple[int, int]
) -> None:
    os.chown(tmp_path, 4711, 4712)
    file = tmp_path / "a.txt"
    file.write_text("root's own, of before")
    with appearing(file, mode=PRIVATE, as_folder=as_folder) as part:
        part.write_text("new")
    told = file.stat()
    assert ((told.st_uid, told.st_gid), stat.S_IMODE(told.st_mode)) == (owner, PRIVATE)
