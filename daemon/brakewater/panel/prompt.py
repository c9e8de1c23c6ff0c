"""Connections that do not dawdle: a head that never ends is hung up on, and no one address takes all there are.

uvicorn bounds neither; a few machines that only open connections would else keep the driller's page out. Nor does it
bound what waits to be sent on a slow link: there live pictures would queue, and each be older than the one before.
"""

import asyncio
import socket
from collections import Counter
from typing import Final

from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_S: Final = 30.0
"""From the connection, or from the last answer, to the end of the next head."""
MOST_OF_ONE: Final = 128
"""Connections of one address; the panel takes twice as many."""
_UNSENT: Final = 8192
"""Bytes that wait in the kernel for their first sending; whatever more there is to show is the newest by then."""
_taken: Final[Counter[str]] = Counter()


class Prompt(H11Protocol):
    """One connection."""

    _late: asyncio.TimerHandle | None = None
    _address: str | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override] # as uvicorn has it
        """Take it, unless its address has enough."""
        super().connection_made(transport)
        below = getattr(getattr(transport, "_ssl_protocol", None), "_transport", None)  # TLS has a buffer of its own
        for one in (transport, below):
            if one is not None:
                one.set_write_buffer_limits(high=1)  # nothing: TLS would take 0 for always full
        transport.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NOTSENT_LOWAT, _UNSENT)
        address = self.client[0] if self.client else ""
        if _taken[address] >= MOST_OF_ONE:
            transport.abort()
            return
        self._address = address
        _taken[address] += 1
        self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """It is gone."""
        if self._late is not None:
            self._late.cancel()
        if self._address is not None:
            _taken[self._address] -= 1
            if not _taken[self._address]:
                del _taken[self._address]
            self._address = None
        super().connection_lost(exc)

    def on_response_complete(self) -> None:
        """Answered: the next head may come."""
        super().on_response_complete()
        self._wait()

    def _wait(self) -> None:
        if self._late is not None:
            self._late.cancel()
        self._late = self.loop.call_later(HEAD_S, self._hang_up)

    def _hang_up(self) -> None:
        if self.cycle is None or self.cycle.response_complete:
            self.transport.close()
