"""A journal's commit against sqlite3 alone writing the same bytes in the same groups and the same synchronous mode.

The same bytes are those of all tables: inputs, events, and the row of the commit with its digests, which sqlite3 alone
is given ready made (a floor of before 2026-11-26, 15:40 UTC, left that row out).
Ours is what the writer thread takes for a commit by the journal's own figure: rows, the chain's digests, the row of the
commit, and the disk; not how soon the machine gives that thread its turn, which nobody waits for. Two kinds: a scan
with an event, whose commit is FULL, and a second of lone scans, whose is NORMAL but for one in five; so is sqlite3's
(a floor of before 2026-11-27, 09:40 UTC, was NORMAL throughout).
"""

import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from benchmarks.table import Row, medians, seconds
from brakewater.record.journal import Journal
from brakewater.record.segment import TABLES, segment_path
from brakewater.record.writer import Committed
from brakewater.stream import Block, Event, Start
from record_streams import event
from streams import UTC, demo, scans

COMMITS = 200
RUNS = 5
SECOND = 5
"""Lone scans in one commit."""
ALLOWED = 1.5

Rows = list[tuple[object, ...]]
Groups = list[tuple[Rows, Rows, Rows]]
"""Rows of inputs, of events and of the commit itself, a commit each."""


def _ours(
    folder: Path, parts: list[tuple[list[Block], tuple[Event, ...]]], start: Start
) -> tuple[float, tuple[str, ...]]:
    """Seconds, and each commit's synchronous mode."""
    took: list[int] = []
    modes: list[str] = []

    def tell(made: Committed) -> None:
        if made.first_input:  # not the Start, which opens a file
            took.append(journal.figures().commit_latency_ns)
            modes.append("FULL" if made.synced else "NORMAL")

    with Journal(folder, bound=10**6, on_commit=tell) as journal:
        journal.begin(start, wait_s=30)
        for blocks, events in parts:
            for block in blocks:
                journal.append(block, events)
            assert journal.wait_committed(30)
        lost = journal.figures().lost
    if lost or len(took) != len(parts):
        raise AssertionError(f"{len(took)} commits of {len(parts)}, {lost} inputs lost: this run measures nothing")
    return sum(took) * 1e-9, tuple(modes)


def _groups(folder: Path) -> Groups:
    """What was committed, as it was grouped; without the Start's."""
    with closing(sqlite3.connect(segment_path(folder, 1))) as base:
        spans = base.execute("SELECT first_input, last_input FROM commits WHERE first_input > 0 ORDER BY 1").fetchall()
        return [
            (
                base.execute("SELECT * FROM inputs WHERE input BETWEEN ? AND ?", span).fetchall(),
                base.execute("SELECT * FROM events WHERE input BETWEEN ? AND ?", span).fetchall(),
                base.execute("SELECT * FROM commits WHERE first_input = ?", span[:1]).fetchall(),
            )
            for span in spans
        ]


def _bare(file: Path, groups: Groups, modes: tuple[str, ...]) -> float:
    with closing(sqlite3.connect(file, isolation_level=None)) as base:
        base.execute("PRAGMA journal_mode=WAL")
        base.execute("PRAGMA wal_autocheckpoint=0")
        base.executescript(TABLES)

        def work() -> None:
            told = ""
            for (inputs, events, commits), mode in zip(groups, modes, strict=True):
                if mode != told:
                    base.execute(f"PRAGMA synchronous={mode}")
                    told = mode
                base.execute("BEGIN IMMEDIATE")
                base.executemany("INSERT INTO inputs VALUES (?, ?, ?, ?, ?)", inputs)
                base.executemany("INSERT INTO events VALUES (?, ?, ?)", events)
                base.executemany("INSERT INTO commits VALUES (?, ?, ?, ?, ?, ?, ?, ?)", commits)
                base.execute("COMMIT")

        return seconds(work)


def _pair(folder: Path, parts: list[tuple[list[Block], tuple[Event, ...]]], start: Start) -> tuple[float, float]:
    took_s, modes = _ours(folder, parts, start)
    return took_s, _bare(folder / "bare.sqlite3", _groups(folder), modes)


def _row(what: str, each: int, *, has_event: bool) -> Row:
    rig = demo()
    start = Start(run=1, t_ns=0, utc_ns=UTC, boot="b", version="0", rig_toml=rig.text, own=rig.own)
    stream = scans(rig, COMMITS * each)
    parts = [
        ([stream.cut(at + k, at + k + 1) for k in range(each)], (event(1, at + each, n),) if has_event else ())
        for n, at in enumerate(range(0, COMMITS * each, each), 1)
    ]
    with tempfile.TemporaryDirectory() as name:
        took_s, bare_s, ratio = medians([_pair(Path(name) / f"{run}", parts, start) for run in range(RUNS)])
    return Row(
        what=what,
        ours=f"{took_s / COMMITS * 1e3:.2f} ms",
        floor=f"{bare_s / COMMITS * 1e3:.2f} ms",
        ratio=ratio,
        target=ALLOWED,
    )


def rows() -> list[Row]:
    """Two: what must survive a power cut at once, and what may wait."""
    return [
        _row("journal's commit of a scan with an event (FULL)", 1, has_event=True),
        _row(f"  of {SECOND} lone scans (NORMAL)", SECOND, has_event=False),
    ]
