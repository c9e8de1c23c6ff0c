"""Runs every benchmark and prints one table; exit status 1 where a target is missed."""

import sys

from benchmarks import (
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
)
from benchmarks.table import HEAD


def main() -> int:
    """The whole table, or the benchmarks named on the command line."""
    modules = {
        "replay": bench_replay,
        "sealed": bench_sealed,
        "flat_out": bench_flat_out,
        "journal": bench_journal,
        "latency": bench_latency,
        "load": bench_load,
        "memory": bench_memory,
        "panel": bench_panel,
        "start": bench_start,
        "simulator": bench_simulator,
    }
    wanted = sys.argv[1:] or list(modules)
    print(HEAD)
    missed = 0
    for name in wanted:
        for row in modules[name].rows():
            print(row, flush=True)
            missed += not row.met
    return 1 if missed else 0


sys.exit(main())
