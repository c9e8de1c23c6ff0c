"""One connection to the outstation: bounded in what it may send, how fast, and how long it may say nothing."""

import asyncio
import socket
from typing import Final, Protocol

from brakewater.field.outstation_frames import (
    NO_SUCH_UNIT,
    Frame,
    NotModbusError,
    Tables,
    answer,
    framed,
    refusal,
    take,
)

IDLE_S: Final = 60.0
"""Without a whole request for so long a connection is closed."""
_MOST_BYTES: Final = 4096
"""More at once is no PLC: sixteen of the longest requests, some three hundred of the usual ones."""
_MOST_UNREAD: Final = 16_384
"""Answers that a peer may leave unread in our memory, and about as much again in the kernel's."""
_PACE_S: Final = 0.005
"""A peer is listened to so often; requests that come faster wait in the kernel, so a flood takes no scan's time."""

_WHOEVER_IS_HERE: Final = (0xFF, 0)
"""Units that mean the device at this address: many a client sends nothing else over TCP ("MODBUS Messaging on TCP/IP
Implementation Guide V1.0b", on the unit identifier: 0xFF is to be used, 0 is accepted, too; from memory)."""


class Station(Protocol):
    """What a peer answers from."""

    unit: int

    def opened(self, peer: "Peer") -> str | None:
        """Why a new peer may not stay; None: it may."""
        ...

    def closed(self, peer: "Peer", why: str) -> None:
        """A peer is gone."""
        ...

    def tables(self, address: str) -> Tables:
        """The newest truth, for the peer at an address."""
        ...


class Peer(asyncio.Protocol):
    """Answers requests in the order they come."""

    def __init__(self, station: Station, idle_s: float = IDLE_S) -> None:
        self.address = ""
        self.requests = 0
        self.asked_s = 0.0
        """Loop time of the last whole request."""
        self._station, self._idle_s = station, idle_s
        self._loop = asyncio.get_running_loop()
        self._buffer = bytearray()
        self._idle: asyncio.TimerHandle | None = None
        self._pace: asyncio.TimerHandle | None = None
        self._why = "hung up"
        self._transport: asyncio.Transport

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Stay, or hang up at once."""
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self.address = str((transport.get_extra_info("peername") or ("",))[0])
        self.asked_s = self._loop.time()
        transport.set_write_buffer_limits(high=_MOST_UNREAD)
        transport.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _MOST_UNREAD)
        refused = self._station.opened(self)
        if refused is not None:
            self.hang_up(refused)
            return
        self._idle = self._loop.call_later(self._idle_s, self._look)

    def connection_lost(self, exc: Exception | None) -> None:
        """Gone, whoever hung up."""
        del exc
        for timer in (self._idle, self._pace):
            if timer is not None:
                timer.cancel()
        self._station.closed(self, self._why)

    def data_received(self, data: bytes) -> None:
        """Answer every whole request."""
        if self._transport.is_closing():
            return
        self._buffer += data
        if len(self._buffer) > _MOST_BYTES:
            self.hang_up("flood")
            return
        try:
            self._answer_all()
        except NotModbusError:
            self.hang_up("garbage")
            return
        self._transport.pause_reading()
        self._pace = self._loop.call_later(_PACE_S, self._listen)

    def pause_writing(self) -> None:
        """It does not read what it asked for."""
        self.hang_up("slow reader")

    def hang_up(self, why: str) -> None:
        """End the connection now."""
        self._why = why
        self._transport.abort()

    def _answer_all(self) -> None:
        while not self._transport.is_closing() and (asked := take(self._buffer)) is not None:
            self.requests += 1
            self.asked_s = self._loop.time()
            self._transport.write(framed(asked, self._answer(asked)))

    def _answer(self, asked: Frame) -> bytes:
        if asked.unit not in (self._station.unit, *_WHOEVER_IS_HERE):
            return refusal(asked.request, NO_SUCH_UNIT)
        return answer(asked.request, self._station.tables(self.address))

    def _listen(self) -> None:
        if not self._transport.is_closing():
            self._transport.resume_reading()

    def _look(self) -> None:
        left_s = self.asked_s + self._idle_s - self._loop.time()
        if left_s <= 0:
            self.hang_up("idle")
        else:
            self._idle = self._loop.call_later(left_s, self._look)
