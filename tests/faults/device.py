"""A device that does with each request what a script says, over three transports: Modbus TCP, RTU over TCP, RTU on a
serial line. Written on bare sockets and file descriptors, with its own checksum: no library peer does what it must.

Words say where they stand and how old they are, as in fault_server.py.
"""

import asyncio
import contextlib
import os
import socket
import struct
import time
from collections import deque
from collections.abc import Awaitable, Callable
from enum import StrEnum
from functools import partial
from time import monotonic
from types import TracebackType
from typing import Self

from .fault_server import Request, data, word
from .lines import SerialLine

_REMEMBERED = 64


class Transport(StrEnum):
    TCP = "TCP"
    SERIAL = "RTU serial"
    RTU_TCP = "RTU over TCP"


def checksum(octets: bytes) -> bytes:
    """Bit by bit, unlike the daemon's table."""
    crc = 0xFFFF
    for octet in octets:
        crc ^= octet
        for _ in range(8):
            crc = (crc >> 1) ^ (0xA001 if crc & 1 else 0)
    return struct.pack("<H", crc)


class Stage:
    """One request, and all that can be done about it."""

    def __init__(self, request: Request, raw: bytes, device: "Device", send: "Send") -> None:
        self.request, self.raw, self.device, self.send = request, raw, device, send
        self.is_rtu = device.transport is not Transport.TCP

    def frame(
        self,
        body: bytes,
        *,
        unit: int | None = None,
        function: int | None = None,
        transaction: int | None = None,
        protocol: int = 0,
    ) -> bytes:
        """A frame that holds after its function code what is given."""
        r = self.request
        pdu = bytes((r.unit if unit is None else unit, r.function if function is None else function)) + body
        if self.is_rtu:
            return pdu + checksum(pdu)
        return struct.pack(">HHH", r.transaction if transaction is None else transaction, protocol, len(pdu)) + pdu

    def answer(self, count: int | None = None, **other: int) -> bytes:
        """The right answer, or one for another quantity, or with another head."""
        octets = data(self.request, self.request.count if count is None else count, self.device.shown)
        return self.frame(bytes((len(octets),)) + octets, **other)

    def refusal(self, code: int, **other: int) -> bytes:
        return self.frame(bytes((code,)), **{"function": self.request.function | 0x80, **other})

    async def pause(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


Play = Callable[[Stage], Awaitable[None]]
Send = Callable[[bytes], Awaitable[None]]

SILENCE_S = 0.1
"""A request that is not whole after so much silence never will be; far longer than the standard's 3.5 characters, since
a pseudo-terminal hands over what a busy machine has not written at once."""


async def answers(stage: Stage) -> None:
    await stage.send(stage.answer())


class HangsUpError(Exception):
    """The device ends the connection."""


class StallsError(Exception):
    """The connection is dead without a word."""


class Device:
    """Takes one play a request from ``script``, then answers as it should."""

    def __init__(self, transport: Transport) -> None:
        self.transport = transport
        self.script: deque[Play] = deque()
        self.number = 0
        self.sent_s: dict[int, float] = {}
        """Number of a request -> steady time at which the last of its answer went out; of the newest requests."""
        self.shown: Callable[[int, int], int] = word
        """Word at an address in the answer to a request of this number."""
        self.idle = asyncio.Event()
        """Set while no play is going on."""
        self.idle.set()

    async def reset(self) -> None:
        raise NotImplementedError

    async def hang_up(self) -> None:
        raise NotImplementedError

    async def come_back(self) -> None:
        raise NotImplementedError

    async def go_away(self) -> None:
        raise NotImplementedError

    def _request(self, raw: bytes) -> Request:
        self.number += 1
        transaction = 0
        if self.transport is Transport.TCP:
            transaction, raw = int.from_bytes(raw[:2], "big"), raw[6:]
        unit, function, address, count = struct.unpack(">BBHH", raw[:6])
        return Request(transaction, unit, function, address, count, self.number)

    @property
    def is_deaf(self) -> bool:
        """What stands on a serial line does one thing at a time; a request that comes meanwhile is lost."""
        return self.transport is not Transport.TCP and not self.idle.is_set()

    async def _perform(self, raw: bytes, send: Send) -> None:
        play = self.script.popleft() if self.script else answers
        self.idle.clear()
        request = self._request(raw)

        async def noted(octets: bytes) -> None:
            await send(octets)
            self.sent_s[request.number] = monotonic()

        self.sent_s.pop(request.number - _REMEMBERED, None)
        try:
            await play(Stage(request, raw, self, noted))
        finally:
            self.idle.set()


class SocketDevice(Device):
    """Modbus TCP, or RTU frames on a TCP connection."""

    def __init__(self, transport: Transport) -> None:
        super().__init__(transport)
        self.port = 0
        self.connections = 0
        self.turns_away = 0
        """So many of the next connections are hung up on at once."""
        self._server: asyncio.Server | None = None
        self._writer: asyncio.StreamWriter | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> Self:
        await self.come_back()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.go_away()

    async def come_back(self) -> None:
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def go_away(self) -> None:
        if self._server is None:
            return
        self._server.close()
        here = asyncio.current_task()
        tasks = [task for task in self._tasks if task is not here]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        if self._writer is not None:
            self._writer.transport.abort()
        await self._server.wait_closed()
        self._server = None

    async def _send_to(self, own: asyncio.StreamWriter, octets: bytes) -> None:
        # A serial server hands what comes late to whoever is connected now; a Modbus TCP device cannot.
        writer = own if self.transport is Transport.TCP or self._writer is None else self._writer
        writer.write(octets)
        await writer.drain()

    async def reset(self) -> None:
        assert self._writer is not None  # the kernel sends RST, not FIN, when lingering is on and takes no time
        link = self._writer.get_extra_info("socket")
        link.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        raise HangsUpError

    async def hang_up(self) -> None:
        raise HangsUpError

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        try:
            if self.turns_away == 0:
                self._writer = writer
                await self._serve(reader, writer)
            else:
                self.turns_away -= 1
        except (OSError, asyncio.IncompleteReadError, asyncio.CancelledError, HangsUpError):
            pass  # hung up by either side, or the test is over
        finally:
            writer.transport.abort()
            with contextlib.suppress(OSError, asyncio.CancelledError):
                await writer.wait_closed()
            self._tasks.discard(task)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        size = 12 if self.transport is Transport.TCP else 8
        while True:
            raw = await reader.readexactly(size)
            if self.is_deaf:
                continue
            try:
                await self._perform(raw, partial(self._send_to, writer))
            except StallsError:
                await reader.read()  # to the end


class LineDevice(Device):
    """RTU on one end of a serial line."""

    def __init__(self, line: SerialLine) -> None:
        super().__init__(Transport.SERIAL)
        self.line = line
        self._file = -1
        self._got = b""
        self._heard_s = 0.0
        self._requests: asyncio.Queue[bytes] = asyncio.Queue()
        self._task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        self._open()
        self._task = asyncio.create_task(self._serve(), name="line device")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._task is not None
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)
        self._close()

    def _open(self) -> None:
        self._file = os.open(self.line.there, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        asyncio.get_running_loop().add_reader(self._file, self._read)

    def _close(self) -> None:
        if self._file >= 0:
            asyncio.get_running_loop().remove_reader(self._file)
            os.close(self._file)
            self._file = -1
        self._got = b""
        while not self._requests.empty():
            self._requests.get_nowait()

    def _read(self) -> None:
        try:
            came = os.read(self._file, 4096)
        except BlockingIOError:
            return
        except OSError:
            came = b""
        if not came:
            self._close()
            return
        now = time.monotonic()
        self._got, self._heard_s = (came if now - self._heard_s > SILENCE_S else self._got + came), now
        while len(self._got) >= 8:
            frame, self._got = self._got[:8], self._got[8:]
            if checksum(frame[:6]) != frame[6:]:
                self._got = b""  # whoever sent was killed meanwhile
            elif not self.is_deaf:
                self._requests.put_nowait(frame)

    async def _serve(self) -> None:
        while True:
            raw = await self._requests.get()
            with contextlib.suppress(OSError, HangsUpError):
                await self._perform(raw, self._send)

    async def _send(self, octets: bytes) -> None:
        while octets:
            try:
                octets = octets[os.write(self._file, octets) :]
            except BlockingIOError:
                await asyncio.sleep(0.001)

    async def go_away(self) -> None:
        self._close()
        self.line.unplug()

    async def come_back(self) -> None:
        if self._file < 0:
            self.line.plug()
            self._open()

    async def hang_up(self) -> None:
        await self.go_away()
        await self.come_back()

    async def reset(self) -> None:
        await self.hang_up()
