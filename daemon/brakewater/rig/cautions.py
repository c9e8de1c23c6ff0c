"""What a rig file may say and yet is likely a slip: for ``check`` to warn of. Never a fault, since it may be meant."""

import re
from collections.abc import Iterator
from ipaddress import ip_address
from itertools import combinations
from typing import Final

from brakewater.rig.model import SELF, Point, Rig
from brakewater.signals import loop
from brakewater.signals.convert import CurrentLoop, Linear
from brakewater.signals.flow import Root
from brakewater.signals.words import RegisterKind

_FIRST_REFERENCE: Final = {"discrete": 10_001, "input": 30_001, "holding": 40_001}
"""In the notation that counts from 1 and whose first digit names the table."""
_SHORT_PRESS_NS: Final = 500_000_000
"""A finger holds a button no shorter; an assumption."""
_HOLDS: Final = {
    RegisterKind.INT16: (-(2**15), 2**15 - 1),
    RegisterKind.UINT16: (0, 2**16 - 1),
    RegisterKind.INT32: (-(2**31), 2**31 - 1),
    RegisterKind.UINT32: (0, 2**32 - 1),
}


def cautions(rig: Rig) -> list[str]:
    """A sentence each."""
    points = [point for point in rig.points if point.device != SELF]
    of_points = [says for point in points for says in _of_point(point)]
    return [*_hosts(rig), *_same_device(rig), *references_as_addresses(rig), *_buttons(rig), *of_points]


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


def _of_point(point: Point) -> Iterator[str]:
    signal = point.signal
    if not isinstance(signal, CurrentLoop | Linear | Root):
        return
    raw = f"raw = [{signal.raw_low:g}, {signal.raw_high:g}]"
    falls = signal.raw_low > signal.raw_high
    if isinstance(signal, CurrentLoop | Linear) and falls != (signal.low > signal.high):
        ends = "its value falls as its counts rise"
        yield f"{point.name}: {ends}: are the ends of raw, or of range, the wrong way round?"
    if isinstance(signal, Root) and falls:
        yield f"{point.name}: {raw}: are its ends the wrong way round?"
    if point.register.kind not in _HOLDS:
        return
    (least, most), kind = _HOLDS[point.register.kind], point.register.kind.value
    if not all(least <= end <= most for end in (signal.raw_low, signal.raw_high)):
        yield f"{point.name}: {raw} goes beyond what {kind} holds, {least} to {most}: another type, or other counts?"
    elif isinstance(signal, CurrentLoop) or (isinstance(signal, Root) and signal.loop):
        yield from _failures(point, signal)


def _failures(point: Point, signal: CurrentLoop | Root) -> Iterator[str]:
    """Currents by which a transmitter says that it failed, and for which the register has no number."""
    (least, most), kind = _HOLDS[point.register.kind], point.register.kind.value
    for milliamps, how, instead in ((loop.FAILED_LOW_MA, "broken", 4), (loop.FAILED_HIGH_MA, "failed high", 20)):
        counts = signal.raw_low + (milliamps - 4.0) / 16.0 * (signal.raw_high - signal.raw_low)
        if not least <= counts <= most:
            yield (
                f"{point.name}: {milliamps:g} mA would be {counts:.0f} counts, which {kind} does not hold: a loop"
                f" that is {how} may read as {instead} mA; see how the card shows it"
            )
