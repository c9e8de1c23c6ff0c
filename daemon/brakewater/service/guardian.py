"""What systemd is told of the watch, over its notification socket (``sd_notify(3)``, by hand: one datagram a message).

``READY=1`` comes with the first scan, ``WATCHDOG=1`` only while scans flow: a watch that stands still is killed and
started again by its guardian, whatever else of it is alive.
"""

import asyncio
import logging
import os
import socket
from collections.abc import Callable, Mapping
from typing import Final

SLOWEST_S: Final = 1.0
"""It is told at least this often."""

_log = logging.getLogger(__name__)


class Guardian:
    """The service manager that started this process; does nothing where there is none."""

    def __init__(self, environment: Mapping[str, str], *, pid: int | None = None) -> None:
        """Find it.

        Args:
            environment: ``NOTIFY_SOCKET``, ``WATCHDOG_USEC``, ``WATCHDOG_PID``.
            pid: of the process that the watchdog is meant for; by default this one.
        """
        self._address = environment.get("NOTIFY_SOCKET", "")
        self._patience_s = _patience_s(environment, os.getpid() if pid is None else pid)
        self._ready = False
        self._said = ""

    @property
    def every_s(self) -> float:
        """How often to tell it: thrice in the time after which it would act."""
        return min(SLOWEST_S, self._patience_s / 3) if self._patience_s else SLOWEST_S

    async def follow(self, flows: Callable[[], bool], says: Callable[[], str]) -> None:
        """Tell it how the watch does, for ever.

        Args:
            flows: whether scans come in and go through.
            says: one line for ``systemctl status``.
        """
        if not self._address:
            return
        while True:
            if flows():
                self._tell("WATCHDOG=1" if self._ready else "READY=1\nWATCHDOG=1")
                self._ready = True
            text = says()
            if text != self._said:
                self._tell(f"STATUS={text}")
                self._said = text
            await asyncio.sleep(self.every_s)

    def stopping(self) -> None:
        """Tell it that the watch ends by itself."""
        self._tell("STOPPING=1")

    def _tell(self, message: str) -> None:
        if not self._address:
            return
        # An address that begins with @ stands in the abstract namespace.
        address = f"\0{self._address[1:]}" if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as line:
                line.sendto(message.encode(), address)
        except OSError as error:
            _log.info("the service manager cannot be told: %s", error)


def _patience_s(environment: Mapping[str, str], pid: int) -> float:
    """How long it waits for a sign of life; 0 where it does not, or means another process."""
    text = environment.get("WATCHDOG_USEC", "")
    if not text.isdecimal() or environment.get("WATCHDOG_PID", str(pid)) != str(pid):
        return 0.0
    return int(text) * 1e-6
