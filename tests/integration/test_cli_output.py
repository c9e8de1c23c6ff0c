"""Standard output that takes no more: a reader who has read enough is no error, a full disk is one, said in a line."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from daemons import DEMO

pytestmark = pytest.mark.integration

PARTS = Path(__file__).parents[2] / "deploy" / "parts.py"
# Short ones stay in the buffer until the end, long ones meet the end in the midst of printing.
COMMANDS = (
    ("-m", "brakewater", "points", str(DEMO)),
    ("-m", "brakewater", "map", str(DEMO), "--format", "json"),
    ("-m", "brakewater_sim", "list"),
)


def told(words: tuple[str, ...], stdout: int) -> tuple[int, str]:
    known = {key: value for key, value in os.environ.items() if key != "PYTHONUNBUFFERED"}
    done = subprocess.run(
        [sys.executable, *words], stdout=stdout, stderr=subprocess.PIPE, text=True, env=known, check=False
    )
    return done.returncode, done.stderr


@pytest.fixture
def read_enough() -> int:
    """The writing end of a pipe that nobody reads any more."""
    read, write = os.pipe()
    os.close(read)
    return write


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_a_reader_who_has_read_enough_is_no_error(words: tuple[str, ...], read_enough: int) -> None:
    with open(read_enough, "wb") as pipe:
        assert told(words, pipe.fileno()) == (0, "")


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_a_full_disk_is_said_in_one_line(words: tuple[str, ...]) -> None:
    with Path("/dev/full").open("wb") as full:
        status, says = told(words, full.fileno())
    assert status == 3
    assert says.endswith("No space left on device\n")
    assert len(says.splitlines()) == 1


def test_the_list_of_parts_ends_quietly_as_well(read_enough: int) -> None:
    with open(read_enough, "wb") as pipe:
        assert told((str(PARTS),), pipe.fileno()) == (-13, "")  # by SIGPIPE, as the system's own tools end


PRESSED = """
import os, signal, sys

class Pressed:
    def find_spec(self, name, path=None, target=None):
        if name == "{late}":
            os.kill(os.getpid(), signal.SIGINT)

sys.meta_path.insert(0, Pressed())
from {package}.__main__ import main
sys.exit(main())
"""


@pytest.mark.parametrize(
    ("package", "late"), [("brakewater", "brakewater.cli"), ("brakewater_sim", "brakewater_sim.cli")]
)
def test_ctrl_c_while_the_program_is_still_being_read_is_no_traceback(package: str, late: str) -> None:
    words = ("-c", PRESSED.format(package=package, late=late), "--help")
    assert told(words, subprocess.DEVNULL) == (-signal.SIGINT, "")


def test_a_terminal_that_knows_no_such_letters_gets_all_the_others(tmp_path: Path) -> None:
    rig = tmp_path / "s\u00fcd.toml"
    rig.write_bytes(DEMO.read_bytes())
    words, known = [sys.executable, "-m", "brakewater", "check", str(rig)], {**os.environ, "PYTHONIOENCODING": "ascii"}
    done = subprocess.run(words, capture_output=True, check=False, env=known)
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"/s?d.toml: rig rig-4" in done.stdout


@pytest.mark.parametrize("command", [("run", str(DEMO)), ("status",), ("do", "silence")])
def test_a_record_folder_of_no_name_is_not_the_working_directory(command: tuple[str, ...]) -> None:
    status, says = told(("-m", "brakewater", *command, "--record", ""), subprocess.DEVNULL)
    assert status == 2
    assert "argument --record: found nothing; allowed: the name of a folder" in says
