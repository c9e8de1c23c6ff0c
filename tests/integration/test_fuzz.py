"""What strangers send: a short look each time, a long one with the long tests, which prints its table.

The long one draws its seed: the same inputs each time would find nothing more. A failure names it.
"""

import re
import secrets
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.integration

TESTS = Path(__file__).parents[1]


@pytest.mark.parametrize(
    ("seconds", "seed"), [(2, 1), pytest.param(240, None, marks=pytest.mark.long)], ids=["short", "long"]
)
def test_nothing_a_stranger_sends_gets_beyond_a_refusal(seconds: int, seed: int | None) -> None:
    seed = secrets.randbelow(1_000_000) if seed is None else seed
    words = [sys.executable, "-m", "faults.fuzz", "--seconds", str(seconds), "--seed", str(seed)]
    done = subprocess.run(words, cwd=TESTS, capture_output=True, text=True, check=False)
    print(f"seed {seed}\n{done.stdout}")
    assert done.returncode == 0, f"seed {seed}\n{done.stdout}{done.stderr}"
    rows = re.findall(r"^(\S+)\s+([\d,]+)\s+([\d,]+)\s", done.stdout, re.MULTILINE)
    found = {part: (int(inputs.replace(",", "")), int(taken.replace(",", ""))) for part, inputs, taken in rows}
    assert found.keys() >= {"outstation", "mqtt", "panel", "rig-file", "case-file"}
    if seconds > 60:  # chance lets some in: what refuses everything is not looked into
        assert all(taken > 0 for _, taken in found.values()), done.stdout


BROKEN = """
import sys
from faults import fuzz

def raises(chance):
    def one():
        raise IndexError("beyond the end")
    yield one

def never_ends(chance):
    def one():
        while True:
            pass
    yield one

fuzz.PARTS = {"raises": raises, "never-ends": never_ends}
fuzz.STUCK_S = 1.0
sys.exit(fuzz.main())
"""


def test_what_broke_is_told_with_its_place_though_a_later_part_never_ends() -> None:
    words = [sys.executable, "-c", BROKEN, "--seconds", "30", "--seed", "5"]
    done = subprocess.run(words, cwd=TESTS, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 1
    assert re.search(r"^raises .* 21$", done.stdout, re.MULTILINE), done.stdout
    assert "raises, input 0, seed 5: IndexError('beyond the end'), <string>:7 one < fuzz.py:" in done.stdout
    assert re.search(r'"<string>", line 1[23] in one', done.stderr), done.stderr
