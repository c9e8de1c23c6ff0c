"""A line between a page and its panel that takes everything, keeps it, and hands on only so much a second."""

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from brokers import HOST

_PIECE = 512


class SlowLine:
    """As a network with long queues does; quick until it is told otherwise. It may be cut and mended, too."""

    def __init__(self, target: int) -> None:
        self._target = target
        self.port = 0
        self.bytes_s: float | None = None
        """None: as fast as it can be."""
        self._silenced = 0
        self.cut = False
        """Whoever connects is hung up on; see ``hang_up`` for those who are connected."""
        self._tasks: set[asyncio.Task[None]] = set()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._over: asyncio.Event | None = None

    async def run(self, ready: threading.Event) -> None:
        self._loop, self._over = asyncio.get_running_loop(), asyncio.Event()
        server = await asyncio.start_server(self._joined, HOST, 0)
        self.port = server.sockets[0].getsockname()[1]
        ready.set()
        await self._over.wait()
        server.close()
        self._drop()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def end(self) -> None:
        assert self._loop is not None
        assert self._over is not None
        self._loop.call_soon_threadsafe(self._over.set)

    def hang_up(self) -> None:
        """Cut it for everybody."""
        assert self._loop is not None
        self.cut = True
        self._loop.call_soon_threadsafe(self._drop)

    def hush(self) -> None:
        """Nothing passes any more of what is connected, not even its end; whoever connects anew is heard."""
        self._silenced += 1

    def _drop(self) -> None:
        for task in self._tasks:
            task.cancel()

    async def _joined(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self.cut:
            writer.close()
            return
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        there_reader, there_writer = await asyncio.open_connection(HOST, self._target)
        kept: asyncio.Queue[bytes] = asyncio.Queue()
        parts = [
            asyncio.create_task(one)
            for one in (self._asked(reader, there_writer), self._kept(there_reader, kept), self._told(kept, writer))
        ]
        try:
            await asyncio.wait(parts, return_when=asyncio.FIRST_COMPLETED)
        except asyncio.CancelledError:
            pass
        finally:
            self._tasks.discard(task)
            for part in parts:
                part.cancel()
            await asyncio.gather(*parts, return_exceptions=True)
            for line in (writer, there_writer):
                line.transport.abort()

    async def _asked(self, reader: asyncio.StreamReader, there: asyncio.StreamWriter) -> None:
        heard = self._silenced
        while data := await reader.read(65536):
            if heard == self._silenced:
                there.write(data)

    async def _kept(self, there: asyncio.StreamReader, kept: "asyncio.Queue[bytes]") -> None:
        while data := await there.read(65536):
            kept.put_nowait(data)
        kept.put_nowait(b"")

    async def _told(self, kept: "asyncio.Queue[bytes]", writer: asyncio.StreamWriter) -> None:
        heard = self._silenced
        with suppress(OSError):
            while (data := await kept.get()) or heard < self._silenced:
                if heard < self._silenced:
                    continue
                for at in range(0, len(data), _PIECE):
                    piece = data[at : at + _PIECE]
                    writer.write(piece)
                    await writer.drain()
                    if self.bytes_s is not None:
                        await asyncio.sleep(len(piece) / self.bytes_s)


@contextmanager
def slow_line(target: int) -> Iterator[SlowLine]:
    """A line to a port of this machine."""
    line, ready = SlowLine(target), threading.Event()
    thread = threading.Thread(target=lambda: asyncio.run(line.run(ready)), name="slow line")
    thread.start()
    assert ready.wait(10)
    try:
        yield line
    finally:
        line.end()
        thread.join()
