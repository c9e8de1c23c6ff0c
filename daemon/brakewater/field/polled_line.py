"""The devices that share one connection or serial port, as the poller sees them: turns, and knocks at lost ones."""

import asyncio
from collections.abc import Sequence
from typing import Final

from brakewater.field.endpoints import endpoint_of
from brakewater.field.link import Link
from brakewater.field.plan import DevicePlan
from brakewater.field.polled import Polled
from brakewater.rig import Device

_PROBE_S: Final = 2.0
"""Least distance of probes on a line that others use too; on RTU, where a probe in vain leaves the line silent for its
turnaround, ten times that where it is longer."""
_KNOCK_S: Final = 1.0
"""Patience of a knock on a line that nobody else uses: when many devices were lost at once on a busy machine, dialling
them all anew takes longer than one answer may, and no dial would ever come to its end."""


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
        self._pause_s = max(_PROBE_S, 10 * _silence_s(devices))

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
            patience_s = None if self._shared else self.link.timeout_s  # the others wait for the line meanwhile
            behind = _behind(due, lost, patience_s)
            self._background = asyncio.create_task(behind, name=f"behind {self.devices[0].name}")

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


async def _behind(due: Sequence[Polled], lost: Polled | None, patience_s: float | None) -> None:
    for device in due:
        await device.poll_slow()
    if lost is not None:
        await lost.knock(patience_s)


def lines_of(plans: Sequence[DevicePlan], words: list[int], status: bytearray) -> list[Line]:
    """One line for the devices at each endpoint, in the order of the rig file."""
    by_line: dict[str, list[DevicePlan]] = {}
    for planned in plans:
        by_line.setdefault(planned.device.line, []).append(planned)
    return [Line(together, words, status) for together in by_line.values()]


def _silence_s(devices: Sequence[Device]) -> float:
    """How long a question in vain leaves the line silent, s; where answers are numbered it does not."""
    return max((one.turnaround / 1e9 for one in devices if one.transport.startswith("rtu")), default=0.0)


def _link(devices: Sequence[Device]) -> Link:
    """The line's connection: the longest patience and the longest turnaround of its devices."""
    slowest = max(devices, key=lambda device: device.turnaround)
    patience_s = max(device.timeout for device in devices) / 1e9
    if len(devices) == 1:
        patience_s = max(patience_s, _KNOCK_S)
    return Link(endpoint=endpoint_of(slowest), timeout_s=patience_s)
