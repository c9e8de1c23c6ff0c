"""Export: what a spreadsheet, pandas and a foreign Parquet reader see, and what is left in the record about it."""

import csv
import hashlib
import io
import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest

import streams
from brakewater.engine import Engine
from brakewater_sim.cli import main as sim
from daemons import here
from record_streams import watched

pytestmark = pytest.mark.integration


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two minutes with a stop of the pump, so that there are good and bad values."""
    folder = tmp_path_factory.mktemp("export") / "record"
    assert sim(["record", "demo", "-o", str(folder), "--seconds", "120"]) == 0
    return folder


def csv_rows(file: Path) -> list[dict[str, str]]:
    with file.open() as handle:
        return list(csv.DictReader(handle))


@pytest.mark.parametrize("command", [("replay",), ("export", "-o", "x.csv"), ("pack", "-o", "x.case.zip")])
def test_a_window_that_ends_before_it_begins_is_refused(recorded: Path, command: tuple[str, ...]) -> None:
    done = here(*command, recorded, "--from", "2031-02-04", "--to", "2031-02-03")
    assert (done.returncode, done.stderr) == (2, f"brakewater {command[0]}: --from lies after --to\n")


@pytest.mark.parametrize("every", [(), ("--every", "1s")])
def test_where_units_change_within_a_record_it_says_when(tmp_path: Path, every: tuple[str, ...]) -> None:
    """Nobody could tell where to cut a week in whose midst the rig file was reloaded."""
    rig = streams.demo()
    metric = streams.parse(streams.changed(rig.text, ('units = "us"', 'units = "metric"')))
    items = [streams.start(rig), streams.scans(rig, 100)]
    items += [streams.start(metric, run=2, t_ns=60 * 10**9), streams.scans(metric, 100, run=2, t0=61 * 10**9)]
    folder, file = watched(tmp_path / "record", items, Engine()), tmp_path / "both.csv"
    done = here("export", folder, "-o", file, *every)
    assert done.returncode == 3
    assert "(hook-load " in done.stderr
    at = done.stderr.rsplit("--from ", 1)[1].strip()
    for name, units, part in (("before", "[gal/min]", ("--to", at)), ("after", "[L/min]", ("--from", at))):
        assert here("export", folder, "-o", tmp_path / f"{name}.csv", *every, *part).returncode == 0
        assert units in (tmp_path / f"{name}.csv").read_text(encoding="utf-8").partition("\n")[0]


def test_rows_of_a_second_are_what_pandas_makes_of_the_scans(recorded: Path, tmp_path: Path) -> None:
    # pandas: merge of every scan's value, held to the next one, on a grid of milliseconds; then plain means.
    assert here("export", recorded, "-o", tmp_path / "scans.parquet").returncode == 0
    assert here("export", recorded, "-o", tmp_path / "rows.parquet", "--every", "1s").returncode == 0
    scans = pd.read_parquet(tmp_path / "scans.parquet").set_index("utc")
    rows = pd.read_parquet(tmp_path / "rows.parquet").set_index("utc")
    assert len(rows) in (120, 121)
    grid = pd.date_range(rows.index[1], rows.index[-1], freq="1ms", inclusive="left")
    for name, unit in (("aux-flow", "gal/min"), ("aux.heat", "kW"), ("aux.cooling_margin", "1")):
        column = scans[f"{name} [{unit}]"]
        held = column.reindex(grid, method="ffill")
        seconds = held.resample("1s")
        inner = rows.iloc[1:-1]
        np.testing.assert_allclose(inner[f"{name} mean [{unit}]"], seconds.mean(), rtol=2e-3)
        np.testing.assert_allclose(inner[f"{name} min [{unit}]"], seconds.min(), rtol=1e-12)
        np.testing.assert_allclose(inner[f"{name} max [{unit}]"], seconds.max(), rtol=1e-12)
        np.testing.assert_allclose(inner[f"{name} known"], seconds.count() / 1000, atol=2e-3)
    assert rows["aux.heat known"].min() == 0  # the pump stood


def test_csv_and_parquet_say_the_same(recorded: Path, tmp_path: Path) -> None:
    for words in ((), ("--every", "10 s")):
        for ending in ("csv", "parquet"):
            assert here("export", recorded, "-o", tmp_path / f"x.{ending}", "--replace", *words).returncode == 0
        left = pd.read_csv(tmp_path / "x.csv", parse_dates=["utc"])
        right = pd.read_parquet(tmp_path / "x.parquet")
        assert list(left.columns) == list(right.columns)
        for name in left.columns:
            if pd.api.types.is_numeric_dtype(left[name]):
                np.testing.assert_allclose(left[name], right[name].astype(float), rtol=1e-6)
            elif name != "utc":
                assert left[name].tolist() == right[name].astype(str).tolist()


def test_duckdb_reads_units_and_nulls(recorded: Path, tmp_path: Path) -> None:
    file = tmp_path / "x.parquet"
    assert here("export", recorded, "-o", file).returncode == 0
    asked = duckdb.sql(
        f"SELECT count(*), count(\"aux.heat [kW]\"), sum((\"aux.heat quality\" = 'no-flow')::int) FROM '{file}'"
    )
    rows, known, stopped = asked.fetchall()[0]
    assert rows == 600
    assert 0 < known == rows - stopped
    meta = duckdb.sql(f"SELECT decode(key), decode(value) FROM parquet_kv_metadata('{file}')").fetchall()
    assert dict(meta)["chain_head"].startswith("run 1, commit ")


def test_a_window(recorded: Path, tmp_path: Path) -> None:
    assert here("export", recorded, "-o", tmp_path / "all.csv").returncode == 0
    rows = csv_rows(tmp_path / "all.csv")
    begin, end = rows[100]["utc"], rows[300]["utc"]
    assert here("export", recorded, "-o", tmp_path / "x.csv", "--from", begin, "--to", end).returncode == 0
    part = csv_rows(tmp_path / "x.csv")
    assert part == [row for row in rows if begin <= row["utc"] < end]
    assert 199 <= len(part) <= 201
    none = here("export", recorded, "-o", tmp_path / "none.csv", "--from", "2040-01-01")
    assert none.returncode == 3
    assert "no scan to export in this window" in none.stderr
    assert not (tmp_path / "none.csv").exists()


@pytest.mark.parametrize("words", [("--every", "0 s"), ("--every", "1"), ("--every", "x"), ("--from", "noon")])
def test_nonsense_is_refused(recorded: Path, tmp_path: Path, words: tuple[str, ...]) -> None:
    done = here("export", recorded, "-o", tmp_path / "x.csv", *words)
    assert done.returncode == 2
    assert "allowed" in done.stderr


def test_what_was_exported_is_logged(recorded: Path, tmp_path: Path) -> None:
    before = (recorded / "exports.jsonl").read_text().count("\n") if (recorded / "exports.jsonl").exists() else 0
    file = tmp_path / "x.csv"
    assert here("export", recorded, "-o", file, "--every", "1 min").returncode == 0
    lines = (recorded / "exports.jsonl").read_text().splitlines()
    assert len(lines) == before + 1
    doc = json.loads(lines[-1])
    assert doc["file"] == str(file)
    assert doc["sha256"] == hashlib.sha256(file.read_bytes()).hexdigest()
    assert (doc["every_s"], doc["rows"], doc["from"]) == (60.0, len(csv_rows(file)), None)


def test_a_bar_on_a_terminal_and_nothing_in_a_pipe(recorded: Path, tmp_path: Path) -> None:
    words = [sys.executable, "-m", "brakewater", "export", str(recorded), "--replace", "-o", str(tmp_path / "x.csv")]
    piped = subprocess.run(words, capture_output=True, check=True)
    assert piped.stdout == b""
    assert piped.stderr.decode() == f"{tmp_path / 'x.csv'}: 600 rows\n"
    ours, theirs = pty.openpty()
    child = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=theirs, env={**os.environ, "TERM": "xterm"})
    os.close(theirs)
    said = io.BytesIO()
    with child:
        while True:
            try:
                said.write(os.read(ours, 4096))
            except OSError:
                break
    os.close(ours)
    assert child.returncode == 0
    assert b"exporting" in said.getvalue()
    assert b"\x1b[" in said.getvalue()
