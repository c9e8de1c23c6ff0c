"""The line of one lamp mailbox: reads and writes holding registers over a connection that carries nothing else.

Two requests, functions 3 and 16 ("MODBUS Application Protocol Specification V1.1b3", 6.3 and 6.12), each with the one
answer it may get, judged byte for byte like every other (frames_tcp.py). At the first doubt the connection ends, so
that no late or foreign answer can meet the next request. Two fixed frames need no library between us and the bytes.
"""

import asyncio
import struct
from typing import Final

from brakewater.field import frames_tcp
from brakewater.field.clients import CANNOT_CONNECT, reason
from brakewater.field.frames import Due
from brakewater.quality import Status

_HEAD: Final = struct.Struct(">HHHB")
_SPAN: Final = struct.Struct(">BHH")
_READ, _WRITE = 3, 16
_REFUSED: Final = 0x80
_DATA_OF_READ: Final = 9


class MailboxError(Exception):
    """What was asked for did not come to pass; the text says why."""


class MailboxWire:
    """One connection at a time, opened when it is needed; one request at a time.

    Args:
        host: where the device is,
        port: and its TCP port.
        unit: its unit number.
        timeout_s: no request takes longer, its connection included, s.
    """

    def __init__(self, host: str, port: int, *, unit: int, timeout_s: float) -> None:
        self._host, self._port, self._unit, self._timeout_s = host, port, unit, timeout_s
        self._line: _Line | None = None
        self._transaction = 0

    async def read(self, address: int, count: int) -> tuple[int, ...]:
        """Holding registers.

        Raises:
            MailboxError: they could not be read.
        """
        request = self._framed(_SPAN.pack(_READ, address, count))
        got = await self._ask(frames_tcp.due(request))
        return struct.unpack(f">{count}H", got[_DATA_OF_READ:])

    async def write(self, address: int, words: tuple[int, ...]) -> None:
        """Holding registers, all in one request.

        Raises:
            MailboxError: nobody knows whether they were written.
        """
        span = _SPAN.pack(_WRITE, address, len(words))
        request = self._framed(span + struct.pack(f">B{len(words)}H", 2 * len(words), *words))
        data = request[:4] + struct.pack(">HB", 1 + len(span), self._unit) + span
        refusal = request[:4] + struct.pack(">HBB", 3, self._unit, _WRITE | _REFUSED)
        await self._ask(Due(request=request, data=data, refusal=refusal, size=len(data)))

    def close(self) -> None:
        """Hang up; the next request connects anew."""
        if self._line is not None:
            self._line.hang_up()
        self._line = None

    def _framed(self, request: bytes) -> bytes:
        self._transaction = self._transaction % 0xFFFF + 1
        return _HEAD.pack(self._transaction, 0, len(request) + 1, self._unit) + request

    async def _ask(self, due: Due) -> bytes:
        try:
            async with asyncio.timeout(self._timeout_s):
                line = await self._connected()
                try:
                    return await line.ask(due)
                except MailboxError:
                    if not line.had_gone:
                        raise
                    return await (await self._connected()).ask(due)
        except CANNOT_CONNECT as error:
            self.close()
            raise MailboxError("no answer in time" if isinstance(error, TimeoutError) else reason(error)) from error
        except BaseException:
            self.close()  # cancelled, or an answer that did not fit: what may still come must find nobody
            raise

    async def _connected(self) -> "_Line":
        if self._line is None or self._line.is_over:
            self.close()
            connect = asyncio.get_running_loop().create_connection
            _, self._line = await connect(_Line, self._host, self._port)
        return self._line


class _Line(asyncio.Protocol):
    """One connection."""

    def __init__(self) -> None:
        self.is_over = False
        """Ended, or in doubt."""
        self.had_gone = False
        """It was good, and ended on a request without a byte: some devices take a connection a request."""
        self._answers = 0
        self._due: Due | None = None
        self._got = b""
        self._answer: asyncio.Future[bytes]
        self._transport: asyncio.Transport

    async def ask(self, due: Due) -> bytes:
        """Send a request; the whole answer, when it fits."""
        self._answer = asyncio.get_running_loop().create_future()
        self._due, self._got = due, b""
        self._transport.write(due.request)
        return await self._answer

    def hang_up(self) -> None:
        """End it now."""
        self.is_over = True
        self._transport.abort()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def connection_lost(self, exc: Exception | None) -> None:
        self.is_over = True
        self.had_gone = self._answers > 0 and self._due is not None and not self._got
        self._settle("hung up" if exc is None else reason(exc))

    def data_received(self, data: bytes) -> None:
        if self._due is None:  # nobody asked
            self.hang_up()
            return
        self._got += data
        status = frames_tcp.judge(self._due, self._got)
        if status is None:
            return
        if status == Status.OK:
            self._answers += 1
            self._settle()
        elif status & Status.EXCEPTION:
            self._settle(f"refused with exception {status & ~Status.EXCEPTION}")
        else:
            self._settle(frames_tcp.misfit(self._due, self._got))
            self.hang_up()

    def _settle(self, trouble: str = "") -> None:
        if self._due is None:
            return
        self._due = None
        if self._answer.done():  # given up
            return
        if trouble:
            self._answer.set_exception(MailboxError(trouble))
        else:
            self._answer.set_result(self._got)
