"""Names of hosts: each is looked up by one thread at a time, whoever waits for it.

Left to itself asyncio asks for every try to connect anew, in the few threads that also wait for commits and disks.
Where the name server is away a question takes ten seconds and more, tries come every second or two, and the answer to
an acknowledgement waited behind them, as did the end of the program.
"""

import asyncio
import socket
import threading
from contextlib import suppress
from typing import Any, Final

KEPT_S: Final = 5.0
"""What was found counts so long: a try to connect may have been given up before the answer came."""


class NamingLoop(asyncio.SelectorEventLoop):
    """asyncio's own loop but for names."""

    def __init__(self) -> None:
        super().__init__()
        self._lookups: dict[tuple[Any, ...], asyncio.Future[Any]] = {}

    async def getaddrinfo(
        self,
        host: Any,
        port: Any,
        *,
        family: int = 0,
        type: int = 0,  # noqa: A002 - asyncio has it so
        proto: int = 0,
        flags: int = 0,
    ) -> Any:
        """As ``socket.getaddrinfo``; who gives up leaves the question to the next one."""
        asked = (host, port, family, type, proto, flags)
        found = self._lookups.get(asked)
        if found is None:
            found = self._lookups[asked] = self.create_future()
            threading.Thread(target=self._look_up, args=(asked, found), name=f"name {host}", daemon=True).start()
        return await asyncio.shield(found)

    def _look_up(self, asked: tuple[Any, ...], found: "asyncio.Future[Any]") -> None:
        answer: Any
        try:
            answer = socket.getaddrinfo(*asked)
        except (OSError, ValueError) as error:  # ValueError: a name beyond DNS
            answer = error
        with suppress(RuntimeError):  # the loop may have been closed meanwhile
            self.call_soon_threadsafe(self._found, asked, found, answer)

    def _found(self, asked: tuple[Any, ...], found: "asyncio.Future[Any]", answer: Any) -> None:
        if isinstance(answer, Exception):
            del self._lookups[asked]
            found.set_exception(answer)
            found.exception()  # known, also where nobody waits for it any more
        else:
            self.call_later(KEPT_S, self._lookups.pop, asked)
            found.set_result(answer)
