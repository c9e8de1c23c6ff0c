"""What a rig file may say and yet is likely a slip: for ``check`` to warn of. Never a fault, since it may be meant."""

import re
from collections.abc import Iterator
from ipaddress import ip_address
from itertools import combinations
from typing import Final

from brakewater.rig.model import SELF, Rig
from brakewater.rig.signal_cautions import of_signal

_FIRST_REFERENCE: Final = {"discrete": 10_001, "input": 30_001, "holding": 40_001}
"""In the notation that counts from 1 and whose first digit names the table."""
_SHORT_PRESS_NS: Final = 500_000_000
"""A finger holds a button no shorter; an assumption."""


def cautions(rig: Rig) -> list[str]:
    """A sentence each."""
    points = [point for point in rig.points if point.device != SELF]
    of_points = [says for point in points for says in of_signal(point, rig.units)]
    return [
        *_hosts(rig),
        *_same_device(rig),
        *_everybody(rig),
        *references_as_addresses(rig),
        *_buttons(rig),
        *of_points,
    ]


def _hosts(rig: Rig) -> Iterator[str]:
    """An address with its port, or with more than a name: nobody is ever reached by it."""
    places = [(one.name, one.host) for one in rig.devices if one.host]
    for name, host in [*places, *([("mqtt", rig.mqtt.host)] if rig.mqtt is not None else [])]:
        if not _callable(host):
            says = 'is neither an address nor a name, such as "192.0.2.10"; its port goes under port'
            yield f'{name}: host = "{host}" {says}'


def _callable(host: str) -> bool:
    """Whether it can be an address or a name."""
    try:
        ip_address(host)
    except ValueError:
        return re.fullmatch(r"[\w.-]+", host) is not None and not re.fullmatch(r"[\d.]+", host)
    return True


def _same_device(rig: Rig) -> Iterator[str]:
    """A copied table whose address was to be another."""
    for one, other in combinations(rig.devices, 2):
        if (one.line, one.unit) == (other.line, other.unit):
            yield (
                f"{one.name} and {other.name} are both unit {one.unit} at {one.line}: one and the same device is read"
                " under two names; give the second its own host, port or unit"
            )


def _everybody(rig: Rig) -> Iterator[str]:
    """Unit 0 speaks to all devices of a serial line at once, and none answers; a server by its own address may do so.

    "Modbus Messaging on TCP/IP Implementation Guide V1.0b", from memory.
    """
    for device in rig.devices:
        if device.unit == 0:
            yield (
                f"{device.name}: unit = 0 speaks to all devices of a line at once: behind a gateway none of them"
                " answers, and what is written goes to each. A PLC that is reached by its own address mostly answers to"
                " unit = 1 and unit = 255 as well"
            )


def references_as_addresses(rig: Rig) -> list[str]:
    """Addresses that look like references: a register list says 40005 and means address 4 of the holding table."""
    places = [(point.name, point.table.value, point.address) for point in rig.points]
    places += [(f"lamp-mailbox on {one.device}", "holding", one.address) for one in rig.mailboxes]
    found = []
    for name, table, address in places:
        first = _FIRST_REFERENCE.get(table)
        if first is not None and first <= address < first + 9_999:
            found.append(
                f"{name}: address = {address} counts from 0; if the register list says {address}, "
                f"write reference = {address} instead (which is address {address - first})"
            )
    return found


def _buttons(rig: Rig) -> Iterator[str]:
    """Contacts that are looked at so seldom that a press can lie between two looks."""
    for point in rig.points:
        apart_ns = rig.scan_ns * point.every
        if point.role.startswith("push-") and apart_ns > _SHORT_PRESS_NS:
            yield (
                f"{point.name}: is read every {apart_ns / 1e9:g} s, and a press that is shorter goes unseen; read it"
                " more often, have the PLC hold it that long, or let the PLC write the outstation's coils"
            )
