"""Resident memory of the watch after 100,000 scans, against the libraries it stands on; and whether it still grows."""

import asyncio
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

import psutil

from benchmarks.parts import demo_rig, device
from benchmarks.table import Row, medians
from brakewater.service import watch
from brakewater.settings import settings
from brakewater.stream import Picture

RUNS = 5
SCANS = 100_000
LIMIT_MIB = 100
GROWTH_MIB = 3


class _Scale:
    """Weighs the process at half way and at the end."""

    def __init__(self, stop: asyncio.Event) -> None:
        self._stop = stop
        self._half = 0.0

    def show(self, picture: Picture) -> None:
        """Latest."""
        if not self._half and picture.input >= SCANS // 2:
            self._half = _mib()
        if picture.input >= SCANS and not self._stop.is_set():
            print(f"{self._half:.2f} {_mib():.2f}", flush=True)
            self._stop.set()


def _mib() -> float:
    return float(psutil.Process().memory_info().rss) / 2**20


async def _watch(port: int) -> None:
    stop = asyncio.Event()
    with tempfile.TemporaryDirectory() as folder:
        await watch(
            demo_rig(port, broker=True), Path(folder), settings(None), also=(_Scale(stop),), stop=stop, period_s=0.0
        )


def _least() -> float:
    """MiB of the libraries alone."""
    code = "import pymodbus.client, paho.mqtt.client, numpy, psutil; print(psutil.Process().memory_info().rss / 2**20)"
    return float(subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout)


def _ours(port: int) -> tuple[float, float]:
    """MiB of a watch at half way and at the end."""
    child = [sys.executable, "-m", "benchmarks.bench_memory", str(port)]
    told = subprocess.run(child, capture_output=True, text=True, check=True, cwd=Path(__file__).parents[1])
    half, end = map(float, told.stdout.split())
    return half, end


def rows() -> list[Row]:
    """Two benchmarks; each run is a watch of its own."""
    with device() as port:
        runs = [(*_ours(port), _least()) for _ in range(RUNS)]
    end, least, ratio = medians([(ours, floor) for _, ours, floor in runs])
    growth = statistics.median(ours - half for half, ours, _ in runs)
    return [
        Row(
            what=f"resident memory after {SCANS:,} scans (goal: {LIMIT_MIB} MiB)",
            ours=f"{end:.0f} MiB",
            floor=f"{least:.0f} MiB",
            ratio=ratio,
            target=LIMIT_MIB / least,
        ),
        Row(
            what="its growth from half way on",
            ours=f"{growth:.1f} MiB",
            floor=f"{GROWTH_MIB} MiB allowed",
            ratio=growth / GROWTH_MIB,
            target=1,
        ),
    ]


if __name__ == "__main__":
    asyncio.run(_watch(int(sys.argv[1])))
