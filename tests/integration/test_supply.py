"""What is shipped: known parts under licences that fit, and a wheel that comes out the same each time."""

import json
import os
import shutil
import subprocess
import sys
import zipfile
from hashlib import sha256
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
sys.path.insert(0, str(TOP / "deploy"))
import parts  # noqa: E402 - a script of its own

pytestmark = pytest.mark.integration


def test_every_part_has_a_licence_that_fits() -> None:
    said = {name: parts.licence(name) for name in parts.pinned()}
    assert len(said) > 30
    assert {name: text for name, text in said.items() if not parts.fits(text)} == {}


@pytest.mark.parametrize("text", ["GPL-3.0-only", "GNU Affero General Public License v3", "unknown", "Proprietary"])
def test_that_look_can_fail(text: str) -> None:
    assert not parts.fits(text)


def test_the_list_of_parts_is_valid_cyclonedx_and_names_them_all() -> None:
    """By the schema that the standard itself publishes, which the library brings."""
    from cyclonedx.schema import SchemaVersion  # noqa: PLC0415
    from cyclonedx.validation.json import JsonStrictValidator  # noqa: PLC0415

    found = parts.document()
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(json.dumps(found)) is None
    assert {one["name"]: one["version"] for one in found["components"]}.items() >= parts.pinned().items()
    assert all(one.get("hashes") or one.get("externalReferences") for one in found["components"])


def test_the_wheel_comes_out_the_same_each_time(tmp_path: Path) -> None:
    sums = []
    for name, mask in (("one", 0o022), ("two", 0o077)):
        source = tmp_path / name
        listed = subprocess.run(["git", "ls-files", "-z"], cwd=TOP, capture_output=True, text=True, check=True).stdout
        for file in listed.split("\0"):
            if file.startswith(("daemon/", "simulator/", "config/", "LICENSE", "README.md", "pyproject.toml")):
                (source / file).parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(TOP / file, source / file)
        words = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path / f"{name}-made")]
        known = {key: value for key, value in os.environ.items() if key != "SOURCE_DATE_EPOCH"}
        subprocess.run(words, cwd=source, check=True, capture_output=True, env=known, umask=mask)
        (wheel,) = (tmp_path / f"{name}-made").glob("*.whl")
        sums.append(sha256(wheel.read_bytes()).hexdigest())
        names = zipfile.ZipFile(wheel).namelist()
        assert "brakewater/config/demo.toml" in names
        assert not [one for one in names if "/tests/" in one or one.endswith(".pyc")]
    assert sums[0] == sums[1]
