"""Start of the command line against the bare interpreter; of the watch, to a good scan, against its libraries."""

import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from time import perf_counter, sleep

from benchmarks.parts import device
from benchmarks.table import Row, medians, paired, seconds
from brakewater.errors import DeviceError
from brokers import free_port
from daemons import Daemon, demo_rig_file

RUNS = 5
GOAL_S = 1.5
LOOK_S = 0.01
PATIENCE_S = 60.0
LIBRARIES = "import pymodbus.client, paho.mqtt.client, numpy"


def _first_scan(rig: Path, folder: Path) -> float:
    """Seconds from the command to the first picture in which the device has answered."""
    watch = Daemon(rig, folder / "record", folder / "log")
    began = perf_counter()
    watch.start(ready=False)
    try:
        while not _is_good(watch):
            if perf_counter() - began > PATIENCE_S:
                raise AssertionError(f"no good scan in {PATIENCE_S:g} s: {watch.said}")
            sleep(LOOK_S)
        return perf_counter() - began
    finally:
        watch.kill()


def _is_good(watch: Daemon) -> bool:
    try:
        return bool(watch.status()["devices"]["plc1"]["status"] == "ok")
    except DeviceError:
        return False


def _watch() -> Row:
    bare = [sys.executable, "-c", LIBRARIES]
    pairs = []
    with device() as port, tempfile.TemporaryDirectory() as name:
        rig = demo_rig_file(Path(name) / "rig.toml", device=port, broker=free_port())
        for run in range(RUNS):
            folder = Path(name) / f"{run}"
            folder.mkdir()
            pairs.append((_first_scan(rig, folder), seconds(lambda: subprocess.run(bare, check=True))))
    ours, floor, ratio = medians(pairs)
    return Row(
        what=f"start to the first good scan (goal: under {GOAL_S:g} s)",
        ours=f"{ours * 1e3:.0f} ms",
        floor=f"{floor * 1e3:.0f} ms",
        ratio=ratio,
        target=GOAL_S / floor,
    )


def rows() -> Iterator[Row]:
    """Two benchmarks."""
    ours, bare, ratio = paired(
        lambda: subprocess.run([sys.executable, "-m", "brakewater", "--version"], check=True, capture_output=True),
        lambda: subprocess.run([sys.executable, "-c", "pass"], check=True),
        runs=7,
    )
    yield Row(
        what="brakewater --version (goal: under 0.3 s)",
        ours=f"{ours * 1e3:.0f} ms",
        floor=f"{bare * 1e3:.0f} ms",
        ratio=ratio,
        target=300 / (bare * 1e3),
    )
    yield _watch()
