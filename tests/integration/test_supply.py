"""What is shipped: known parts under licences that fit; wheel and sdist that come out the same each time and run."""

import json
import os
import shutil
import subprocess
import sys
import sysconfig
import tarfile
import tomllib
import zipfile
from hashlib import sha256
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
sys.path.insert(0, str(TOP / "deploy"))
import audit  # noqa: E402 - a script of its own
import parts  # noqa: E402 - the same

pytestmark = pytest.mark.integration


def test_every_part_has_a_licence_that_fits() -> None:
    said = {name: parts.licence(name) for name in parts.pinned()}
    assert len(said) > 30
    assert {name: text for name, text in said.items() if not parts.fits(text)} == {}


@pytest.mark.parametrize("text", ["GPL-3.0-only", "GNU Affero General Public License v3", "unknown", "Proprietary"])
def test_that_look_can_fail(text: str) -> None:
    assert not parts.fits(text)


@pytest.fixture(scope="module")
def document() -> str:
    return parts.text()


def test_the_list_of_parts_is_valid_cyclonedx_and_names_them_all(document: str) -> None:
    """By the schema that the standard itself publishes, which the library brings."""
    from cyclonedx.schema import SchemaVersion  # noqa: PLC0415
    from cyclonedx.validation.json import JsonStrictValidator  # noqa: PLC0415

    found = json.loads(document)
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(document) is None
    assert {one["name"]: one["version"] for one in found["components"]}.items() >= parts.pinned().items()
    assert all(one.get("hashes") or one.get("externalReferences") for one in found["components"])


def test_the_kept_lists_are_those_of_the_lock_file(document: str) -> None:
    """To renew them: python deploy/parts.py --write."""
    assert parts.LIST.read_text(encoding="utf-8") == parts.listed(), "run: python deploy/parts.py --write"
    assert parts.DOCUMENT.read_text(encoding="utf-8") == document, "run: python deploy/parts.py --write"


