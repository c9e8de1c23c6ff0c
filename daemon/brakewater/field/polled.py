"""One device as the poller sees it, and the line it shares: its last answers, and whether a scan waits for it."""

import asyncio
import logging
from collections.abc import Sequence
from typing import Final

from brakewater.field.endpoints import endpoint_of
from brakewater.field.frames import Answer, Read
from brakewater.field.group import Group, Places, Split
from brakewater.field.link import Link
from brakewater.field.plan import DevicePlan, PlannedRead
from brakewater.quality import Status
from brakewater.rig import Device

PATIENCE: Final = 3
"""Failed scans in a row after which a device is not waited for."""
_PROBE_S: Final = 2.0
"""Least distance of probes on a line that others use too; ten times its turnaround where that is longer."""
_KNOCK_S: Final = 1.0
"""Patience of a knock on a line that nobody else uses: when many devices were lost at once on a busy machine, dialling
them all anew takes longer than one answer may, and no dial would ever come to its end."""
_NO_SUCH: Final = (Status.EXCEPTION | 2, Status.EXCEPTION | 3)
"""What a device answers that knows only part of what a merged read asks for."""

_log = logging.getLogger(__name__)


def _is_answer(status: int) -> bool:
    return status == Status.OK or status >= Status.EXCEPTION


class Polled:
    """One device."""

    def __init__(self, planned: DevicePlan, link: Link, words: list[int], status: bytearray) -> None:
        device = planned.device
        self.name, self.link = device.name, link
        self.groups = [
            Group(every, [one for one in planned.reads if one.every == every])
            for every in sorted({one.every for one in planned.reads} or {device.every})
        ]
        self._words, self._status = words, status
        self._timeout_s = device.timeout / 1e9
        self._trouble: int = Status.ABSENT
        self._missed = 0

    @property
    def has_reads(self) -> bool:
        """Whether any point is read from it."""
        return any(group.reads for group in self.groups)

    @property
    def expected(self) -> bool:
        """Whether a scan waits for it."""
        return self._missed < PATIENCE

    def ages_ns(self, now_ns: int) -> list[int]:
        """How old the oldest value of each group may be; 0 where nothing is read."""
        return [now_ns - group.sent_ns if group.reads else 0 for group in self.groups]

    @property
    def has_quick(self) -> bool:
        """Whether it is asked anything in every scan."""
        return any(group.reads and group.every == 1 for group in self.groups)

    def call_due(self, number: int) -> bool:
        """Note which slow groups are due from scan ``number`` on, the first being 0; True where any is."""
        for group in self.groups:
            group.due |= group.every > 1 and bool(group.reads) and number % group.every == 0
        return any(group.due for group in self.groups)

    async def poll(self) -> None:
        """Ask what every scan asks; words and status go straight into the scan."""
        answered = await self._poll([group for group in self.groups if group.every == 1])
        self._missed = 0 if answered else self._missed + 1

    async def poll_slow(self) -> None:
        """Ask what is due of the rest; no scan waits for it."""
        due = [group for group in self.groups if group.due]
        for group in due:
            group.due = False
        answered = await self._poll(due)
        if answered or not self.has_quick:
            self._missed = 0 if answered else self._missed + 1

    async def _poll(self, groups: Sequence[Group]) -> bool:
        time = asyncio.get_running_loop().time
        deadline = time() + self._timeout_s
        answered = False
        for group in groups:
            if (split := group.to_try(time())) is not None:
                await self._try_whole(group, split, deadline)
            sent_ns = 0
            for planned, places in tuple(group.reads):
                answer, status = await self._ask(planned.read, deadline - time())
                sent_ns = sent_ns or answer.sent_ns  # the first is the oldest
                answered |= _is_answer(status)
                self._take(planned.read, places, status, answer.words)
                if status in _NO_SUCH and len(planned.split()) > 1:
                    self._split(group, planned, status)
            group.sent_ns = sent_ns or group.sent_ns
        return answered

    def _split(self, group: Group, planned: PlannedRead, status: int) -> None:
        read = planned.read
        _log.warning(
            "%s refuses %s %d to %d together (exception %d): asking one by one, and together again after a while; "
            "where this stays, give its gap or holes in the rig file",
            self.name,
            read.table.value,
            read.address,
            read.address + read.count - 1,
            status & 0x7F,
        )
        group.split(planned, asyncio.get_running_loop().time())

    async def _try_whole(self, group: Group, split: Split, deadline: float) -> None:
        """Ask a split read in one piece; its answer shows nowhere, the scan asks again as the group then says."""
        time, read = asyncio.get_running_loop().time, split.whole.read
        status = (await self.link.read(read, deadline - time())).status
        if status in _NO_SUCH:
            split.refused(time())
        elif status != Status.OK:
            split.put_off(time())
        else:
            _log.info("%s answers %s from %d on together again", self.name, read.table.value, read.address)
            group.join(split)

    async def knock(self) -> None:
        """Ask once outside a scan whether it is back."""
        first = next(group.reads[0][0].read for group in self.groups if group.reads)
        _, status = await self._ask(first, self.link.timeout_s)
        if _is_answer(status):
            self._missed = 0
            return
        for group in self.groups:
            for planned, places in group.reads:
                self._take(planned.read, places, status, ())

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


