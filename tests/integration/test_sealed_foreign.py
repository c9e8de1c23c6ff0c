"""A sealed segment read by pandas, polars and DuckDB, a hot one by sqlite3's command line: without any of our code.

What is expected comes from the made-up scans themselves, not from our reader.
"""

import json
import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pytest

import day_record
from brakewater.record.sealing.due import seal_due

pytestmark = pytest.mark.integration
N = 3000
RIG = day_record.rig()
MADE = day_record.scans(RIG, 1, N)
SLOTS = {slot.point.name: slot for slot in RIG.slots}
PT100 = "p1"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("record")
    day_record.write_day(folder, RIG, count=N)
    assert seal_due(folder, values=True) == []
    (scans,) = folder.glob("segments/2031/02/03/*/scans.parquet")
    return scans.parent


def made(name: str) -> list[int]:
    return MADE.words[:, SLOTS[name].column].tolist()


def test_pandas(place: Path) -> None:
    table = pd.read_parquet(place / "scans.parquet")
    assert len(table) == N
    assert table["input"].tolist() == list(range(1, N + 1))
    assert table["p0"].tolist() == made("p0")
    assert table["p0.status"].tolist() == [0] * N
    assert table["utc"].astype("datetime64[ns, UTC]").astype("int64").tolist() == MADE.utc_ns.tolist()
    assert (table["plc1.age"] * 100_000).tolist() == MADE.age_ns[:, 0].tolist()
    # IEC 60751 by its own formula, for the resistance that this count stands for.
    ohms = np.array(made(PT100)) * 0.01
    a, b = 3.9083e-3, -5.775e-7
    celsius = (-a + np.sqrt(a * a - 4 * b * (1 - ohms / 100))) / (2 * b)
    assert table[f"{PT100}.value"].to_numpy() == pytest.approx(celsius, abs=2e-5)


def test_a_derived_value_is_rounded_as_its_column_says_and_far_below_its_uncertainty(place: Path) -> None:
    table = pd.read_parquet(place / "scans.parquet")
    base = duckdb.connect()
    ((told,),) = base.execute(
        f"select value from parquet_kv_metadata('{place / 'scans.parquet'}') where key = 'brakewater'"
    ).fetchall()
    step = float(json.loads(bytes(told))["aux.outlet_rise_k"]["resolution"])
    rise = table["aux.outlet_rise_k"].to_numpy(float)
    assert np.abs(rise - (table["p2.value"] - table["p1.value"]).to_numpy(float)).max() <= step / 2 + 1e-5
    assert (rise % step == 0).all()
    assert step <= 0.14 / 20  # IEC 60751, tolerance of one sensor of class AA at 25 degC: 0.1 K + 0.0017 t


def test_polars(place: Path) -> None:
    table = pl.read_parquet(place / "scans.parquet")
    assert table.shape[0] == N
    assert table["p11"].to_list() == made("p11")
    assert table["utc"].dt.epoch("ms").to_list() == (MADE.utc_ns // 1_000_000).tolist()


def test_duckdb(place: Path) -> None:
    base = duckdb.connect()
    scans = str(place / "scans.parquet")
    row = base.execute(f"select count(*), sum(p3), min(input), max(input) from '{scans}'").fetchone()
    assert row == (N, sum(made("p3")), 1, N)
    ((told,),) = base.execute(f"select value from parquet_kv_metadata('{scans}') where key = 'brakewater'").fetchall()
    about = json.loads(bytes(told))["p0"]
    assert (about["role"], about["device"], about["table"], about["address"]) == ("inlet-flow", "plc1", "input", "0")
    offset = base.execute(f"select steady_offset from '{scans}' order by input").fetchall()
    says = json.loads(bytes(told))["steady_offset"]["says"]
    base_ns, step_ns = int(says.split(" + ")[1]), int(says.split(" + ")[2].split(" * ")[0])
    assert [
        u + base_ns + step_ns * n for u, (n,) in zip(MADE.utc_ns.tolist(), offset, strict=True)
    ] == MADE.t_ns.tolist()


def test_duckdb_reads_the_lines_and_the_summaries(place: Path) -> None:
    base = duckdb.connect()
    record = place.parents[4]
    minutes = base.execute(
        f"select utc, least, mean, most, good_s from '{record}/summaries/2031/02/03/*-minute.parquet'"
        f" where name = '{PT100}' order by utc"
    ).fetchall()
    values = pd.read_parquet(place / "scans.parquet")[f"{PT100}.value"].to_numpy(float)
    minute = MADE.utc_ns // 60_000_000_000
    seconds = np.clip(np.diff(MADE.t_ns, append=MADE.t_ns[-1] + 200_000_000), 0, 600_000_000) / 1e9
    assert len(minutes) == len(set(minute.tolist()))
    for at, (_, least, mean, most, good_s) in zip(sorted(set(minute.tolist())), minutes, strict=True):
        here = minute == at
        assert (least, most) == (pytest.approx(values[here].min()), pytest.approx(values[here].max()))
        assert mean == pytest.approx(np.average(values[here], weights=seconds[here]), rel=1e-6)
        assert good_s == pytest.approx(seconds[here].sum(), rel=1e-6)
    heat = base.execute(
        f"select energy_j, mean, good_s + uncertain_s from '{record}/summaries/2031/02/03/*-day.parquet'"
        " where name = 'aux.heat_w'"
    ).fetchone()
    assert heat is not None
    assert heat[0] is None or heat[0] == pytest.approx(heat[1] * heat[2], rel=1e-5)


def test_sqlite_s_command_line_reads_the_hot_one(tmp_path: Path) -> None:
    day_record.write_day(tmp_path, RIG, count=20)
    asked = ["sqlite3", str(tmp_path / "hot" / "00000001.sqlite3"), "select count(*), max(input) from inputs"]
    assert subprocess.run(asked, capture_output=True, text=True, check=True).stdout == "21|20\n"
    with closing(sqlite3.connect(tmp_path / "hot" / "00000001.sqlite3")) as base:
        (body,) = base.execute("select body from inputs where input = 7").fetchone()
    assert np.frombuffer(body, "<u2", RIG.words).tolist() == day_record.scans(RIG, 1, 20).words[6].tolist()
