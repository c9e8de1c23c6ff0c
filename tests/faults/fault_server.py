"""A Modbus TCP device that misbehaves on demand, written on bare sockets: no library peer does what it must do here.

Its words say where they stand and how old they are, as those of register_server.c: even address = the address itself,
odd address = number of the request (uint16); a bit is the parity of the ones in its address.
"""

import asyncio
import contextlib
import socket
import struct
from collections import deque
from collections.abc import Callable, Container
from dataclasses import dataclass
from types import TracebackType
from typing import Self

BITS = (1, 2)
HANGS_UP = ("close", "reset", "close-mid-frame")
IN_PIECES = ("close-mid-frame", "duplicate-later", "trickle")
PIECES_APART_S = 0.002
OTHER_FUNCTION = {1: 2, 2: 1, 3: 4, 4: 3}


@dataclass(frozen=True, slots=True)
class Fault:
    kind: str = "normal"
    amount: float = 0.0
    """Seconds held back, or the exception code."""


@dataclass(frozen=True, slots=True)
class Request:
    transaction: int
    unit: int
    function: int
    address: int
    count: int
    number: int


def word(address: int, number: int) -> int:
    return number & 0xFFFF if address % 2 else address


def bit(address: int) -> int:
    return address.bit_count() % 2


def data(request: Request, count: int, shown: Callable[[int, int], int] = word) -> bytes:
    """Octets of an answer; ``shown`` gives the word at an address in the answer to request number so and so."""
    addresses = range(request.address, request.address + count)
    if request.function in BITS:
        packed = sum(bit(address) << k for k, address in enumerate(addresses))
        return packed.to_bytes((count + 7) // 8, "little")
    return struct.pack(f">{count}H", *(shown(address, request.number) for address in addresses))


def frame(
    request: Request,
    body: bytes,
    *,
    transaction: int | None = None,
    protocol: int = 0,
    unit: int | None = None,
    function: int | None = None,
) -> bytes:
    head = (
        request.transaction if transaction is None else transaction,
        protocol,
        len(body) + 2,
        request.unit if unit is None else unit,
        request.function if function is None else function,
    )
    return struct.pack(">HHHBB", *head) + body


def answer(request: Request, count: int | None = None, **other: int) -> bytes:
    octets = data(request, request.count if count is None else count)
    return frame(request, bytes((len(octets),)) + octets, **other)


BENT: dict[str, Callable[[Request], bytes]] = {
    "normal": answer,
    "short": lambda r: answer(r, r.count // 2),
    "long": lambda r: answer(r, r.count + 8),
    "padded": lambda r: answer(r) + b"\x00",
    "duplicate": lambda r: answer(r) * 2,
    "other-transaction": lambda r: answer(r, transaction=r.transaction + 1),
    "former-transaction": lambda r: answer(r, transaction=r.transaction - 1),
    "transaction-0": lambda r: answer(r, transaction=0),
    "other-protocol": lambda r: answer(r, protocol=1),
    "other-unit": lambda r: answer(r, unit=r.unit ^ 1),
    "other-function": lambda r: answer(r, function=OTHER_FUNCTION[r.function]),
    "other-byte-count": lambda r: _with(answer(r), 8, len(answer(r)) - 11),
    "other-length": lambda r: _with(answer(r), 5, len(answer(r)) - 4),
    "exception-other-function": lambda r: frame(r, b"\x02", function=OTHER_FUNCTION[r.function] | 0x80),
    "half": lambda r: answer(r)[: len(answer(r)) // 2],
    "close-mid-frame": lambda r: answer(r)[: len(answer(r)) // 2],
    "late-transaction-0": lambda r: answer(r, transaction=0),
    "garbage": lambda _: b"\xde\xad\xbe\xef" * 5,
    "flood": lambda _: b"\xde\xad\xbe\xef" * 50_000,
    "silent": lambda _: b"",
    "close": lambda _: b"",
    "reset": lambda _: b"",
}
"""The bytes sent for each fault, where they are not the right ones."""


def _with(good: bytes, place: int, value: int) -> bytes:
    return good[:place] + bytes((value,)) + good[place + 1 :]


def sent(fault: Fault, request: Request) -> list[bytes]:
    """The pieces sent, with a short pause between them."""
    match fault.kind:
        case "exception":
            return [frame(request, bytes((int(fault.amount),)), function=request.function | 0x80)]
        case "duplicate-later":
            return [answer(request)] * 2
        case "trickle":
            return [bytes((octet,)) for octet in answer(request)]
        case "late":
            return [answer(request)]
    return [BENT[fault.kind](request)]


class FaultServer:
    """Listens on a free loopback port; takes one fault a request from ``script``, then answers as it should."""

    def __init__(self) -> None:
        self.script: deque[Fault] = deque()
        self.mute: Container[int] = ()
        """Addresses whose reads are never answered, as some devices do with what they do not know."""
        self.hangs_up_after = False
        """Each connection is good for one request."""
        self.nobody: dict[int, Fault] = {}
        """What a gateway answers for units behind it that do not, and after how long, s."""
        self.faulty: dict[int, Fault] = {}
        """Units behind a gateway whose answers all have this fault."""
        self.number = 0
        self.connections = 0
        self.transactions: list[int] = []
        self.port = 0
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.stop()

    async def start(self) -> None:
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        assert self._server is not None
        self._server.close()
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await self._server.wait_closed()

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        try:
            await self._serve(reader, writer)
        except (OSError, asyncio.IncompleteReadError, asyncio.CancelledError):
            pass  # the client hung up, or the test is over
        finally:
            writer.transport.abort()
            with contextlib.suppress(OSError, asyncio.CancelledError):
                await writer.wait_closed()
            self._tasks.discard(task)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            head = struct.unpack(">HHHBBHH", await reader.readexactly(12))
            self.number += 1
            self.transactions.append(head[0])
            request = Request(head[0], head[3], head[4], head[5], head[6], self.number)
            if request.address in self.mute:
                continue
            if request.unit in self.nobody:
                code = self.nobody[request.unit]
                await asyncio.sleep(code.amount)
                writer.write(frame(request, bytes((int(code.kind),)), function=request.function | 0x80))
                continue
            fault = self.faulty.get(request.unit) or (self.script.popleft() if self.script else Fault())
            if not await self._misbehave(fault, request, writer) or self.hangs_up_after:
                return

    async def _misbehave(self, fault: Fault, request: Request, writer: asyncio.StreamWriter) -> bool:
        """Answer, in whatever way; False to hang up."""
        if fault.kind.startswith("late"):
            await asyncio.sleep(fault.amount)
        for piece in sent(fault, request):
            writer.write(piece)
            await writer.drain()
            await asyncio.sleep(PIECES_APART_S if fault.kind in IN_PIECES else 0)
        if fault.kind == "reset":  # the kernel sends RST, not FIN, when lingering is on and takes no time
            writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        return fault.kind not in HANGS_UP
