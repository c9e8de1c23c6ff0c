"""Whether what PLCs get has room: lamps and devices in the outstation, mailboxes on their devices.

A mailbox is the only thing on a device that is ever written, so it must lie clear of every register that is read as a
point, by whatever name the device goes.
"""

from collections.abc import Sequence
from typing import Final

from brakewater.rig.faults import Faults
from brakewater.rig.located import At
from brakewater.rig.model import Point
from brakewater.rig.outputs import BEFORE_LAMPS, LampMailbox, Registers
from brakewater.rig.tables import Device, Table

MOST_LAMPS: Final = 31
"""Windows that the outstation has places for, ``watching`` not counted."""
MOST_DEVICES: Final = 32
_WRITABLE: Final = ("tcp",)
"""Transports on which a second connection, for writes alone, does not disturb the reads."""
_SPACE: Final = 0x10000
_Server = tuple[str, int, int]


def registers(table: Registers | None, *, lamps: int, devices: int, faults: Faults) -> None:
    """The outstation has places for so many lamps and devices."""
    for key, found, most in (("lamp", lamps, MOST_LAMPS), ("device", devices, MOST_DEVICES)):
        if table is not None and found > most:
            faults.add(("registers",), f"{found} [[{key}]] tables", f"up to {most}: the outstation has no more places")


def mailboxes(
    items: Sequence[At[LampMailbox]],
    devices: Sequence[Device],
    points: Sequence[Point],
    *,
    lamps: int,
    faults: Faults,
) -> None:
    """Each on a device that can be written beside being read, large enough, and clear of points and other mailboxes."""
    by_name = {device.name: device for device in devices}
    taken = _read_addresses(points, by_name)
    for at in items:
        device = by_name.get(at.item.device)
        if device is None:
            faults.add_choice((*at.path, "device"), at.item.device, by_name)
            continue
        if device.transport not in _WRITABLE:
            allowed = f"a device with transport {' or '.join(_WRITABLE)}, which bears a connection for writes alone"
            faults.add((*at.path, "device"), f"{device.name!r}, whose transport is {device.transport!r}", allowed)
        _check_size(at, lamps, faults)
        _check_clear(at, _server(device), taken, faults)


def _check_size(at: At[LampMailbox], lamps: int, faults: Faults) -> None:
    least = BEFORE_LAMPS + 1 + lamps
    if at.item.count < least:
        allowed = f"{least} or more: signature, heartbeat, health, horn, the lamp watching and {lamps} [[lamp]]"
        faults.add((*at.path, "count"), str(at.item.count), allowed)
    if at.item.last >= _SPACE:
        found = f"address {at.item.address} ({at.item.count} registers)"
        faults.add((*at.path, "address"), found, f"up to {_SPACE - 1} for the last of them")


def _check_clear(at: At[LampMailbox], server: _Server, taken: dict[tuple[_Server, int], str], faults: Faults) -> None:
    own = f"lamp mailbox {at.path[-1] + 1}"
    for address in range(at.item.address, at.item.last + 1):
        other = taken.setdefault((server, address), own)
        if other != own:
            found = f"holding {address} of {at.item.device}, which {other} has too"
            faults.add(
                (*at.path, "address"), found, "registers that are neither read as a point nor in another mailbox"
            )
            return


def _read_addresses(points: Sequence[Point], devices: dict[str, Device]) -> dict[tuple[_Server, int], str]:
    return {
        (_server(devices[point.device]), address): f"point {point.name!r}"
        for point in points
        if point.table is Table.HOLDING and point.device in devices
        for address in range(point.address, point.address + point.count)
    }


def _server(device: Device) -> _Server:
    """One server may go by several names."""
    return device.host, device.port, device.unit
