"""Every test leaves nothing behind: no thread, no child process, no task, no open port."""

import asyncio
import contextlib
import gc
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
from hypothesis import HealthCheck, settings

_PATIENCE_S = 3.0
_ORDER = {"browser": 0, "integration": 1, "properties": 2, "outside": 3, "unit": 4}
"""Slow files first, so that no process is left alone with one at the end."""


# A busy machine makes no test fail: how long an example takes, or its making, says nothing.
settings.register_profile("busy", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("busy")


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: _ORDER.get(item.path.parent.name, 0))  # stable: a file's tests stay together


def _threads() -> set[threading.Thread]:
    """Without the connections of a test's own server: they come and go with its clients; the server itself counts."""
    return {
        one for one in threading.enumerate() if one.is_alive() and not one.name.endswith("(process_request_thread)")
    }


def _children() -> set[int]:
    """Living descendants; read from the kernel's own lists, since going through all processes costs 5 ms a test."""
    found: set[int] = set()
    todo = ["self"]
    while todo:
        for pid in _born_of(todo.pop()):
            if pid not in found and _lives(pid):
                found.add(pid)
                todo.append(str(pid))
    return found


def _born_of(process: str) -> list[int]:
    born: list[int] = []
    for task in Path("/proc", process, "task").glob("*/children"):
        with contextlib.suppress(OSError):  # the thread has ended meanwhile
            born += map(int, task.read_text(encoding="ascii").split())
    return born


def _lives(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def _ports() -> set[tuple[str, int]]:
    connections = psutil.Process().net_connections(kind="inet")
    return {tuple(one.laddr) for one in connections if one.status == psutil.CONN_LISTEN}


def _tasks() -> set[asyncio.Task[object]]:
    gc.collect()
    return {one for one in gc.get_objects() if isinstance(one, asyncio.Task) and not one.done()}


@pytest.fixture(autouse=True)
def nothing_left_behind(request: pytest.FixtureRequest) -> Iterator[None]:
    threads, children, ports = _threads(), _children(), _ports()
    yield
    deadline = time.monotonic() + _PATIENCE_S
    while True:
        left = [
            *(f"thread {thread.name}" for thread in _threads() - threads),
            *(f"process {pid}" for pid in _children() - children),
            *(f"port {address}:{port}" for address, port in _ports() - ports),
        ]
        if not left and "integration" in request.keywords:
            left = [f"task {task.get_name()}" for task in _tasks()]
        if not left:
            return
        if time.monotonic() > deadline:
            pytest.fail(f"left behind: {', '.join(left)}")
        time.sleep(0.02)
