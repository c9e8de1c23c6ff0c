"""Reads points one by one for a tech, and what stands around them. Nothing here can write.

The same questions are answered over lines of our own, and by a running daemon over its lines (door.py): a serial line
has one master.
"""

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable, Iterator, Sequence
from functools import partial
from typing import Final

from brakewater.field.endpoint import LineEndpoint
from brakewater.field.endpoints import endpoint_of
from brakewater.field.frames import Answer, Read
from brakewater.field.hypothesis import Cells
from brakewater.field.link import Link
from brakewater.field.seen import Seen
from brakewater.quality import Status
from brakewater.rig import SELF, Device, Point, Rig, Table

BEFORE: Final = 1
"""Addresses before a point that a wrong one may point at."""
AFTER: Final = 4
"""Addresses from its own on: a float64 at the next address ends here."""
_LONGEST_S: Final = 75.0
"""No read takes longer: the longest turnaround and timeout that a rig file may have, s."""
_OPENING_S: Final = 0.2
"""To open a serial port and let it hand over what it kept, s."""
_TRIES: Final = 3
"""One lost answer must not hide what stands there; a device that is not there costs so many times its patience."""
_TRIES_ELSEWHERE: Final = 2
"""At unit numbers of which most do not exist."""
_PATIENCE_NS: Final = 3_000_000_000
"""So long is waited once for a device that says nothing, to tell one that is late from one that is not there;
an assumption."""
_DIAL_AGAIN_S: Final = 0.2
"""A connection that broke is dialled anew after so long at most, however often it broke: somebody waits for it."""
_REST_S: Final = 0.3
"""Before another try, which then finds it dialled."""
_OTHER: Final = {
    Table.INPUT: Table.HOLDING,
    Table.HOLDING: Table.INPUT,
    Table.COIL: Table.DISCRETE,
    Table.DISCRETE: Table.COIL,
}

Ask = Callable[[Read], Awaitable[Answer]]
"""Reads from one device."""


class OwnLines:
    """Lines of our own to a rig's devices; open until closed, in one event loop."""

    def __init__(self, rig: Rig) -> None:
        self._devices = {device.name: device for device in rig.devices}
        self._links: dict[object, Link] = {}
        self._answers: Counter[str] = Counter()
        self._failures: Counter[str] = Counter()
        self._late_s: dict[str, float | None] = {}
        """Device that said nothing -> after how long it answers, given time; None: not even then."""

    def _link(self, device: Device) -> Link:
        endpoint = endpoint_of(device)
        if endpoint not in self._links:
            self._links[endpoint] = Link(endpoint=endpoint, timeout_s=_LONGEST_S, longest_wait_s=_DIAL_AGAIN_S)
        return self._links[endpoint]

    async def ask(self, device: Device, read: Read) -> Answer:
        """One read, within the device's own time; a serial line must first have been quiet for its turnaround."""
        link = self._link(device)
        quiet_s = link.endpoint.latency_s + _OPENING_S if isinstance(link.endpoint, LineEndpoint) else 0.0
        return await link.read(read, quiet_s + device.timeout / 1e9, answer_s=device.timeout / 1e9)

    async def scan(self, points: Sequence[Point]) -> list[Seen]:
        """Each point by itself, so that one that is refused hides no other, and each has its answer time."""
        return [await self._see(point) for point in points if point.device != SELF]

    async def _see(self, point: Point) -> Seen:
        device = self._devices[point.device]
        read = Read(unit=device.unit, table=point.table, address=point.address, count=point.count)
        answer = await self.ask(device, read)
        if answer.status == Status.ABSENT:  # its line may have broken just now, over another unit
            await asyncio.sleep(_REST_S)
            answer = await self.ask(device, read)
        status, detail = answer.status, ""
        if status != Status.OK:
            detail = self._link(device).asked(device.unit).trouble
            if status in (Status.SILENT, Status.SLOW) and (late_s := await self._late(device, read)) is not None:
                status, detail = Status.SLOW, f"after {late_s * 1e3:.0f} ms, and timeout is {device.timeout / 1e6:g} ms"
        (self._answers if answer.status == Status.OK else self._failures)[point.name] += 1
        return Seen(
            point=point,
            words=answer.words,
            status=status,
            detail=detail,
            answer_s=(answer.answered_ns - answer.sent_ns) / 1e9,
            answers=self._answers[point.name],
            failures=self._failures[point.name],
        )

    async def _late(self, device: Device, read: Read) -> float | None:
        """After how long a device that said nothing in time does answer, s; asked once a device."""
        if device.name not in self._late_s:
            patient = device.model_copy(update={"timeout": max(device.timeout, _PATIENCE_NS)})
            answer = await self.ask(patient, read)
            answered = answer.status == Status.OK or answer.status >= Status.EXCEPTION
            self._late_s[device.name] = (answer.answered_ns - answer.sent_ns) / 1e9 if answered else None
        return self._late_s[device.name]

    async def around(self, point: Point, units: Sequence[int] = ()) -> Cells:
        """What stands around a point, here and in the partner table; at other unit numbers in its own table only."""
        device = self._devices[point.device]

        async def ask(read: Read) -> Answer:
            return await self.ask(device, read)

        return await around(ask, device, point.table, point.address, units)

    async def close(self) -> None:
        """Hang up."""
        for link in self._links.values():
            await link.close()


async def around(ask: Ask, device: Device, table: Table, address: int, units: Sequence[int] = ()) -> Cells:
    """All cells that a hypothesis about an address may read, as far as the device gives them and no hole forbids."""
    found: dict[tuple[int, Table], dict[int, int]] = {}
    wanted = [(device.unit, table), (device.unit, _OTHER[table])]
    wanted += [(unit, table) for unit in units if unit != device.unit]
    for unit, where in wanted:
        cells: dict[int, int] = {}
        again = partial(_patiently, ask, _TRIES if unit == device.unit else _TRIES_ELSEWHERE)
        for first, count in _stretches(device, where, address):
            cells |= await _read(again, unit, where, first, count)
        found[unit, where] = cells
    return found


def _stretches(device: Device, table: Table, address: int) -> Iterator[tuple[int, int]]:
    """First address and count of what lies around an address and in no hole."""
    first = count = 0
    for at in range(max(0, address - BEFORE), min(0xFFFF, address + AFTER) + 1):
        if device.has_hole(table, at, 1) or (count and count >= device.max_registers):
            if count:
                yield first, count
            count = 0
        if not device.has_hole(table, at, 1):
            first = first if count else at
            count += 1
    if count:
        yield first, count


async def _read(ask: Ask, unit: int, table: Table, first: int, count: int) -> dict[int, int]:
    """In one request; where the device refuses that, address by address. One that does not answer is asked no more."""
    answer = await ask(Read(unit=unit, table=table, address=first, count=count))
    if answer.status == Status.OK:
        return dict(enumerate(answer.words, first))
    if answer.status < Status.EXCEPTION or count == 1:
        return {}
    cells: dict[int, int] = {}
    for at in range(first, first + count):
        one = await ask(Read(unit=unit, table=table, address=at, count=1))
        if one.status == Status.OK:
            cells[at] = one.words[0]
        elif one.status < Status.EXCEPTION:
            break
    return cells


async def _patiently(ask: Ask, tries: int, read: Read) -> Answer:
    """The first answer, be it a refusal; the last failure where none comes."""
    answer = await ask(read)
    for _ in range(tries - 1):
        if answer.status == Status.OK or answer.status >= Status.EXCEPTION:
            break
        await asyncio.sleep(_REST_S)
        answer = await ask(read)
    return answer
