"""Scans a second flat out, with engine and journal, against a bare pymodbus loop reading the same registers."""

import asyncio
import statistics
import tempfile
from pathlib import Path
from time import perf_counter, process_time

from pymodbus.client import AsyncModbusTcpClient

from benchmarks.parts import demo_rig, device
from benchmarks.table import Row
from brakewater.field.own import OwnDevice
from brakewater.field.plan import plan
from brakewater.field.poller import PolledSource
from brakewater.loop import Loop
from brakewater.record.journal import Journal
from brakewater.restart import restored, start_of
from brakewater.rig import Rig
from brakewater.stream import Start

SECONDS = 3.0
PERIOD_S = 0.1


async def _bare(rig: Rig, period_s: float = 0.0) -> tuple[float, float]:
    """Reads a second, and CPU seconds a read."""
    planned = plan(rig)[0]
    client = AsyncModbusTcpClient(planned.device.host, port=planned.device.port, timeout=3, retries=0)
    await client.connect()
    began, cpu, count = perf_counter(), process_time(), 0
    while perf_counter() - began < SECONDS:
        for one in planned.reads:
            await client.read_input_registers(one.read.address, count=one.read.count, device_id=one.read.unit)
        count += 1
        if period_s:
            await asyncio.sleep(period_s)
    client.close()
    return count / (perf_counter() - began), (process_time() - cpu) / count


def _no_loss(_: object) -> Start:
    raise AssertionError("the journal lost inputs: this run measures nothing")


async def _ours(rig: Rig, folder: Path, period_s: float = 0.0) -> tuple[float, float]:
    """Scans a second, and CPU seconds a scan."""
    with Journal(folder, bound=10**6) as journal:
        before = restored(None)
        source = PolledSource(rig, OwnDevice(rig, {}), period_s=period_s)
        loop = Loop(engine=before.engine, journal=journal, clock=before.clock, again=_no_loss)
        loop.begin(start_of(before, version="bench", rig=rig))
        task = asyncio.create_task(loop.watch(source))
        await asyncio.sleep(0.2)
        first = loop.picture.input if loop.picture else 0
        began, cpu = perf_counter(), process_time()
        await asyncio.sleep(SECONDS)
        last = loop.picture.input if loop.picture else 0
        wall, used = perf_counter() - began, process_time() - cpu
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await source.close()
    return (last - first) / wall, used / max(1, last - first)


def _pair(rig: Rig, period_s: float) -> tuple[tuple[float, float], tuple[float, float]]:
    with tempfile.TemporaryDirectory() as name:
        ours = asyncio.run(_ours(rig, Path(name), period_s))
    return ours, asyncio.run(_bare(rig, period_s))


def rows() -> list[Row]:
    """Two benchmarks: flat out, and the CPU of a scan at ten scans a second."""
    with device() as port:
        rig = demo_rig(port)
        flat = [_pair(rig, 0.0) for _ in range(5)]
        rig = demo_rig(port, scan_ms=round(PERIOD_S * 1e3))
        paced = [_pair(rig, PERIOD_S) for _ in range(5)]
    return [
        Row(
            what="scans a second flat out, engine and journal",
            ours=f"{statistics.median(ours[0] for ours, _ in flat):,.0f} scans/s",
            floor=f"{statistics.median(bare[0] for _, bare in flat):,.0f} reads/s",
            ratio=statistics.median(ours[0] / bare[0] for ours, bare in flat),
            target=0.6,
            at_least=True,
        ),
        Row(
            what="CPU a scan at 10 scans/s",
            ours=f"{statistics.median(ours[1] for ours, _ in paced) * 1e6:,.0f} us",
            floor=f"{statistics.median(bare[1] for _, bare in paced) * 1e6:,.0f} us",
            ratio=statistics.median(ours[1] / bare[1] for ours, bare in paced),
            target=3,
        ),
    ]
