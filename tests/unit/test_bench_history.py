"""Rows of benchmarks are kept and come back as a table."""

import json
from pathlib import Path

import pytest

from benchmarks.history import BEGIN, DOCUMENT, END, SPEED, kept, read, table, written
from benchmarks.table import Row


def row(what: str, ratio: float, *, at_least: bool = False) -> Row:
    return Row(what=what, ours="3 ms", floor="2 ms", ratio=ratio, target=1.5, at_least=at_least)


def test_rows_are_appended_with_when_and_where(tmp_path: Path) -> None:
    file = tmp_path / "kept.jsonl"
    kept("start", row("  start to the first good scan (goal: under 1.5 s)", 1.2), file)
    kept("start", row("another", 2.0), file)
    first, second = read(file)
    assert (first["what"], first["met"], second["met"]) == (
        "start to the first good scan (goal: under 1.5 s)",
        True,
        False,
    )
    assert {"at", "commit", "load", "cores", "benchmark", "ours", "floor", "ratio", "target"} <= first.keys()


def test_the_table_has_the_newest_run_and_the_median_of_the_last_five(tmp_path: Path) -> None:
    file = tmp_path / "kept.jsonl"
    for ratio in (9.0, 1.0, 2.0, 3.0, 4.0, 5.0):
        kept("flat_out", row("CPU a scan at 10 scans/s", ratio), file)
    kept("load", row("not in the contract", 1.0), file)
    lines = table(read(file)).splitlines()
    assert len(lines) == 3
    assert "| 5.00 | <= 1.5 | NOT MET | 3.00 (1.00 to 5.00, 5) |" in lines[2]


def test_it_goes_between_its_marks_and_nowhere_else(tmp_path: Path) -> None:
    file = tmp_path / "kept.jsonl"
    kept("start", row("start to the first good scan", 1.0), file)
    document = f"before\n{BEGIN}\nold\n{END}\nafter\n"
    new = written(document, read(file))
    assert new.startswith("before\n")
    assert new.endswith("after\n")
    assert "old" not in new
    assert written(new, read(file)) == new
    with pytest.raises(ValueError, match="put them where the table belongs"):
        written("no marks", read(file))


def test_the_document_has_the_marks() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    assert text.index(BEGIN) < text.index(END)


def test_what_is_kept_in_the_checkout_can_be_read() -> None:
    names = {benchmark for benchmark, _ in SPEED}
    for line in read():
        assert isinstance(line["ratio"], int | float), json.dumps(line)
    assert {"flat_out", "latency", "replay", "commit", "sealed", "start", "memory"} <= names
