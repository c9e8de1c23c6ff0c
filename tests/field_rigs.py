"""Rigs made of bare points, the devices that answer them, and sources, clocks and disks for the tests of the loop.

The devices' words say where they stand: see faults/register_server.c and faults/fault_server.py.
"""

import asyncio
import shutil
import sqlite3
import subprocess
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from brakewater.rig import Device, Point, Rig, Table
from brakewater.rig.own import points as own_points
from brakewater.signals.convert import Direct, Register
from brakewater.signals.words import RegisterKind
from brakewater.stream import Block, Sample
from faults.lines import free_port as free_port  # noqa: PLC0414 - for the tests that take it from here

SOURCE = Path(__file__).parent / "faults" / "register_server.c"
HOST = "127.0.0.1"


def device(name: str, port: int = 1, *, timeout_s: float = 5.0, max_registers: int = 125, gap: int = 8) -> Device:
    table = {"name": name, "host": HOST, "port": port, "timeout": f"{timeout_s * 1e3:g} ms"}
    return Device.model_validate({**table, "max-registers": max_registers, "gap": gap})


def point(
    device: str,
    address: int,
    *,
    table: Table = Table.INPUT,
    kind: RegisterKind = RegisterKind.UINT16,
    bit: int | None = None,
) -> Point:
    register = Register(kind=RegisterKind.BIT if table.is_bits else kind, bit=bit)
    return Point(
        name=f"{device}-{table.value}-{address}" + ("" if bit is None else f"-{bit}"),
        role="heartbeat",
        brake=None,
        device=device,
        table=table,
        address=address,
        register=register,
        signal=Direct(),
    )


def rig(
    devices: Iterable[Device], points: Iterable[Point], *, mirrors: tuple[str, ...] = (), broker: bool = False
) -> Rig:
    """A rig with nothing but devices, these points and the daemon's own."""
    return Rig(
        file="",
        text="",
        name="rig-4",
        pad="pad",
        scan_ns=50_000_000,
        units="us",
        devices=tuple(devices),
        points=(*points, *own_points(mirrors, broker=broker)),
        brakes=(),
        tanks=(),
        alarms=(),
        lamps=(),
        mqtt=None,
        mirrors={},
        people={},
    )


def built(folder: Path) -> Path:
    """The foreign device's program, compiled into a folder."""
    assert shutil.which("gcc"), "gcc is not installed; `bash tests/run.sh` installs it"
    asked = subprocess.run(
        ["pkg-config", "--cflags", "--libs", "libmodbus"], capture_output=True, text=True, check=True
    )
    made = folder / "register_server"
    subprocess.run(["gcc", "-O1", "-o", str(made), str(SOURCE), *asked.stdout.split()], check=True)
    return made


@contextmanager
def foreign(program: Path, delay_ms: int = 0, every: int = 1) -> Iterator[int]:
    """The foreign device at work; gives its port."""
    with subprocess.Popen([program, "0", str(delay_ms), str(every)], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield int(process.stdout.readline())
        finally:
            process.kill()


def run(test: Coroutine[None, None, None]) -> None:
    """Run a test in a loop of its own; no task may be left behind."""

    async def watched() -> None:
        await test
        await asyncio.sleep(0)
        assert asyncio.all_tasks() == {asyncio.current_task()}

    asyncio.run(watched())


async def until(holds: Callable[[], object], what: str = "") -> None:
    for _ in range(4000):
        if holds():
            return
        await asyncio.sleep(0.005)
    raise AssertionError(what or "never came true")


class SteppedClock:
    """A clock set by the test; each look moves it on by a nanosecond, ``step_ns`` anywhere."""

    boot = "test@0"

    def __init__(self) -> None:
        self.t_ns = 0

    def steady_ns(self) -> int:
        self.t_ns += 1
        return self.t_ns

    def utc_ns(self) -> int:
        return 1_927_938_245_123_456_789 + self.t_ns


class Played:
    """A source that plays samples, and does whatever the test wants before each."""

    def __init__(self, samples: Iterable[Sample], before: Callable[[int], Awaitable[object]] | None = None) -> None:
        self._samples, self._before = samples, before

    async def samples(self) -> AsyncIterator[Sample]:
        for number, sample in enumerate(self._samples):
            if self._before is not None:
                await self._before(number)
            yield sample


class Disk:
    """Connections whose statements fail on demand."""

    def __init__(self) -> None:
        self.fails: sqlite3.Error | None = None
        self.lock = threading.Lock()

    def connect(self, path: Path) -> sqlite3.Connection:
        disk = self

        class Connection(sqlite3.Connection):
            def execute(self, sql: str, *args: object) -> sqlite3.Cursor:  # type: ignore[override]
                if disk.fails is not None and sql.startswith("BEGIN"):
                    raise disk.fails
                return super().execute(sql, *args)  # type: ignore[arg-type]

        return sqlite3.connect(path, timeout=1.0, isolation_level=None, factory=Connection)


def samples_of(block: Block) -> list[Sample]:
    """The scans of a block as a source delivers them."""
    rows = zip(block.words.astype("<u2"), block.status, block.age_ns, strict=True)
    return [
        Sample(words=words.tobytes(), status=status.tobytes(), age_ns=tuple(age.tolist()))
        for words, status, age in rows
    ]
