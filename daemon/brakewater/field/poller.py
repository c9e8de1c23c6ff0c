"""Polls all lines side by side at a fixed cadence and closes one sample a tick; devices of one line take turns.

A sample closes when every expected device has answered or used up its time. A device that failed three scans in a row
is no longer expected: it is asked in the background and joins the next scan after it has answered. What is read only in
one of several scans is asked in the background too and comes with its age. Ticks lie on a fixed
grid, so that the cadence does not drift; ticks that could not be met are skipped, never made up for.
"""

import asyncio
from collections.abc import AsyncIterator
from struct import Struct
from time import monotonic_ns
from typing import Final

from brakewater.field.asked import Asked
from brakewater.field.link import Link
from brakewater.field.own import OwnDevice
from brakewater.field.plan import plan
from brakewater.field.polled_line import lines_of
from brakewater.quality import Status
from brakewater.rig import SELF, Rig
from brakewater.stream import Sample

_NOBODY_S: Final = 0.01
"""Distance of scans without a cadence while no device is expected, s."""


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
        # The daemon's own points are the last of a rig, so their words go behind all that is read.
        read = [slot.point for slot in rig.slots if slot.point.device != SELF]
        self._words = [0] * sum(point.count for point in read)
        self._pack = Struct(f"<{len(self._words)}H").pack
        self._status = bytearray([Status.SILENT] * len(read) + [Status.OK] * (len(rig.points) - len(read)))
        plans = plan(rig)
        self._lines = lines_of(plans, self._words, self._status)
        by_name = {device.name: device for line in self._lines for device in line.devices}
        self._devices = [by_name[planned.device.name] for planned in plans]
        self._closed = False
        self.lateness_ns = 0
        """How late the last tick began."""
        self.skipped = 0
        """Ticks that could not be met."""

    @property
    def links(self) -> dict[str, Link]:
        """Device name -> its line."""
        return {device.name: device.link for device in self._devices}

    @property
    def asked(self) -> dict[str, Asked]:
        """Device name -> what it was asked and how it went, for status."""
        return {device.name: device.asked for device in self._devices}

    async def samples(self) -> AsyncIterator[Sample]:
        """One sample a tick until closed."""
        time = asyncio.get_running_loop().time
        tick = first = time()
        number = 0
        scans = 0
        while (sample := await self._scan(scans, time() - tick)) is not None:
            yield sample
            scans += 1
            number += 1 + self._skip(time() - first - (number + 1) * self._period_s)
            tick = first + number * self._period_s if self._period_s else time()
            if (left_s := tick - time()) > 0:
                await asyncio.sleep(left_s)

    def _skip(self, behind_s: float) -> int:
        """How many ticks to leave out when the next one is so late."""
        if not behind_s > self._period_s > 0:
            return 0
        missed = int(behind_s // self._period_s)
        self.skipped += missed
        return missed

    async def _scan(self, number: int, late_s: float) -> Sample | None:
        """One pass over all devices; None once closed: what our own hanging up made of it is nothing they did."""
        self.lateness_ns = max(0, round(late_s * 1e9))
        own = self._own.words()  # before anybody is asked, so that no answer waits for it
        if not self._closed:
            await self._poll(number)
        return None if self._closed else self._sample(own)

    async def _poll(self, number: int) -> None:
        waited = [line for line in self._lines if line.is_waited_for]
        if len(waited) == 1:
            await waited[0].poll()
        elif waited:
            await asyncio.gather(*(line.poll() for line in waited))
        elif self._period_s == 0:
            await asyncio.sleep(_NOBODY_S)
        for line in self._lines:
            line.go_on(number)

    def _sample(self, own: bytes) -> Sample:
        now_ns = monotonic_ns()
        return Sample(
            words=self._pack(*self._words) + own,
            status=bytes(self._status),
            age_ns=(*[age_ns for device in self._devices for age_ns in device.ages_ns(now_ns)], 0),
            closed_ns=now_ns,
        )

    async def close(self) -> None:
        """Hang up every line."""
        self._closed = True
        await asyncio.gather(*(line.close() for line in self._lines))
