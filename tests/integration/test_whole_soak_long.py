"""A whole watch under faults on every side at once; BRAKEWATER_WHOLE_SECONDS makes it longer (a day: 86400).

In less than twelve minutes no life of the watch is long enough to say whether memory and descriptors stay flat.
"""

import os
import secrets
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = [pytest.mark.integration, pytest.mark.long, pytest.mark.timeout(0)]
TESTS = Path(__file__).parents[1]


@pytest.mark.skipif(os.getuid() != 0, reason="a disk that is filled to the last byte is mounted, which needs root")
def test_what_must_hold_holds_while_everything_around_fails() -> None:
    seconds, seed = os.environ.get("BRAKEWATER_WHOLE_SECONDS", "720"), str(secrets.randbelow(1_000_000))
    words = [sys.executable, "-m", "faults.whole", "--seconds", seconds, "--seed", seed]
    done = subprocess.run(words, cwd=TESTS, capture_output=True, text=True, check=False)
    print(done.stdout)
    assert done.returncode == 0, f"seed {seed}\n{done.stdout}{done.stderr}"