def test_that_comparison_can_fail(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lock = (TOP / "runtime.lock").read_text()
    (tmp_path / "runtime.lock").write_text(lock.replace("paho-mqtt==", "paho-mqtt==9."))
    monkeypatch.setattr(parts, "TOP", tmp_path)
    assert parts.LIST.read_text(encoding="utf-8") != parts.listed()


def test_an_audit_without_a_network_is_none_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(audit, "HOME", tmp_path / "audit")
    for key, value in {"PIP_NO_INDEX": "1", "PIP_FIND_LINKS": str(tmp_path), "PIP_CONFIG_FILE": os.devnull}.items():
        monkeypatch.setenv(key, value)
    with pytest.raises(SystemExit) as ended:
        audit.main()
    assert ended.value.code == audit.NOT_ASKED
    assert "NOT AUDITED" in capfd.readouterr().err


def _tree(to: Path) -> Path:
    """What is under version control, and a stand-in for the charts that `deploy/charts.py` fetches beside it."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=TOP, capture_output=True, text=True, check=True).stdout
    for file in listed.split("\0"):
        if (TOP / file).is_file() and not file.startswith(("tests/records", "tests/results")):
            (to / file).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(TOP / file, to / file)
    charts = to / "daemon/brakewater/panel/static/vendor/charts.js"
    charts.parent.mkdir(exist_ok=True)
    charts.write_text("// fetched")
    return to


def _ran(*words: str | Path, cwd: Path, mask: int = 0o022) -> str:
    known = {key: value for key, value in os.environ.items() if key not in {"SOURCE_DATE_EPOCH", "PYTHONPATH"}}
    done = subprocess.run(
        [*map(str, words)], cwd=cwd, capture_output=True, text=True, env=known, umask=mask, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def _made(source: Path, kind: str, to: Path, mask: int = 0o022) -> Path:
    _ran(sys.executable, "-m", "hatchling", "build", "-t", kind, "-d", to, cwd=source, mask=mask)
    (made,) = to.iterdir()
    return made


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _tree(tmp_path_factory.mktemp("source"))


@pytest.fixture(scope="module")
def sdist(source: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _made(source, "sdist", tmp_path_factory.mktemp("sdist"))


@pytest.fixture(scope="module")
def wheel(source: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _made(source, "wheel", tmp_path_factory.mktemp("wheel"))


@pytest.fixture(scope="module")
def unpacked(sdist: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("unpacked")
    with tarfile.open(sdist) as packed:
        packed.extractall(folder, filter="data")
    (top,) = folder.iterdir()
    return top


def _sum(file: Path) -> str:
    return sha256(file.read_bytes()).hexdigest()


def test_the_wheel_comes_out_the_same_each_time(wheel: Path, unpacked: Path, tmp_path: Path) -> None:
    """From another folder, under another mask, out of the sdist, and by another front end."""
    again = _made(_tree(tmp_path / "again"), "wheel", tmp_path / "again-made", mask=0o077)
    assert _sum(again) == _sum(wheel)
    assert _sum(_made(unpacked, "wheel", tmp_path / "sdist-made")) == _sum(wheel)
    pip = [sys.executable, "-m", "pip", "wheel", "-q", "--no-index", "--no-deps", "--no-build-isolation"]
    _ran(*pip, "-w", tmp_path / "pip", unpacked, cwd=tmp_path)
    (by_pip,) = (tmp_path / "pip").glob("*.whl")
    assert _sum(by_pip) == _sum(wheel)


def test_the_wheel_holds_what_runs_and_nothing_else(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    assert {"brakewater/config/demo.toml", "brakewater/panel/static/vendor/charts.js"} <= set(names)
    assert not [one for one in names if "/tests/" in one or one.endswith(".pyc")]


def test_the_sdist_comes_out_the_same_and_holds_the_whole_source(
    source: Path, sdist: Path, unpacked: Path, tmp_path: Path
) -> None:
    """Install, demo and tests start from it as from a checkout."""
    assert _sum(_made(_tree(tmp_path / "again"), "sdist", tmp_path / "made", mask=0o077)) == _sum(sdist)
    here = {str(file.relative_to(source)) for file in source.rglob("*") if file.is_file()}
    there = {str(file.relative_to(unpacked)) for file in unpacked.rglob("*") if file.is_file()}
    assert (here - there, there - here) == (set(), {"PKG-INFO"})


def test_the_sdist_alone_installs_and_runs(sdist: Path, tmp_path: Path) -> None:
    """In an environment of its own: the packages that it stands on are lent to it, ours comes from the sdist."""
    _ran(sys.executable, "-m", "venv", "--without-pip", "own", cwd=tmp_path)
    own = tmp_path / "own"
    (packages,) = own.glob("lib/python*/site-packages")
    (packages / "lent.pth").write_text(sysconfig.get_path("purelib"))  # a path alone: its editable install stays behind
    pip = [sys.executable, "-m", "pip", "--python", own / "bin/python", "install", "-q", "--no-index", "--no-deps"]
    _ran(*pip, "--no-build-isolation", "--ignore-installed", sdist, cwd=tmp_path)
    where = _ran(own / "bin/python", "-c", "import brakewater; print(brakewater.__file__)", cwd=tmp_path).strip()
    assert Path(where).is_relative_to(own)
    about = _ran(own / "bin/brakewater", "--version", cwd=tmp_path)
    assert tomllib.loads((TOP / "pyproject.toml").read_text())["project"]["version"] in about
    template = packages / "brakewater/config/template.toml"
    assert template.read_text() == (TOP / "config/template.toml").read_text()
    assert "aux.cooling-lost" in _ran(own / "bin/brakewater", "check", template, cwd=tmp_path)
    assert "trip-in" in _ran(own / "bin/brakewater-sim", "list", cwd=tmp_path)
