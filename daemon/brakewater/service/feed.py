"""The newest picture for processes beside the daemon that follow it through ``control.sock``."""

import asyncio
from collections.abc import AsyncIterator
from typing import Final

from brakewater.live import text_of
from brakewater.stream import Picture

LEAST_S: Final = 0.1
"""Nobody who looks needs pictures faster."""


class Feed:
    """A latest slot: whoever is slow misses pictures, never delays them. Without followers it costs nothing."""

    def __init__(self) -> None:
        self._picture: Picture | None = None
        self._text = b""
        self._next = asyncio.get_running_loop().create_future()

    def show(self, picture: Picture) -> None:
        """Overwrite what was there, and wake who waits."""
        self._picture, self._text = picture, b""
        done, self._next = self._next, asyncio.get_running_loop().create_future()
        done.set_result(None)

    async def lines(self) -> AsyncIterator[bytes]:
        """The newest picture as ``brakewater.live.text_of`` writes it, now and after each change."""
        while True:
            coming = self._next
            if self._picture is not None:
                self._text = self._text or text_of(self._picture)
                yield self._text
                await asyncio.sleep(LEAST_S)
            await asyncio.shield(coming)
