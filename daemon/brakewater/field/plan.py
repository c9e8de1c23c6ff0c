"""The read plan: which requests fetch all points of a device, merged into as few as its limits allow."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from brakewater.field.frames import MOST, Read
from brakewater.rig import Device, Rig, Slot


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Where the words of one point go: from the answer into the scan."""

    offset: int
    """In the answer."""
    count: int
    column: int
    """First column of the point's words in a scan."""
    index: int
    """Column of the point's status."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRead:
    """One request with what it brings."""

    read: Read
    parts: tuple[Part, ...]
    every: int = 1
    """It is asked in one of so many scans."""

    def split(self) -> "tuple[PlannedRead, ...]":
        """One request a stretch of registers that points share; for a device that refuses the merged one."""
        return tuple(
            PlannedRead(
                read=Read(unit=self.read.unit, table=self.read.table, address=self.read.address + offset, count=count),
                parts=tuple(
                    Part(offset=0, count=part.count, column=part.column, index=part.index)
                    for part in self.parts
                    if (part.offset, part.count) == (offset, count)
                ),
                every=self.every,
            )
            for offset, count in dict.fromkeys((part.offset, part.count) for part in self.parts)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class DevicePlan:
    """All requests of one device, one scan."""

    device: Device
    reads: tuple[PlannedRead, ...]


def plan(rig: Rig) -> tuple[DevicePlan, ...]:
    """One plan a device, in the order of the rig file."""
    return tuple(DevicePlan(device=device, reads=tuple(_reads(rig, device))) for device in rig.devices)


def _reads(rig: Rig, device: Device) -> Iterator[PlannedRead]:
    slots = [slot for slot in rig.slots if slot.point.device == device.name]
    for every in sorted({slot.point.every for slot in slots}):
        reads = list(_merged(device, [slot for slot in slots if slot.point.every == every]))
        yield from _unlike_neighbours(reads) if device.transport.startswith("rtu") else reads


def _unlike_neighbours(reads: Sequence[PlannedRead]) -> Iterator[PlannedRead]:
    """As few neighbours of equal length as can be: on RTU a stale answer then fails by its length."""
    left = sorted(reads, key=lambda one: one.read.count)
    last = 0
    while left:
        lengths = Counter(one.read.count for one in left)
        unlike = [one for one in left if one.read.count != last]
        chosen = max(unlike or left, key=lambda one: lengths[one.read.count])
        left.remove(chosen)
        last = chosen.read.count
        yield chosen


def _merged(device: Device, slots: Sequence[Slot]) -> Iterator[PlannedRead]:
    ordered = sorted(slots, key=lambda slot: (slot.point.table.value, slot.point.address, slot.index))
    group: list[Slot] = []
    for slot in ordered:
        if group and not _fits(device, group, slot):
            yield _read(device, group)
            group = []
        group.append(slot)
    if group:
        yield _read(device, group)


def _end(group: Sequence[Slot]) -> int:
    return max(slot.point.address + slot.point.count for slot in group)


def _fits(device: Device, group: Sequence[Slot], slot: Slot) -> bool:
    point, first = slot.point, group[0].point
    most = MOST[point.table] if point.table.is_bits else device.max_registers
    gap = device.gap * 16 if point.table.is_bits else device.gap
    span = max(_end(group), point.address + point.count) - first.address
    near = point.table is first.table and point.address - _end(group) <= gap and span <= most
    return near and not device.has_hole(point.table, first.address, span)


def _read(device: Device, group: Sequence[Slot]) -> PlannedRead:
    first = group[0].point
    return PlannedRead(
        read=Read(unit=device.unit, table=first.table, address=first.address, count=_end(group) - first.address),
        parts=tuple(
            Part(
                offset=slot.point.address - first.address,
                count=slot.point.count,
                column=slot.column,
                index=slot.index,
            )
            for slot in group
        ),
        every=first.every,
    )
