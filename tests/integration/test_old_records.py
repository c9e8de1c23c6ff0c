"""A record of every format there ever was is read, verified, exported, packed and gone on with by the code of today."""

import json
import shutil
import sqlite3
import sys
from pathlib import Path

import pytest

from brakewater.record.sealing.due import seal_due
from brakewater.record.segment import SCHEMA, NewerRecordError, reading
from brakewater.record.verify import verify
from brokers import free_port
from daemons import SmallDevice, daemon, here, serving, small_rig

sys.path.insert(0, str(Path(__file__).parents[1] / "records"))
from make import told

pytestmark = pytest.mark.integration

KEPT = Path(__file__).parents[1] / "records"
BEFORE = KEPT / "1-before-layouts"
"""Two runs of the demo rig by the version before the disk's share was a point, and before a Start told the layout."""
OF_0_2 = KEPT / "1-of-0.2.0"
"""200 s of a simulated trip with its events, by version 0.2.0: the pump stops for 70 s, and the brake fills again."""
OF_0_3 = KEPT / "1-of-0.3.0"
"""150 s by version 0.3.0: the pump stops and starts, its valve stays shut, and a wire of the inlet is loose."""
DRY = ["pump-stopped", "supply-pressure-low", "cooling-lost", "cooling-flow-low"]
FORMATS = sorted(int(one.name) for one in KEPT.iterdir() if one.name.isdecimal())


@pytest.fixture(params=FORMATS)
def record(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    return Path(shutil.copytree(KEPT / str(request.param), tmp_path / "record"))


def test_a_record_of_todays_format_is_kept() -> None:
    assert list(range(1, SCHEMA + 1)) == FORMATS, "make it: cd tests && python records/make.py"


def test_it_says_what_it_said_then(record: Path) -> None:
    assert told(record) == json.loads((record / "told.json").read_text())
    assert verify(record).verdict == "consistent"


def test_it_is_exported_and_packed(record: Path, tmp_path: Path) -> None:
    assert here("export", record, "-o", tmp_path / "rows.csv").returncode == 0
    assert len((tmp_path / "rows.csv").read_text().splitlines()) > 20
    assert here("pack", record, "-o", tmp_path / "a.case.zip").returncode == 0
    assert verify(tmp_path / "a.case.zip").verdict == "consistent"


def test_the_watch_goes_on_with_it(record: Path, tmp_path: Path) -> None:
    device = SmallDevice(free_port())
    with serving(device), daemon(small_rig(tmp_path / "rig.toml", device=device.port), record) as one:
        assert one.status()["run"] == 3
        assert one.end() == 0
    assert verify(record).verdict == "consistent"


@pytest.mark.parametrize("which", ["hot", "sealed"])
def test_one_of_before_layouts_is_replayed_as_it_was_recorded(tmp_path: Path, which: str) -> None:
    record = Path(shutil.copytree(BEFORE, tmp_path / "record"))
    if which == "sealed":
        assert not seal_due(record)
        (manifest,) = record.glob("segments/*/*/*/*/manifest.json")
        names = [one["name"] for one in json.loads(manifest.read_text())["columns"]["words"]]
        assert "self.broker" in names
        assert "self.disk-used" not in names
    done = here("replay", record, "--compare", "--json")
    assert done.returncode == 0, done.stdout + done.stderr
    *events, last = map(json.loads, done.stdout.splitlines())
    assert last["identical"]
    assert any(
        "rig.disk-low: not yet in version 0.1.0, which recorded run 1, 2" in one for one in last["not_comparable"]
    )
    assert [(one["alarm"], one["to"]) for one in events] == [
        ("cooling-lost", "unacknowledged"),
        ("cooling-flow-low", "unacknowledged"),
        ("cooling-lost", "acknowledged"),
        ("cooling-flow-low", "acknowledged"),
        ("cooling-lost", "normal"),
        ("cooling-flow-low", "normal"),
    ]
    assert verify(record).verdict == "consistent"


@pytest.mark.parametrize(
    ("kept", "then", "today"),
    [
        # A brake that fills after a stop of the pump leaks no water.
        (OF_0_2, [*DRY, "water-lost"], DRY),
        (OF_0_3, [*DRY, "rotor-hot-no-flow"], [*DRY, "rotor-hot-no-flow", "signal-bad:aux-inlet"]),
    ],
)
def test_what_an_older_version_raised_is_replayed_and_what_todays_would_is_asked_by_a_rig_file(
    tmp_path: Path, kept: Path, then: list[str], today: list[str]
) -> None:
    record = Path(shutil.copytree(kept, tmp_path / "record"))

    def raised(*more: str | Path) -> tuple[list[str], dict[str, object]]:
        done = here("replay", record, "--json", *more)
        assert done.returncode == 0, done.stdout + done.stderr
        *events, last = map(json.loads, done.stdout.splitlines())
        return [one["alarm"] for one in events if one["to"] == "unacknowledged"], last

    as_it_was, last = raised("--compare")
    assert last["identical"]
    assert as_it_was == then
    with reading(record / "hot" / "00000001.sqlite3") as base:
        start = json.loads(base.execute("SELECT body FROM inputs WHERE input = 0").fetchone()[0])
    rig = tmp_path / "rig.toml"
    rig.write_text(start["rig_toml"])
    assert raised("--rig", rig)[0] == today


def newer(folder: Path, which: str) -> Path:
    """A record of which one segment is of the format after today's."""
    record = Path(shutil.copytree(KEPT / str(SCHEMA), folder / "record"))
    if which == "hot":
        (file,) = (record / "hot").glob("*.sqlite3")
        base = sqlite3.connect(file)
        base.execute(f"PRAGMA user_version = {SCHEMA + 1}")
        base.close()
        with pytest.raises(NewerRecordError), reading(file):
            pass
    else:
        (file,) = record.glob("segments/*/*/*/*/manifest.json")
        text = file.read_text().replace(f'"schema": {SCHEMA}', f'"schema": {SCHEMA + 1}')
        file.write_text(text)
    return record


@pytest.mark.parametrize("which", ["hot", "sealed"])
@pytest.mark.parametrize("command", ["replay", "trips", "export", "verify"])
def test_a_newer_one_is_refused_and_says_so(tmp_path: Path, which: str, command: str) -> None:
    record = newer(tmp_path, which)
    more = ("-o", tmp_path / "rows.csv") if command == "export" else ()
    done = here(command, record, *more)
    assert done.returncode == 3
    assert f"found record format {SCHEMA + 1}, written by a newer version" in done.stderr
    assert len(done.stderr.splitlines()) == 1
