"""How long the requests of one scan take, estimated from the plan alone."""

from collections.abc import Sequence
from typing import Final

from brakewater.field.endpoint import RtuOverTcpEndpoint, SerialEndpoint, character_s, pause_s
from brakewater.field.endpoints import endpoint_of
from brakewater.field.frames import Read
from brakewater.field.plan import DevicePlan

ROUND_TRIP_S: Final = 0.01
"""Taken for one request over a plant network, or for a device on a serial line to think; an assumption."""
_REQUEST: Final = 8
"""Characters of an RTU read request: unit, function, address, count, check sum."""
_AROUND: Final = 5
"""Characters of an answer beside its data."""


def scan_estimate_s(planned: DevicePlan) -> float:
    """Seconds for all requests that every scan makes of a device, one after the other."""
    return estimate_s(planned, [one.read for one in planned.reads if one.every == 1])


def estimate_s(planned: DevicePlan, reads: Sequence[Read]) -> float:
    """Seconds for some requests to a device, one after the other."""
    endpoint = endpoint_of(planned.device)
    if not isinstance(endpoint, SerialEndpoint | RtuOverTcpEndpoint):
        return len(reads) * ROUND_TRIP_S
    octets = [(read.count + 7) // 8 if read.table.is_bits else 2 * read.count for read in reads]
    characters = sum(_REQUEST + _AROUND + count for count in octets)
    return characters * character_s(endpoint) + len(reads) * (2 * pause_s(endpoint) + ROUND_TRIP_S)


def warnings(plans: Sequence[DevicePlan], scan_ns: int) -> list[str]:
    """Where the cadence cannot be met: a line takes longer than a scan for what its devices are asked, one by one.

    Args:
        plans: of all devices.
        scan_ns: the cadence.
    """
    by_line: dict[str, list[DevicePlan]] = {}
    for planned in plans:
        by_line.setdefault(planned.device.line, []).append(planned)
    return [said for line, together in by_line.items() if (said := _warning(line, together, scan_ns / 1e9))]


def _warning(line: str, plans: Sequence[DevicePlan], scan_s: float) -> str:
    quick_s = sum(scan_estimate_s(planned) for planned in plans)
    slow_s = sum(
        estimate_s(planned, [one.read]) / one.every for planned in plans for one in planned.reads if one.every > 1
    )
    names = ", ".join(planned.device.name for planned in plans)
    if quick_s > scan_s:
        return (
            f"{names} at {line}: every scan asks for about {quick_s * 1e3:.0f} ms, longer than a scan of"
            f" {scan_s * 1e3:g} ms; read less often what may be slow (every = 5), raise max-registers, or a"
            " serial line's baud, or give part of them a line of their own"
        )
    if quick_s + slow_s > scan_s:
        return (
            f"{names} at {line}: with what is read less often the line is asked for about"
            f" {(quick_s + slow_s) * 1e3:.0f} ms a scan of {scan_s * 1e3:g} ms, so slow points come later than asked;"
            " raise their every"
        )
    return ""
