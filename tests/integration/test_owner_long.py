"""A fresh Debian, from the runbook alone: installed, guarded, upgraded, broken, restored; about ten minutes."""

import subprocess
import sys
from pathlib import Path

import pytest

from faults import owner
from faults.fresh_root import lacking

TESTS = Path(__file__).parents[1]
BOOK = (TESTS.parent / "deploy" / "runbook.md").read_text(encoding="utf-8")
NO_ROOM = 3


@pytest.mark.parametrize("typed", [*owner.RESTORE, *owner.FETCH, owner.CHANGE, *owner.RENAME, *owner.UNINSTALL])
def test_what_is_typed_stands_in_the_runbook(typed: str) -> None:
    assert typed in " ".join(BOOK.split())


def test_its_packages_and_install_are_the_runbooks() -> None:
    packages, broker = owner.PACKAGES.split(" mosquitto")
    assert f"{packages} " in BOOK
    assert f"also: mosquitto{broker}" in BOOK
    assert owner.INSTALL.partition(" --wheels")[0] in BOOK
    assert owner.AGAIN.partition(" --wheels")[0] in BOOK
    assert owner.BACKUP in BOOK


@pytest.mark.integration
@pytest.mark.long
@pytest.mark.timeout(0)
@pytest.mark.skipif(bool(lacking()), reason=lacking() or "-")
def test_a_new_owner_gets_there_and_back() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "faults.owner"], cwd=TESTS, capture_output=True, text=True, check=False
    )
    print(done.stdout)
    if done.returncode == NO_ROOM:
        pytest.skip(f"no fresh root here: {done.stderr.strip()}")
    assert done.returncode == 0, done.stdout + done.stderr
