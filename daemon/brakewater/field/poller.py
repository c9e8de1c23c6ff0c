"""Polls all devices side by side at a fixed cadence and closes one sample a tick.

A sample closes when every expected device has answered or used up its time. A device that failed three scans in a row
is no longer expected: it is asked in the background and joins the next scan after it has answered. Ticks lie on a fixed
grid, so that the cadence does not drift; ticks that could not be met are skipped, never made up for.
"""

import asyncio
from collections.abc import AsyncIterator
from struct import Struct
from time import monotonic_ns
from typing import Final

from brakewater.field.frames import Answer, Read
from brakewater.field.link import Link
from brakewater.field.own import OwnDevice
from brakewater.field.plan import DevicePlan, PlannedRead, plan
from brakewater.quality import Status
from brakewater.rig import SELF, Rig
from brakewater.stream import Sample

PATIENCE: Final = 3
"""Failed scans in a row after which a device is not waited for."""
_NOBODY_S: Final = 0.01
"""Distance of scans without a cadence while no device is expected, s."""

Places = list[tuple[int, slice, slice]]
"""Of each point of a read: the column of its status, its words in the scan, its words in the answer."""


class _Polled:
    """One device as the poller sees it: its last answers, and whether a scan waits for it."""

    def __init__(self, planned: DevicePlan, words: list[int], status: bytearray) -> None:
        device = planned.device
        self.name = device.name
        self.reads = [(one.read, _places(one)) for one in planned.reads]
        self.link = Link(host=device.host, port=device.port, timeout_s=device.timeout / 1e9)
        self._words, self._status = words, status
        self._timeout_s = device.timeout / 1e9
        self._trouble: int = Status.ABSENT
        self._missed = 0
        self._probe: asyncio.Task[None] | None = None
        self._sent_ns = monotonic_ns()

    @property
    def expected(self) -> bool:
        return self._missed < PATIENCE

    def age_ns(self, now_ns: int) -> int:
        """How old its oldest value may be; 0 where nothing is read."""
        return now_ns - self._sent_ns if self.reads else 0

    async def poll(self) -> None:
        """Ask all its registers once; words and status go straight into the scan."""
        time = asyncio.get_running_loop().time
        deadline = time() + self._timeout_s
        answered, sent_ns = False, 0
        for read, places in self.reads:
            answer, status = await self._ask(read, deadline - time())
            sent_ns = sent_ns or answer.sent_ns  # the first is the oldest
            answered |= _is_answer(status)
            self._take(read, places, status, answer.words)
        self._sent_ns = sent_ns
        self._missed = 0 if answered else self._missed + 1

    def probe(self) -> None:
        """Ask in the background, unless such an asking is still under way."""
        if self._probe is None or self._probe.done():
            self._probe = asyncio.create_task(self._knock(), name=f"probe {self.name}")

    async def _knock(self) -> None:
        _, status = await self._ask(self.reads[0][0], self._timeout_s)
        if _is_answer(status):
            self._missed = 0
            return
        for read, places in self.reads:
            self._take(read, places, status, ())

    async def _ask(self, read: Read, limit_s: float) -> tuple[Answer, int]:
        """The answer, and the status to show: where nothing was even tried, what went wrong before still stands."""
        tried = self.link.connects
        answer = await self.link.read(read, limit_s)
        status = answer.status
        if status == Status.ABSENT and self.link.connects == tried:
            return answer, self._trouble
        self._trouble = Status.SLOW if _is_answer(status) else status  # no time left after an answer: it took too long
        return answer, status

    def _take(self, read: Read, places: Places, status: int, words: tuple[int, ...]) -> None:
        words = words or (0,) * read.count
        for index, into, part in places:
            self._status[index] = status
            self._words[into] = words[part]

    async def close(self) -> None:
        if self._probe is not None:
            self._probe.cancel()
            await asyncio.gather(self._probe, return_exceptions=True)
        await self.link.close()


def _places(planned: PlannedRead) -> Places:
    return [
        (part.index, slice(part.column, part.column + part.count), slice(part.offset, part.offset + part.count))
        for part in planned.parts
    ]


def _is_answer(status: int) -> bool:
    return status == Status.OK or status >= Status.EXCEPTION


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
        self._devices = [_Polled(planned, self._words, self._status) for planned in plan(rig)]
        self._asked = [device for device in self._devices if device.reads]
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
        time = asyncio.get_running_loop().time
        tick = first = time()
        number = 0
        while (sample := await self._scan(time() - tick)) is not None:
            yield sample
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

    async def _scan(self, late_s: float) -> Sample | None:
        """One pass over all devices; None once closed: what our own hanging up made of it is nothing they did."""
        self.lateness_ns = max(0, round(late_s * 1e9))
        if not self._closed:
            await self._poll()
        return None if self._closed else self._sample()

    async def _poll(self) -> None:
        expected: list[_Polled] = []
        for device in self._asked:
            if device.expected:
                expected.append(device)
            else:
                device.probe()
        if len(expected) == 1:
            await expected[0].poll()
        elif expected:
            await asyncio.gather(*(device.poll() for device in expected))
        elif self._period_s == 0:
            await asyncio.sleep(_NOBODY_S)

    def _sample(self) -> Sample:
        now_ns = monotonic_ns()
        return Sample(
            words=self._pack(*self._words) + self._own.words(),
            status=bytes(self._status),
            age_ns=(*[device.age_ns(now_ns) for device in self._devices], 0),
            closed_ns=now_ns,
        )

    async def close(self) -> None:
        """Hang up every line."""
        self._closed = True
        await asyncio.gather(*(device.close() for device in self._devices))
