"""The read plan: which requests fetch all points of a device, merged into as few as its limits allow."""

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


@dataclass(frozen=True, slots=True, kw_only=True)
class DevicePlan:
    """All requests of one device, one scan."""

    device: Device
    reads: tuple[PlannedRead, ...]


def plan(rig: Rig) -> tuple[DevicePlan, ...]:
    """One plan a device, in the order of the rig file."""
    return tuple(
        DevicePlan(
            device=device,
            reads=tuple(_merged(device, [slot for slot in rig.slots if slot.point.device == device.name])),
        )
        for device in rig.devices
    )


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
    return point.table is first.table and point.address - _end(group) <= gap and span <= most


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
    )
