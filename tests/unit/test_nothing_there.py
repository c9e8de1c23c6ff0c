"""What commands say of a place without a record, or with one that cannot be read: what is wrong, and no trace."""

import shutil
from pathlib import Path

import pytest

import streams
from brakewater.cli import main
from brakewater.record.places import nothing_at
from brakewater_sim.offline import record
from brakewater_sim.scenarios import SCENARIOS


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kept") / "record"
    record(SCENARIOS["pump-loss"], streams.demo(), folder, seconds=10.0)
    return folder


def test_a_place_without_a_record_is_told_apart(kept: Path, tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    begun = Path(shutil.copytree(kept, tmp_path / "begun"))
    (segment,) = (begun / "hot").glob("*.sqlite3")
    segment.write_bytes(b"")
    assert nothing_at(tmp_path / "gone").endswith("gone: no such file or folder")
    assert "holds hot/*.sqlite3 or segments/" in nothing_at(empty)
    assert "what is in hot/ is empty" in nothing_at(begun)
    assert nothing_at(kept / "hot").endswith(f"give the whole of it: {kept}")


RIG = str(Path(streams.__file__).parents[1] / "config" / "demo.toml")
COMMANDS = {
    "alarms": (), "trips": (), "verify": (), "replay": (), "handover": (), "study": ("--workers", "1"), "fit": (),
    "export": ("-o", "{new}.csv"), "pack": ("-o", "{new}.case.zip"), "report": ("--trip", "1", "-o", "{new}.html"),
}  # fmt: skip


@pytest.mark.parametrize("command", [*COMMANDS, "upkeep"])
@pytest.mark.parametrize("what", ["gone", "one file of it", "cut off"])
def test_it_is_named_in_every_command(
    kept: Path, tmp_path: Path, command: str, what: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A defect would be raised out of the command, and fail here."""
    place = Path(shutil.copytree(kept, tmp_path / "record"))
    (segment,) = (place / "hot").glob("*.sqlite3")
    if what == "cut off":
        with segment.open("r+b") as file:
            file.truncate(20_000)
    asked = {"gone": tmp_path / "gone", "one file of it": segment, "cut off": place}[what]
    if command == "upkeep":
        words = [command, RIG, "--record", str(asked)]
    else:
        words = [command, str(asked), *(word.format(new=tmp_path / "new") for word in COMMANDS[command])]
    status = main(words)
    said = "".join(capsys.readouterr())
    assert status in (1, 3)
    expected = {"gone": "no such file or folder", "one file of it": f"give the whole of it: {place}", "cut off": ""}
    assert expected[what] in said
    assert str(asked) in said or command in ("report", "fit", "export")
    if what == "cut off" and command != "export":
        assert any(word in said for word in ("unreadable", "damaged", "cannot be replayed")), said
