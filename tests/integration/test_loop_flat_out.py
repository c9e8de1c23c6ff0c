"""Scans a second flat out, against a bare pymodbus loop that reads the same registers of the same foreign device.

Both take turns in one run, so that a machine's mood touches both; the ratio of the medians counts.
"""

import asyncio
import time
from pathlib import Path
from statistics import median

import pytest
from pymodbus.client import AsyncModbusTcpClient

from brakewater.field.own import OwnDevice
from brakewater.field.plan import plan
from brakewater.field.poller import PolledSource
from brakewater.loop import Loop
from brakewater.record.journal import Journal
from brakewater.record.verify import verify
from brakewater.restart import restored, start_of
from brakewater.rig import Rig, parse
from field_rigs import HOST, built, foreign
from streams import DEMO, changed

pytestmark = [pytest.mark.integration, pytest.mark.long]

LEAST = 0.4
ROUNDS, SECONDS = 7, 1.0


async def bare(of: Rig) -> float:
    (device,) = plan(of)
    client = AsyncModbusTcpClient(HOST, port=device.device.port, retries=0)
    await client.connect()
    scans, began = 0, time.perf_counter()
    while time.perf_counter() - began < SECONDS:
        for planned in device.reads:
            answer = await client.read_input_registers(
                planned.read.address, count=planned.read.count, device_id=planned.read.unit
            )
            assert not answer.isError()
        scans += 1
    client.close()
    return scans / SECONDS


async def watched(of: Rig, folder: Path) -> float:
    with Journal(folder, bound=10**6) as journal:
        before = restored(None)
        source = PolledSource(of, OwnDevice(of, {}), period_s=0)
        loop = Loop(engine=before.engine, journal=journal, clock=before.clock, again=lambda _: pytest.fail("lost"))
        loop.begin(start_of(before, version="0", rig_toml=of.text))
        watching = asyncio.create_task(loop.watch(source))
        await asyncio.sleep(0.2)
        assert loop.picture is not None
        first, began = loop.picture.input, time.perf_counter()
        await asyncio.sleep(SECONDS)
        rate = (loop.picture.input - first) / (time.perf_counter() - began)
        watching.cancel()
        await asyncio.gather(watching, return_exceptions=True)
        await source.close()
    return rate


def test_scans_a_second(tmp_path: Path) -> None:
    rates: dict[str, list[float]] = {"bare": [], "watch": []}
    with foreign(built(tmp_path)) as port:
        of = parse(changed(DEMO.read_text(), ("port = 1502", f"port = {port}")), "demo.toml")
        for number in range(ROUNDS):
            rates["bare"].append(asyncio.run(bare(of)))
            rates["watch"].append(asyncio.run(watched(of, tmp_path / str(number))))
            assert verify(tmp_path / str(number)).verdict == "consistent"
    found = {name: median(rate) for name, rate in rates.items()}
    ratio = found["watch"] / found["bare"]
    print(f"bare {found['bare']:.0f}, watch {found['watch']:.0f} scans/s: {ratio:.2f} of bare; at least {LEAST}")
    assert ratio >= LEAST
