"""How long the requests of one scan take, estimated from the plan alone."""

from typing import Final

from brakewater.field.endpoint import RtuOverTcpEndpoint, SerialEndpoint, character_s, pause_s
from brakewater.field.endpoints import endpoint_of
from brakewater.field.plan import DevicePlan

ROUND_TRIP_S: Final = 0.01
"""Taken for one request over a plant network, or for a device on a serial line to think; an assumption."""
_REQUEST: Final = 8
"""Characters of an RTU read request: unit, function, address, count, check sum."""
_AROUND: Final = 5
"""Characters of an answer beside its data."""


def scan_estimate_s(planned: DevicePlan) -> float:
    """Seconds for all requests that every scan makes of a device, one after the other."""
    endpoint = endpoint_of(planned.device)
    quick = [one.read for one in planned.reads if one.every == 1]
    if not isinstance(endpoint, SerialEndpoint | RtuOverTcpEndpoint):
        return len(quick) * ROUND_TRIP_S
    octets = [(read.count + 7) // 8 if read.table.is_bits else 2 * read.count for read in quick]
    characters = sum(_REQUEST + _AROUND + count for count in octets)
    return characters * character_s(endpoint) + len(quick) * (2 * pause_s(endpoint) + ROUND_TRIP_S)
