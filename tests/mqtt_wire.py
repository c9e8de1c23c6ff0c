"""What passes between an MQTT client and its broker, packet by packet."""

import socket
import threading
import time
from collections.abc import Callable
from contextlib import suppress

from brokers import HOST


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


See = Callable[[int, bytes], None]


class Link:
    """Stands between clients and a broker; whoever derives from it sees the packets of each connection."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._listener = socket.create_server((HOST, 0))
        self.port = self._listener.getsockname()[1]
        self.connects = 0
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for thread in self._threads:
            thread.join(5)

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            try:
                far = socket.create_connection((HOST, self._port), timeout=1)
                far.settimeout(None)
            except OSError:
                near.close()
                continue
            self.connects += 1
            sent, answered = self._seen()
            for source, sink, see in ((near, far, sent), (far, near, answered)):
                thread = threading.Thread(target=pump, args=(source, sink, see), daemon=True)
                self._threads.append(thread)
                thread.start()

    def _seen(self) -> tuple[See, See]:
        """Of a new connection: who sees what the client sends, and what the broker does."""
        raise NotImplementedError


class Strict(Link):
    """A link to a broker a little way off, whose far end hangs up where the client sends more than it may.

    OASIS MQTT 5.0, 4.9: no more PUBLISH of QoS 1 and 2 at once than the Receive Maximum of the CONNACK (3.2.2.3.3).
    """

    def __init__(self, port: int, answers_after_s: float) -> None:
        self._answers_after_s = answers_after_s
        self.announced: int | None = None
        self.most = 0
        """At once, so far."""
        self._under_way = 0
        super().__init__(port)

    def _seen(self) -> tuple[See, See]:
        self._under_way = 0
        return self._sent, self._answered

    def _sent(self, kind: int, _body: bytes) -> None:
        if kind >> 4 == 3 and kind & 6:
            self._under_way += 1
            self.most = max(self.most, self._under_way)
            if self.announced is not None and self._under_way > self.announced:
                raise ConnectionAbortedError("Receive Maximum exceeded")

    def _answered(self, kind: int, body: bytes) -> None:
        if kind >> 4 == 2:  # CONNACK: flags, reason, length of the properties; 0x21 comes first from this broker
            at = body.index(b"\x21", 3)
            self.announced = int.from_bytes(body[at + 1 : at + 3])
        elif kind >> 4 == 4:
            time.sleep(self._answers_after_s)
            self._under_way -= 1


class Wire(Link):
    """Passes bytes between the watch and the broker, and notes which events the broker has acknowledged."""

    def __init__(self, port: int) -> None:
        self.taken: list[bytes] = []
        super().__init__(port)

    def _seen(self) -> tuple[See, See]:
        under_way: dict[int, bytes] = {}  # 0: the version of the connection
        return (
            lambda kind, body: self._sent(kind, body, under_way),
            lambda kind, body: self._answered(kind, body, under_way),
        )

    def _sent(self, kind: int, body: bytes, under_way: dict[int, bytes]) -> None:
        if kind >> 4 == 1:  # CONNECT; its level of the protocol follows the name MQTT
            under_way[0] = body[6:7]
        elif kind >> 4 == 3 and kind & 6:  # PUBLISH with QoS above 0
            end = 2 + int.from_bytes(body[:2])
            if body[2:end].endswith(b"/event"):
                properties = 1 + body[end + 2] if under_way[0] == b"\x05" else 0
                under_way[int.from_bytes(body[end : end + 2])] = body[end + 2 + properties :]

    def _answered(self, kind: int, body: bytes, under_way: dict[int, bytes]) -> None:
        if kind >> 4 == 4 and (payload := under_way.pop(int.from_bytes(body[:2]), None)) is not None:  # PUBACK
            self.taken.append(payload)
