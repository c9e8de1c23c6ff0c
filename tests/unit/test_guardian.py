"""What systemd is told, as sd_notify(3) lays down: one datagram a message on the socket it names."""

import asyncio
import contextlib
import socket
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from brakewater.service.guardian import SLOWEST_S, Guardian


class Manager:
    """The other end."""

    def __init__(self, address: str) -> None:
        self.name = address
        self.line = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.line.bind(f"\0{address[1:]}" if address.startswith("@") else address)
        self.line.settimeout(0)

    def told(self) -> list[str]:
        found = []
        with contextlib.suppress(BlockingIOError):
            while True:
                found.append(self.line.recv(4096).decode())
        return found


@pytest.fixture(params=["file", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Manager]:
    made = Manager(str(tmp_path / "n") if request.param == "file" else f"@brakewater-{tmp_path.name}")
    yield made
    made.line.close()


class EnoughError(Exception):
    """Ends the telling, which has no end of its own."""


async def followed(guardian: Guardian, flows: Callable[[], bool], steps: int) -> None:
    left = iter(range(steps))

    def asked() -> bool:
        if next(left, None) is None:
            raise EnoughError
        return flows()

    with contextlib.suppress(EnoughError):
        await guardian.follow(asked, lambda: "all well")


def test_ready_with_the_first_scan_then_fed_while_scans_flow(manager: Manager) -> None:
    answers = iter([False, True, True, False, False, True])
    guardian = Guardian({"NOTIFY_SOCKET": manager.name, "WATCHDOG_USEC": "3000"}, pid=1)
    asyncio.run(followed(guardian, lambda: next(answers, False), 6))
    guardian.stopping()
    told = manager.told()
    assert told[0] == "STATUS=all well"  # not ready, and not fed, before a scan has gone through
    assert told[1:] == ["READY=1\nWATCHDOG=1", "WATCHDOG=1", "WATCHDOG=1", "STOPPING=1"]


def test_fed_thrice_as_often_as_it_is_asked() -> None:
    def every_s(**environment: str) -> float:
        return Guardian({"NOTIFY_SOCKET": "/nowhere", **environment}, pid=7).every_s

    assert every_s(WATCHDOG_USEC="1500000") == pytest.approx(0.5)
    assert every_s(WATCHDOG_USEC="1500000", WATCHDOG_PID="7") == pytest.approx(0.5)
    assert every_s(WATCHDOG_USEC="1500000", WATCHDOG_PID="8") == SLOWEST_S
    assert every_s(WATCHDOG_USEC="60000000") == SLOWEST_S
    assert every_s(WATCHDOG_USEC="soon") == SLOWEST_S


def test_nobody_there_harms_nothing(tmp_path: Path) -> None:
    asyncio.run(followed(Guardian({}, pid=1), lambda: True, 1))
    gone = Guardian({"NOTIFY_SOCKET": str(tmp_path / "gone"), "WATCHDOG_USEC": "3000"}, pid=1)
    asyncio.run(followed(gone, lambda: True, 3))
    gone.stopping()
