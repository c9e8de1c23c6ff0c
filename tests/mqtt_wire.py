"""What passes between an MQTT client and its broker, packet by packet."""

import socket
from collections.abc import Callable
from contextlib import suppress


def pump(source: socket.socket, sink: socket.socket, see: Callable[[int, bytes], None]) -> None:
    """Whole packets from one side to the other, until either ends."""
    held = b""
    try:
        while piece := source.recv(65536):
            held += piece
            while (packet := packet_of(held)) is not None:
                see(held[0], packet[0])  # before the other side can answer
                held = held[packet[1] :]
            sink.sendall(piece)
    except OSError:
        pass
    for one in (source, sink):
        with suppress(OSError):
            one.shutdown(socket.SHUT_RDWR)
        one.close()


def packet_of(held: bytes) -> tuple[bytes, int] | None:
    """Body of the first whole packet and where the next begins; OASIS MQTT 5.0, section 2.1.4 for the length."""
    length, shift = 0, 0
    for at in range(1, min(5, len(held))):
        length |= (held[at] & 0x7F) << shift
        shift += 7
        if not held[at] & 0x80:
            end = at + 1 + length
            return (held[at + 1 : end], end) if len(held) >= end else None
    return None
