"""``GET /metrics`` over HTTP, for a monitoring system. Reads nothing else and writes nothing.

It is off unless an address is given, and on this machine alone unless that says otherwise: figures carry the names of
devices, and nobody is asked who they are.
"""

import asyncio
import logging
from collections.abc import Callable
from typing import Final

from brakewater.service.metrics import CONTENT_TYPE

_PATIENCE_S: Final = 5.0
_MOST_BYTES: Final = 8192
_MOST_OPEN: Final = 16

_log = logging.getLogger(__name__)


class FiguresServer:
    """Listens until closed."""

    def __init__(self, host: str, port: int, text: Callable[[], str]) -> None:
        """Not yet open.

        Args:
            host: address to bind.
            port: 0 takes any that is free.
            text: makes the figures, in the loop's thread.
        """
        self._host, self._port, self._text = host, port, text
        self._server: asyncio.Server | None = None
        self._open: set[asyncio.Task[object]] = set()

    async def open(self) -> int:
        """Begin to listen; gives the port.

        Raises:
            OSError: the address cannot be bound.
        """
        self._server = await asyncio.start_server(self._serve, self._host, self._port, limit=_MOST_BYTES)
        port: int = self._server.sockets[0].getsockname()[1]
        _log.info("figures for monitoring at http://%s:%d/metrics", self._host, port)
        return port

    async def close(self) -> None:
        """Stop listening and hang up."""
        if self._server is not None:
            self._server.close()
        for task in self._open:
            task.cancel()
        await asyncio.gather(*self._open, return_exceptions=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._open.add(task)
        try:
            async with asyncio.timeout(_PATIENCE_S):
                writer.write(self._answer(await reader.readuntil(b"\r\n\r\n")))
                await writer.drain()
        except (OSError, TimeoutError, asyncio.IncompleteReadError, asyncio.LimitOverrunError):
            pass  # whoever asked has gone, asks without end, or speaks something else
        except asyncio.CancelledError:
            if self._server is not None and self._server.is_serving():
                raise
        finally:
            self._open.discard(task)
            writer.close()

    def _answer(self, asked: bytes) -> bytes:
        words = asked.split(b"\r\n", 1)[0].split(b" ")
        if len(self._open) > _MOST_OPEN:
            return _page("503 Service Unavailable", "too many ask at once\n")
        if len(words) != 3 or not words[2].startswith(b"HTTP/1."):
            return _page("400 Bad Request", "no HTTP/1 request\n")
        if words[0] not in (b"GET", b"HEAD"):
            return _page("405 Method Not Allowed", "GET only\n", "Allow: GET, HEAD\r\n")
        if words[1].split(b"?")[0] != b"/metrics":
            return _page("404 Not Found", "figures are at /metrics\n")
        page = _page("200 OK", self._text())
        return page.split(b"\r\n\r\n", 1)[0] + b"\r\n\r\n" if words[0] == b"HEAD" else page


def _page(status: str, text: str, more: str = "") -> bytes:
    body = text.encode()
    head = f"HTTP/1.1 {status}\r\nContent-Type: {CONTENT_TYPE}\r\nContent-Length: {len(body)}\r\n{more}"
    return f"{head}Connection: close\r\n\r\n".encode() + body
