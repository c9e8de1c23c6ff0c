"""Case files at the command line: taken wherever a record is, and opened by foreign readers with no help from us."""

import json
import zipfile
from pathlib import Path

import duckdb
import polars as pl
import pytest

from brakewater_sim.cli import main as sim
from daemons import here

pytestmark = pytest.mark.integration


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two minutes of the demo with its events."""
    folder = tmp_path_factory.mktemp("pack") / "record"
    assert sim(["record", "demo", "-o", str(folder), "--seconds", "120"]) == 0
    return folder


@pytest.fixture(scope="module")
def case(recorded: Path) -> Path:
    file = recorded.parent / "x.case.zip"
    done = here("pack", recorded, "-o", file)
    assert (done.returncode, done.stdout) == (0, "")
    assert "1 run," in done.stderr
    assert "consistent" in done.stderr
    return file


def test_every_command_that_takes_a_record_takes_a_case(recorded: Path, case: Path, tmp_path: Path) -> None:
    for words in (("replay", "--json"), ("verify", "--json")):
        ours, theirs = here(words[0], case, *words[1:]), here(words[0], recorded, *words[1:])
        assert (ours.returncode, ours.stderr) == (0, "")
        left, right = (
            [
                {key: value for key, value in json.loads(line).items() if key != "scans_per_s"}
                for line in one.stdout.splitlines()
            ]
            for one in (ours, theirs)
        )
        assert left == right
    for place, file in ((case, "a.csv"), (recorded, "b.csv")):
        assert here("export", place, "-o", tmp_path / file, "--every", "10 s").returncode == 0
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()
    assert "not logged" in here("export", case, "-o", tmp_path / "c.csv").stderr
    assert here("pack", case, "-o", tmp_path / "again.case.zip").returncode == 0
    assert (tmp_path / "again.case.zip").read_bytes() == case.read_bytes()


def test_duckdb_and_polars_read_it_with_no_help_from_us(case: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(case) as archive:
        archive.extractall(tmp_path)
    (scans,) = tmp_path.glob("segments/*/*/*/*/scans.parquet")
    assert duckdb.sql(f"SELECT count(*), min(input), max(input) FROM '{scans}'").fetchall() == [(600, 1, 600)]
    table = pl.read_parquet(scans)
    assert len(table) == 600
    assert {"aux-flow", "aux-inlet", "utc"} <= set(table.columns)
    assert "Rig 4".lower().replace(" ", "-") in (tmp_path / "README.txt").read_text().lower().replace(" ", "-")


def test_a_file_that_exists_is_kept(recorded: Path, case: Path) -> None:
    before = case.read_bytes()
    assert here("pack", recorded, "-o", case).returncode == 2
    assert here("pack", recorded, "-o", case, "--replace").returncode == 0
    assert case.read_bytes() == before


def test_nothing_half_written_and_bad_words(recorded: Path, tmp_path: Path) -> None:
    done = here("pack", recorded, "-o", tmp_path / "x.zip")
    assert done.returncode == 2
    assert ".case.zip" in done.stderr
    done = here("pack", recorded, "-o", tmp_path / "none" / "x.case.zip")
    assert done.returncode == 3
    done = here("pack", recorded, "-o", tmp_path / "x.case.zip", "--from", "2040-01-01")
    assert done.returncode == 3
    assert "nothing in this window" in done.stderr
    done = here("pack", recorded, "-o", tmp_path / "x.case.zip", "--trip", "7")
    assert done.returncode == 3
    assert "trip" in done.stderr
    done = here("pack", recorded, "-o", tmp_path / "x.case.zip", "--trip", "1", "--to", "2040-01-01")
    assert done.returncode == 2
    assert list(tmp_path.iterdir()) == []