class Line:
    """The devices that share one connection or serial port: asked one after the other."""

    def __init__(self, plans: Sequence[DevicePlan], words: list[int], status: bytearray) -> None:
        devices = [planned.device for planned in plans]
        self.link = _link(devices)
        self.devices = [Polled(planned, self.link, words, status) for planned in plans]
        self._asked = [device for device in self.devices if device.has_reads]
        self._shared = len(self._asked) > 1
        self._background: asyncio.Task[None] | None = None
        self._next_probe = 0.0
        self._turn = 0
        self._pause_s = max(_PROBE_S, 10 * max(device.turnaround for device in devices) / 1e9)

    @property
    def is_waited_for(self) -> bool:
        """Whether a scan waits for anything here."""
        return any(device.expected and device.has_quick for device in self._asked)

    async def poll(self) -> None:
        """Ask every expected device what every scan asks."""
        for device in self._asked:
            if device.expected and device.has_quick:
                await device.poll()

    def go_on(self, number: int) -> None:
        """Behind scan ``number``: in the background ask what is slow and due, and knock at one lost device."""
        due = [device for device in self._asked if device.call_due(number) and device.expected]
        if self._background is not None and not self._background.done():
            return
        lost = self._next_lost()
        if due or lost is not None:
            self._background = asyncio.create_task(_behind(due, lost), name=f"behind {self.devices[0].name}")

    def _next_lost(self) -> Polled | None:
        """A device to knock at now. A line that others use too is not held up often."""
        lost = [device for device in self._asked if not device.expected]
        now = asyncio.get_running_loop().time()
        if not lost or (self._shared and now < self._next_probe):
            return None
        self._next_probe, self._turn = now + self._pause_s, self._turn + 1
        return lost[self._turn % len(lost)]

    async def close(self) -> None:
        """Hang up."""
        if self._background is not None:
            self._background.cancel()
            await asyncio.gather(self._background, return_exceptions=True)
        await self.link.close()


async def _behind(due: Sequence[Polled], lost: Polled | None) -> None:
    for device in due:
        await device.poll_slow()
    if lost is not None:
        await lost.knock()


def lines_of(plans: Sequence[DevicePlan], words: list[int], status: bytearray) -> list[Line]:
    """One line for the devices at each endpoint, in the order of the rig file."""
    by_line: dict[str, list[DevicePlan]] = {}
    for planned in plans:
        by_line.setdefault(planned.device.line, []).append(planned)
    return [Line(together, words, status) for together in by_line.values()]


def _link(devices: Sequence[Device]) -> Link:
    """The line's connection: the longest patience and the longest turnaround of its devices."""
    slowest = max(devices, key=lambda device: device.turnaround)
    patience_s = max(device.timeout for device in devices) / 1e9
    if len(devices) == 1:
        patience_s = max(patience_s, _KNOCK_S)
    return Link(endpoint=endpoint_of(slowest), timeout_s=patience_s)
