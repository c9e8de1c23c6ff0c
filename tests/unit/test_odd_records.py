"""Records whose rows hold what no watch writes: they are called damaged, and take nothing from others."""

import json
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import streams
from brakewater.cli import main
from brakewater.errors import DamagedRecordError
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.record.sealed.layout import MANIFEST
from brakewater.record.sealing.seal import seal
from brakewater.record.segment import segment_path
from brakewater.review.study import study
from brakewater_sim.offline import record
from brakewater_sim.scenarios import SCENARIOS
from record_streams import block, command, event, gap, start

Change = Callable[[dict[str, Any]], object]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with Journal(tmp_path) as journal:
        journal.begin(start(1))
        journal.append(block(1, 1, 20), (event(1, 20, 1),))
        journal.append(command(1, 21))
        journal.append(gap(1, 22, (0, 5, 6)))
    return tmp_path


def altered(folder: Path, table: str, at: int, change: Change) -> None:
    key = "n" if table == "events" else "input"
    base = sqlite3.connect(segment_path(folder, 1))
    (body,) = base.execute(f"SELECT body FROM {table} WHERE {key} = ?", (at,)).fetchone()
    doc = json.loads(body)
    change(doc)
    base.execute(f"UPDATE {table} SET body = ? WHERE {key} = ?", (json.dumps(doc).encode(), at))
    base.commit()
    base.close()


@pytest.mark.parametrize(
    ("table", "at", "change", "named"),
    [
        ("inputs", 0, {"boot": None}, "input 0.*boot: found None; allowed: text"),
        ("inputs", 0, {"version": ["0"]}, "input 0.*version"),
        ("inputs", 0, {"rig_toml": 1}, "input 0.*rig_toml"),
        ("inputs", 0, {"snapshot": {}}, "input 0.*snapshot"),
        ("inputs", 21, {"actor": 1e308}, "input 21.*actor"),
        ("inputs", 21, {"do": {}}, "input 21.*do"),
        ("inputs", 21, {"args": "x"}, "input 21.*args: found 'x'; allowed: a table"),
        ("inputs", 22, {"lost_run": "x"}, "input 22.*lost_run: found 'x'; allowed: a whole number"),
        ("events", 1, {"alarm": []}, "event 1.*alarm"),
        ("events", 1, {"brake": 4}, "event 1.*brake"),
        ("events", 1, {"to": {}}, "event 1.*to"),
        ("events", 1, {"first_out": "yes"}, "event 1.*first_out: found 'yes'; allowed: true or false"),
    ],
)
def test_a_document_that_holds_something_else_is_damage_at_its_row(
    folder: Path, table: str, at: int, change: dict[str, Any], named: str
) -> None:
    altered(folder, table, at, lambda doc: doc.update(change))
    found = Record(folder)
    with pytest.raises(DamagedRecordError, match=named):
        list(found.inputs() if table == "inputs" else found.events())


@pytest.mark.parametrize(
    "change",
    [
        {"run": "1"},
        {"run": None},
        {"version": []},
        {"boot": {}},
        {"inputs": "many"},
        {"start": {"t_ns": "9" * 30, "utc_ns": "0"}},
        {"prev": {"run": "0", "hash": "0"}},
        {"head": {"run": 1, "commit_no": [], "hash": "0"}},
    ],
)
def test_a_manifest_that_holds_something_else_is_damage(folder: Path, change: dict[str, Any]) -> None:
    file = seal(folder, 1) / MANIFEST
    file.write_text(json.dumps(json.loads(file.read_text()) | change))
    with pytest.raises(DamagedRecordError, match=r"manifest.json: cannot be read"):
        list(Record(folder).inputs())


def test_a_scan_too_wide_for_any_rig_is_damage(folder: Path) -> None:
    base = sqlite3.connect(segment_path(folder, 1))
    base.execute("UPDATE meta SET value = 1000000000 WHERE key = 'words'")
    base.commit()
    base.close()
    with pytest.raises(DamagedRecordError, match=r"meta: .*widths of a scan"):
        list(Record(folder).inputs())


def test_one_odd_record_takes_nothing_from_a_study_of_many(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole, odd = tmp_path / "whole", tmp_path / "odd"
    record(SCENARIOS["demo"], streams.demo(), whole, seconds=20.0)
    shutil.copytree(whole, odd)
    altered(odd, "inputs", 0, lambda doc: doc.update(snapshot="no state"))
    assert main(["replay", str(odd)]) == 3
    assert "run 1: its start cannot be used" in capsys.readouterr().err
    rows = study([odd, whole, odd])
    assert ["its start cannot be used" in row.get("error", "") for row in rows] == [True, False, True]
    assert rows[1]["scans"] == 100
