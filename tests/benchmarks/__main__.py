"""Runs every benchmark, prints one table and keeps its rows; exit status 1 where a target is missed.

``table`` in place of the benchmarks' names writes what is kept into DEVELOPERS.md, and measures nothing.
"""

import sys

from benchmarks import (
    bench_commit,
    bench_flat_out,
    bench_journal,
    bench_latency,
    bench_load,
    bench_memory,
    bench_panel,
    bench_replay,
    bench_sealed,
    bench_simulator,
    bench_start,
    history,
)
from benchmarks.table import HEAD


def main() -> int:
    """The whole table, or the benchmarks named on the command line."""
    modules = {
        "replay": bench_replay,
        "sealed": bench_sealed,
        "flat_out": bench_flat_out,
        "commit": bench_commit,
        "journal": bench_journal,
        "latency": bench_latency,
        "load": bench_load,
        "memory": bench_memory,
        "panel": bench_panel,
        "start": bench_start,
        "simulator": bench_simulator,
    }
    if sys.argv[1:] == ["table"]:
        history.write()
        return 0
    wanted = sys.argv[1:] or list(modules)
    print(HEAD)
    missed = 0
    for name in wanted:
        for row in modules[name].rows():
            print(row, flush=True)
            history.kept(name, row)
            missed += not row.met
    return 1 if missed else 0


sys.exit(main())
