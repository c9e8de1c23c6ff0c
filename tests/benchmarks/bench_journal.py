"""What journalling costs the watch itself a scan, on this disk and on one whose every sync takes 200 ms longer.

Five processes, one after the other, with the journal and without in each: what it costs more is the median of five.
A process feeds scans to the engine and the journal as the loop does, ten a second, one in ten with an event
(those commits are FULL). Measured is the time from the scan to the end of its turn, with the journal and without: what
the writer thread takes of the interpreter counts as well. The floor is the millisecond that is allowed.
"""

import contextlib
import gc
import json
import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path
from time import perf_counter, sleep

from benchmarks.table import Row
from brakewater.engine import Engine
from brakewater.record.journal import Journal
from brakewater.record.unrecorded import Unrecorded
from faults.preloaded import slow_sync
from record_streams import event
from streams import UTC, demo, scans

RUNS = 5
SCANS = int(os.environ.get("BRAKEWATER_JOURNAL_SCANS", "120"))
"""Each way in each run; the first twenty warm up."""
PERIOD_S = 0.1
ALLOWED_S = 1e-3
SLOW_MS = 200


def _turns(journal: Journal | Unrecorded) -> list[float]:
    """Seconds of each turn."""
    from brakewater.stream import Start  # noqa: PLC0415 - only in the child

    rig, engine = demo(), Engine()
    start = Start(run=1, t_ns=0, utc_ns=UTC, boot="b", version="0", rig_toml=rig.text, own=rig.own)
    engine.feed(start)
    journal.begin(start, wait_s=30)
    stream, n, took = scans(rig, SCANS), 0, []
    gc.collect()
    gc.freeze()  # as the watch does: else one turn in a hundred waits for the collector
    for at in range(SCANS):
        sleep(PERIOD_S)
        scan = stream.cut(at, at + 1)
        began = perf_counter()
        engine.feed(scan)
        if at % 10 == 9:
            n += 1
            journal.append(scan, (event(1, at + 1, n),))
        else:
            journal.append(scan)
        took.append(perf_counter() - began)
    return took


def _child(folder: str) -> None:
    with contextlib.suppress(PermissionError):
        # Else a 99th percentile on a busy machine would tell of its neighbours.
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(10))
    with_journal = Journal(Path(folder), bound=10**6)
    ours = _turns(with_journal)
    figures = with_journal.figures()
    with_journal.close(30)
    print(json.dumps([ours, _turns(Unrecorded()), figures.commit_latency_ns * 1e-9, figures.lost]))


def _p99(took: list[float]) -> float:
    return statistics.quantiles(took[20:], n=100)[98]


def _run(environment: dict[str, str]) -> tuple[float, float, float]:
    """99th percentile with the journal and without, and how long its last commit took; s."""
    with tempfile.TemporaryDirectory() as folder:
        words = [sys.executable, "-m", "benchmarks.bench_journal", folder]
        said = subprocess.run(
            words, env={**os.environ, **environment}, cwd=Path(__file__).parents[1], capture_output=True, check=True
        ).stdout
    ours, bare, commit_s, lost = json.loads(said)
    if lost:
        raise AssertionError("the journal lost inputs: this run measures nothing")
    return _p99(ours), _p99(bare), commit_s


def _row(what: str, environment: dict[str, str]) -> Row:
    runs = [_run(environment) for _ in range(RUNS)]
    cost_s = statistics.median(ours - bare for ours, bare, _ in runs)
    return Row(
        what=f"{what} (last commit {statistics.median(commit for *_, commit in runs) * 1e3:.0f} ms)",
        ours=f"{cost_s * 1e6:,.0f} us more",
        floor=f"{statistics.median(bare for _, bare, _ in runs) * 1e6:,.0f} us a turn",
        ratio=cost_s / ALLOWED_S,
        target=1,
    )


def rows() -> list[Row]:
    """Two: this disk, and a slow one."""
    with tempfile.TemporaryDirectory() as folder:
        slow = slow_sync(Path(folder), SLOW_MS)
        return [
            _row("journalling, p99 a scan in ms", {}),
            _row(f"the same, syncs {SLOW_MS} ms slower", slow),
        ]


if __name__ == "__main__":
    _child(sys.argv[1])
