"""Where a device is reached: four transports, each described by a record that can be compared and hashed.

Devices with equal endpoints share one line (one connection, one request at a time). Two endpoints that differ but have
the same ``line`` contradict each other: one serial port has one baud rate, and one declared latency for all on it.

Timing of a serial line, from "MODBUS over Serial Line Specification and Implementation Guide V1.02", 2.5.1.1: frames
lie at least 3.5 characters apart; above 19,200 baud a fixed 1.75 ms. The rule of 1.5 characters within a frame is never
enforced: USB adapters break it. Default 19,200 baud, even parity, as 2.5.1 there asks (both from memory of the text).
"""

from dataclasses import dataclass
from typing import Final, Literal

__all__ = [
    "LATENCY_S",
    "LEAST_GAP_S",
    "Endpoint",
    "LineEndpoint",
    "Parity",
    "RtuOverTcpEndpoint",
    "SerialEndpoint",
    "TcpEndpoint",
    "TlsEndpoint",
    "character_s",
    "pause_s",
]

Parity = Literal["none", "even", "odd"]

LEAST_GAP_S: Final = 0.005
"""Pause between two frames where 3.5 characters are less, s: what slow firmware needs. Common practice, no source."""
LATENCY_S: Final = 1.0
"""Declared worst latency where the rig file names none, s. Common practice, no published source."""
_LARGEST_PORT = 65535
_SLOWEST_BAUD, _FASTEST_BAUD = 300, 4_000_000
_FIXED_ABOVE_BAUD, _FIXED_GAP_S, _GAP_CHARACTERS = 19200, 0.00175, 3.5


@dataclass(frozen=True, slots=True, kw_only=True)
class TcpEndpoint:
    """Modbus TCP. Raises ValueError for a port that cannot be."""

    host: str
    port: int = 502

    def __post_init__(self) -> None:
        _check_address(self.host, self.port)

    @property
    def line(self) -> str:
        """What exists once: this address."""
        return f"{self.host}:{self.port}"


@dataclass(frozen=True, slots=True, kw_only=True)
class TlsEndpoint:
    """Modbus/TCP Security: Modbus TCP inside TLS, both sides shown by certificates (MB-TCP-Security, port 802)."""

    host: str
    port: int = 802
    authority: str
    """File with the certificates that we trust (PEM)."""
    certificate: str | None = None
    """File with our own certificate (PEM); the specification wants one, some devices do not."""
    key: str | None = None
    """File with the key of our certificate (PEM, no pass phrase); none where it stands in the certificate's file."""
    name: str | None = None
    """Name in the device's certificate, where it is not ``host``."""

    def __post_init__(self) -> None:
        _check_address(self.host, self.port)
        if self.key is not None and self.certificate is None:
            raise ValueError("a key without a certificate; name the certificate that it belongs to, or drop the key")

    @property
    def line(self) -> str:
        """What exists once: this address."""
        return f"{self.host}:{self.port}"


@dataclass(frozen=True, slots=True, kw_only=True)
class RtuOverTcpEndpoint:
    """RTU frames, with their checksum, on a TCP connection to a serial server."""

    host: str
    port: int
    baud: int = 19200
    """Of the serial line behind the server."""
    gap_s: float = LEAST_GAP_S
    """Least pause between two frames, s; 3.5 characters where they are longer."""
    latency_s: float = LATENCY_S
    """No answer begins later than this after its request, whichever device on the line gives it, s."""
    echo: bool = False
    """The line hands back each request before the answer, as some two-wire adapters do."""

    def __post_init__(self) -> None:
        _check_address(self.host, self.port)
        _check_line(self)

    @property
    def line(self) -> str:
        """What exists once: this address."""
        return f"{self.host}:{self.port}"


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialEndpoint:
    """RTU on a serial port of this machine. Raises ValueError for settings that no port has."""

    port: str
    """Device file; best one that names the adapter (``/dev/serial/by-id/...``)."""
    baud: int = 19200
    parity: Parity = "even"
    stop_bits: Literal[1, 2] = 1
    gap_s: float = LEAST_GAP_S
    """Least pause between two frames, s; 3.5 characters where they are longer."""
    latency_s: float = LATENCY_S
    """No answer begins later than this after its request (turnaround), whichever device on the line gives it, s."""
    echo: bool = False
    """The line hands back each request before the answer, as some two-wire adapters do."""

    def __post_init__(self) -> None:
        if not self.port.startswith("/"):
            raise ValueError(f"port is {self.port!r}; a serial port is a device file such as /dev/ttyUSB0")
        if self.parity not in ("none", "even", "odd"):
            raise ValueError(f"parity is {self.parity!r}; allowed are none, even, odd")
        if self.stop_bits not in (1, 2):
            raise ValueError(f"stop_bits is {self.stop_bits}; allowed are 1 and 2")
        _check_line(self)

    @property
    def line(self) -> str:
        """What exists once: this port."""
        return self.port


LineEndpoint = SerialEndpoint | RtuOverTcpEndpoint
"""A line on which answers carry no number of their request."""
Endpoint = TcpEndpoint | TlsEndpoint | LineEndpoint


def character_s(endpoint: LineEndpoint) -> float:
    """Time of one character on the line, s: 11 bits where the line's parity is not known."""
    if isinstance(endpoint, SerialEndpoint):
        return (9 + (endpoint.parity != "none") + endpoint.stop_bits) / endpoint.baud
    return 11 / endpoint.baud


def pause_s(endpoint: LineEndpoint) -> float:
    """Silence that must lie between two frames, s."""
    characters = _FIXED_GAP_S if endpoint.baud > _FIXED_ABOVE_BAUD else _GAP_CHARACTERS * character_s(endpoint)
    return max(endpoint.gap_s, characters)


def _check_address(host: str, port: int) -> None:
    if not host:
        raise ValueError("host is empty; name the device's address")
    if not 1 <= port <= _LARGEST_PORT:
        raise ValueError(f"port is {port}; allowed are 1 to {_LARGEST_PORT}")


def _check_line(endpoint: LineEndpoint) -> None:
    if not _SLOWEST_BAUD <= endpoint.baud <= _FASTEST_BAUD:
        raise ValueError(f"baud is {endpoint.baud}; allowed are {_SLOWEST_BAUD} to {_FASTEST_BAUD}")
    for name in ("gap_s", "latency_s"):
        value = getattr(endpoint, name)
        if not 0 <= value <= 60:
            raise ValueError(f"{name} is {value}; allowed are 0 to 60 s")
