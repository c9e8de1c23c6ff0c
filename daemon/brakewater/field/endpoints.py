"""From a device of the rig file to the endpoint its line is opened at."""

from typing import assert_never

from brakewater.field.endpoint import Endpoint, RtuOverTcpEndpoint, SerialEndpoint, TcpEndpoint, TlsEndpoint
from brakewater.rig import Device

__all__ = ["endpoint_of"]


def endpoint_of(device: Device) -> Endpoint:
    """Where a device is reached; devices of one line have equal endpoints."""
    match device.transport:
        case "tcp":
            return TcpEndpoint(host=device.host, port=device.port)
        case "tls":
            return TlsEndpoint(
                host=device.host,
                port=device.port,
                authority=device.ca or "",
                certificate=device.certificate,
                key=device.key,
                name=device.server_name,
            )
        case "rtu":
            return SerialEndpoint(
                port=device.serial,
                baud=device.baud,
                parity=device.parity,
                stop_bits=device.stop_bits,
                gap_s=device.frame_gap / 1e9,
                latency_s=device.turnaround / 1e9,
                echo=device.echo,
            )
        case "rtu-over-tcp":
            return RtuOverTcpEndpoint(
                host=device.host,
                port=device.port,
                baud=device.baud,
                gap_s=device.frame_gap / 1e9,
                latency_s=device.turnaround / 1e9,
                echo=device.echo,
            )
        case _:
            assert_never(device.transport)
