"""Every benchmark's row is kept, a JSON line each; from them comes the table in DEVELOPERS.md.

bash tests/run.sh bench          measures and keeps
bash tests/run.sh bench table    writes the table from what is kept
"""

import json
import os
import re
import statistics
import subprocess
from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchmarks.table import Row

TESTS = Path(__file__).parents[1]
FILE = TESTS / "results" / "benchmarks.jsonl"
DOCUMENT = TESTS.parent / "DEVELOPERS.md"
BEGIN, END = "<!-- benchmarks: written by `bash tests/run.sh bench table` -->", "<!-- benchmarks end -->"
RUNS = 5

SPEED = (
    ("flat_out", "scans a second flat out"),
    ("flat_out", "CPU a scan"),
    ("latency", "reply to PUBACK, median"),
    ("latency", "99th percentile"),
    ("replay", "replay of a day"),
    ("sealed", "its pace from sealed segments"),
    ("commit", "journal's commit"),
    ("commit", "lone scans"),
    ("journal", "journalling, p99"),
    ("sealed", "bytes a value"),
    ("sealed", "against plain zstd Parquet"),
    ("start", "first good scan"),
    ("memory", "resident memory"),
    ("memory", "its growth"),
)
"""Benchmark and a part of the row's name: the rows of the speed contract, in the order of the table."""


def kept(benchmark: str, row: Row, file: Path = FILE) -> None:
    """Append a row with when, of which commit and beside what load it was measured."""
    line = {
        "at": f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}",
        "commit": _commit(),
        "load": round(os.getloadavg()[0], 1),
        "cores": os.cpu_count(),
        "benchmark": benchmark,
        **asdict(row),
        "what": row.what.strip(),
        "met": row.met,
    }
    with file.open("a", encoding="utf-8") as out:
        out.write(json.dumps(line, ensure_ascii=False) + "\n")


def _commit() -> str:
    """Of the checkout, with a plus where it was changed; empty outside of one."""
    words = ["git", "-C", str(TESTS), "describe", "--always", "--dirty=+", "--exclude=*"]
    return subprocess.run(words, capture_output=True, text=True, check=False).stdout.strip()


def read(file: Path = FILE) -> list[dict[str, Any]]:
    """All that is kept, oldest first."""
    return [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]


def table(rows: list[dict[str, Any]]) -> str:
    """Markdown: of each row of the speed contract its newest run, and how its ratio went over the last ones.

    Args:
        rows: as ``read`` gives them.
    """
    lines = [
        "| figure | ours | floor | ratio | goal | | last runs | measured |",
        "|---|---|---|---|---|---|---|---|",
    ]
    seen: dict[str, list[Mapping[str, Any]]] = {}
    for benchmark, part in SPEED:
        for row in rows:
            if row["benchmark"] == benchmark and part in row["what"]:
                seen.setdefault(_name(row), []).append(row)
    lines += [_line(name, runs[-RUNS:]) for name, runs in seen.items()]
    return "\n".join(lines) + "\n"


def _name(row: Mapping[str, Any]) -> str:
    """What is measured, without the figures in brackets that belong to one run."""
    return re.sub(r" \([^)]*\)", "", row["what"])


def _line(name: str, runs: list[Mapping[str, Any]]) -> str:
    newest = runs[-1]
    ratios = [row["ratio"] for row in runs]
    went = f"{statistics.median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f}, {len(ratios)})"
    goal = f"{'>=' if newest['at_least'] else '<='} {newest['target']:.3g}"
    when = f"{newest['at'][:10]}, {newest['commit']}, load {newest['load']}"
    verdict = "met" if newest["met"] else "NOT MET"
    cells = (name, newest["ours"], newest["floor"], f"{newest['ratio']:.2f}", goal, verdict, went, when)
    return f"| {' | '.join(cells)} |"


def written(document: str, rows: list[dict[str, Any]]) -> str:
    """The document with the table between its marks.

    Raises:
        ValueError: the marks are not there.
    """
    before, begin, rest = document.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise ValueError(f"{DOCUMENT}: found no {BEGIN!r} and {END!r}; put them where the table belongs")
    return f"{before}{BEGIN}\n\n{table(rows)}\n{END}{after}"


def write() -> None:
    """The table into DEVELOPERS.md."""
    DOCUMENT.write_text(written(DOCUMENT.read_text(encoding="utf-8"), read()), encoding="utf-8")
