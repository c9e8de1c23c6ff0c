"""Start of the command line, against the bare interpreter."""

import subprocess
import sys

from benchmarks.table import Row, paired


def rows() -> list[Row]:
    """The benchmark."""
    ours, bare, ratio = paired(
        lambda: subprocess.run([sys.executable, "-m", "brakewater", "--version"], check=True, capture_output=True),
        lambda: subprocess.run([sys.executable, "-c", "pass"], check=True),
        runs=7,
    )
    return [
        Row(
            what="brakewater --version (goal: under 0.3 s)",
            ours=f"{ours * 1e3:.0f} ms",
            floor=f"{bare * 1e3:.0f} ms",
            ratio=ratio,
            target=300 / (bare * 1e3),
        )
    ]
