"""Polls all devices side by side at a fixed cadence and closes one sample a tick.

A sample closes when every expected device has answered or used up its time. A device that failed three scans in a row
is no longer expected: it is asked in the background and joins the next scan after it has answered. Ticks lie on a fixed
grid, so that the cadence does not drift; ticks that could not be met are skipped, never made up for.
"""

import asyncio
from collections.abc import AsyncIterator
from time import monotonic_ns
from typing import Final

import numpy as np

from brakewater.field.link import Link
from brakewater.field.own import OwnDevice
from brakewater.field.plan import DevicePlan, plan
from brakewater.quality import Status
from brakewater.rig import SELF, Rig
from brakewater.stream import Sample

PATIENCE: Final = 3
"""Failed scans in a row after which a device is not waited for."""


class _Polled:
    """One device as the poller sees it: its last answers, and whether a scan waits for it."""

    def __init__(self, planned: DevicePlan, words: np.ndarray, status: np.ndarray) -> None:
        device = planned.device
        self.name = device.name
        self._planned, self._words, self._status = planned, words, status
        self.link = Link(host=device.host, port=device.port, timeout_s=device.timeout / 1e9)
        self._timeout_s = device.timeout / 1e9
        self._missed = 0
        self._probe: asyncio.Task[None] | None = None
        self.sent_ns = monotonic_ns()

    @property
    def expected(self) -> bool:
        return self._missed < PATIENCE

    async def poll(self) -> None:
        """Ask all its registers once; words and status go straight into the scan."""
        deadline = asyncio.get_running_loop().time() + self._timeout_s
        sent: list[int] = []
        answered = False
        for planned in self._planned.reads:
            left_s = deadline - asyncio.get_running_loop().time()
            answer = await self.link.read(planned.read, left_s)
            sent.append(answer.sent_ns)
            answered |= answer.status == Status.OK or answer.status >= Status.EXCEPTION
            for part in planned.parts:
                self._status[part.index] = answer.status
                if answer.status == Status.OK:
                    self._words[part.column : part.column + part.count] = answer.words[
                        part.offset : part.offset + part.count
                    ]
                else:
                    self._words[part.column : part.column + part.count] = 0
        self.sent_ns = min(sent, default=monotonic_ns())
        self._missed = 0 if answered or not sent else self._missed + 1

    def probe(self) -> None:
        """Ask in the background, unless such an asking is still under way."""
        if self._probe is None or self._probe.done():
            self._probe = asyncio.create_task(self._ask(), name=f"probe {self.name}")

    async def _ask(self) -> None:
        if not self._planned.reads:
            return
        answer = await self.link.read(self._planned.reads[0].read)
        if answer.status == Status.OK or answer.status >= Status.EXCEPTION:
            self._missed = 0
        elif not self.expected:
            for planned in self._planned.reads:
                for part in planned.parts:
                    self._status[part.index] = answer.status

    async def close(self) -> None:
        if self._probe is not None:
            self._probe.cancel()
            await asyncio.gather(self._probe, return_exceptions=True)
        await self.link.close()


class PolledSource:
    """The rig's devices as a source of samples."""

    def __init__(self, rig: Rig, own: OwnDevice, *, period_s: float | None = None) -> None:
        """Plan the reads; nothing is opened yet.

        Args:
            rig: devices and points.
            own: the daemon's own device.
            period_s: cadence, s; 0 for as fast as the devices answer; default the rig's.
        """
        self._period_s = rig.scan_ns / 1e9 if period_s is None else period_s
        self._own = own
        self._words = np.zeros(rig.words, np.dtype("<u2"))
        self._status = np.full(len(rig.points), Status.SILENT, np.uint8)
        own_slots = [slot for slot in rig.slots if slot.point.device == SELF]
        self._status[[slot.index for slot in own_slots]] = Status.OK
        self._own_from = own_slots[0].column if own_slots else rig.words
        self._devices = [_Polled(planned, self._words, self._status) for planned in plan(rig)]
        self._closed = False
        self.lateness_ns = 0
        """How late the last tick began."""
        self.skipped = 0
        """Ticks that could not be met."""

    @property
    def links(self) -> dict[str, Link]:
        """Device name -> its line, for status."""
        return {device.name: device.link for device in self._devices}

    async def samples(self) -> AsyncIterator[Sample]:
        """One sample a tick until closed."""
        loop = asyncio.get_running_loop()
        tick = loop.time()
        while not self._closed:
            await self._until(tick)
            self.lateness_ns = max(0, round((loop.time() - tick) * 1e9))
            yield await self._scan()
            tick += self._period_s
            behind = loop.time() - tick
            if behind > self._period_s > 0:
                missed = int(behind // self._period_s)
                self.skipped += missed
                tick += missed * self._period_s

    async def _until(self, tick: float) -> None:
        left_s = tick - asyncio.get_running_loop().time()
        if left_s > 0:
            await asyncio.sleep(left_s)

    async def _scan(self) -> Sample:
        expected = [device for device in self._devices if device.expected]
        for device in self._devices:
            if not device.expected:
                device.probe()
        if len(expected) == 1:
            await expected[0].poll()
        elif expected:
            await asyncio.gather(*(device.poll() for device in expected))
        elif self._period_s == 0:
            await asyncio.sleep(0.01)
        now_ns = monotonic_ns()
        self._words[self._own_from :] = np.frombuffer(self._own.words(), "<u2")
        return Sample(
            words=self._words.tobytes(),
            status=self._status.tobytes(),
            age_ns=(*(now_ns - device.sent_ns for device in self._devices), 0),
        )

    async def close(self) -> None:
        """Hang up every line."""
        self._closed = True
        await asyncio.gather(*(device.close() for device in self._devices))
