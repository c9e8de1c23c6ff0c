"""The parts that are harmed, and what can be done to each: real ones, all but two devices processes of their own."""

import asyncio
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AsyncExitStack, asynccontextmanager, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from brokers import Broker, free_port, mosquitto
from daemons import Daemon
from faults.cases import FAULTS, families
from faults.device import Device, LineDevice, SocketDevice, Transport
from faults.lines import serial_line
from faults.preloaded import ShiftedClock, compiled
from faults.register_server import build
from faults.soak import SPLITS
from mirror_parts import Victoria
from mqtt_wire import Wire
from programs import Program

from .held import Noted, Spans, Steps, boot_ns
from .plan import FAULTY, Harm
from .rig import rig_file
from .told import Tally

S: Final = 1_000_000_000
SLOW_MS: Final = (0, 0, 20, 200)
"""What each sync takes longer, one for each life of the watch."""
_STOP_S: Final = (0.05, 0.25)
"""Starved: stopped and let go in turn, for so long each."""


@dataclass(kw_only=True)
class Sides:
    """All parts; ``harm`` does one thing to one of them."""

    folder: Path
    rig: Path
    record: Path
    devices: dict[str, Device]
    noted: dict[str, Noted]
    foreign: "Foreign"
    broker: Broker
    wire: Wire
    mirror: Victoria
    clock: ShiftedClock
    tally: Tally
    chance: random.Random
    slow: Path
    steps: Steps = field(default_factory=Steps)
    stopped: Spans = field(default_factory=list)
    watch: Daemon | None = None
    began_s: float = 0.0
    """When the watch was started the last time; monotonic."""
    life: int = 0
    unplugged: bool = False
    wanted: bool = True
    """False while the watch is down on purpose."""

    def start_watch(self) -> None:
        """A further life."""
        ms = self.chance.choice(SLOW_MS)
        clock = self.clock.environment
        environment = {**clock, "LD_PRELOAD": f"{clock['LD_PRELOAD']}:{self.slow}", "SLOW_SYNC_MS": str(ms)}
        self.tally.done[f"watch: syncs {ms:>3} ms slower"] += 1
        self.watch = Daemon(self.rig, self.record, self.folder / "watch.log", environment)
        self.watch.start(ready=False)
        self.life, self.began_s, self.wanted = self.life + 1, time.monotonic(), True

    async def harm(self, one: Harm) -> None:
        """Do it, and undo it after its time."""
        self.tally.done[f"{one.side}: {one.what}"] += 1
        match one.side:
            case "device tcp" | "device rtu":
                await self._away(self.devices["plc1" if one.side == "device tcp" else "rio1"], one.for_s)
            case "device foreign":
                await _for(one, self.foreign.kill, self.foreign.start, self.foreign.freeze, self.foreign.thaw)
            case "broker":
                kill = self.broker.kill if one.what == "killed" else self.broker.end
                await _for(one, kill, self.broker.start, self.broker.freeze, self.broker.thaw)
            case "mirror":
                await _for(one, self.mirror.kill, self.mirror.start, self.mirror.freeze, self.mirror.thaw)
            case "disk":
                await asyncio.to_thread(fill, self.record)
                await asyncio.sleep(one.for_s)
                (self.record / "ballast").unlink()
            case "clock":
                off_ns = round(one.amount * S)
                self.clock.step_to(off_ns)
                self.steps.stepped(boot_ns(), off_ns)
            case "processor":
                await self._starve(one)
            case _:
                await self._end(one)

    async def _away(self, device: Device, for_s: float) -> None:
        is_line = isinstance(device, LineDevice)
        self.unplugged = self.unplugged or is_line
        await device.go_away()
        await asyncio.sleep(for_s)
        await device.come_back()
        self.unplugged = self.unplugged and not is_line

    async def _starve(self, one: Harm) -> None:
        """Stop the watch, once or again and again."""
        if one.what == "stopped":
            await self._stop(one.for_s)
            return
        end = time.monotonic() + one.for_s
        while time.monotonic() < end:
            await self._stop(self.chance.uniform(*_STOP_S))
            await asyncio.sleep(self.chance.uniform(*_STOP_S))

    async def _stop(self, for_s: float) -> None:
        watch, began = self.watch, boot_ns()
        assert watch is not None
        watch.process.send_signal(signal.SIGSTOP)
        await asyncio.sleep(for_s)
        self.stopped.append((began, boot_ns()))
        watch.process.send_signal(signal.SIGCONT)

    async def _end(self, one: Harm) -> None:
        assert self.watch is not None
        self.wanted = False
        if one.what == "SIGTERM":
            await asyncio.to_thread(self.end_watch)
        else:
            self.watch.kill()
        await asyncio.sleep(one.for_s)
        self.start_watch()

    def end_watch(self) -> None:
        """As a service is stopped."""
        assert self.watch is not None
        self.wanted = False
        is_young = time.monotonic() - self.began_s < _YOUNG_S
        self.watch.process.send_signal(signal.SIGCONT)
        try:
            status: object = self.watch.end(within_s=30)
        except subprocess.TimeoutExpired:
            status = "none in 30 s"
            self.watch.kill()
        is_well = status == 0 or (is_young and status == -signal.SIGTERM)
        self.tally.check("SIGTERM ends it with status 0", is_well, f"life {self.life}: {status}")

    async def play(self, name: str, is_calm: Callable[[], bool]) -> None:
        """Bad answers, for ever; none that RTU cannot tell from good ones, or after which a watch asks again."""
        device, asked = self.devices[name], -1
        many = [fault for family in families(device.transport).values() for fault in family]
        faults = [fault for fault in FAULTS if fault.status(device.transport) and not fault.goes_away] * 4 + many
        faults = [fault for fault in faults if not fault.settles and fault.name not in SPLITS]
        while True:
            await asyncio.sleep(0.02)
            if isinstance(device, LineDevice) and device._file < 0 and not self.unplugged:
                device.line.unplug()  # socat ends when a port is closed; a real line stays
                await device.come_back()
            if isinstance(device, LineDevice) and device._task is not None and device._task.done():
                device._task.result()  # the device itself is broken
            if device.number != asked and device.idle.is_set() and not device.script and not is_calm():
                asked = device.number
                if self.chance.random() < FAULTY:
                    device.script.append(self.chance.choice(faults).play)
                    self.tally.done[f"device {'tcp' if name == 'plc1' else 'rtu'}: bad answer"] += 1


async def _for(
    one: Harm,
    down: Callable[[], None],
    up: Callable[[], None],
    freeze: Callable[[], None],
    thaw: Callable[[], None],
) -> None:
    first, then = (freeze, thaw) if one.what == "frozen" else (down, up)
    await asyncio.to_thread(first)
    await asyncio.sleep(one.for_s)
    await asyncio.to_thread(then)


_YOUNG_S: Final = 2.0
"""On a starved machine Python itself may take so long to begin; before that a signal ends it as the kernel has it."""


class Foreign(Program):
    """The libmodbus device, at one port over all its lives."""

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self._program, self.port = build(folder), free_port()

    def start(self) -> None:
        """A life; its count of requests begins anew."""
        self._run([str(self._program), str(self.port), "0", "1"])


def fill(folder: Path) -> None:
    """A file that leaves no byte on the disk."""
    with (folder / "ballast").open("wb", buffering=0) as file:
        free = os.statvfs(folder)
        with suppress(OSError):
            os.posix_fallocate(file.fileno(), 0, free.f_bavail * free.f_bsize)
        with suppress(OSError):
            file.seek(0, os.SEEK_END)
            while True:
                file.write(bytes(4096))


@contextmanager
def small_disk(folder: Path, size: int) -> Iterator[None]:
    """A file system of so many bytes; mounting one needs root."""
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)], check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def kept(folder: Path) -> Path:
    """A copy of what tells why something broke: the same seed never gives the same record again."""
    into = Path(tempfile.mkdtemp(prefix="whole-broken-"))
    for one in [folder / "watch.log", folder / "rig.toml", *sorted((folder / "record").rglob("*"))]:
        if one.is_file() and one.name != "ballast":  # no socket
            copy = into / one.relative_to(folder)
            copy.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(one, copy)
    return into


@asynccontextmanager
async def standing(seed: int, every_s: float, disk: int, tally: Tally) -> AsyncIterator[Sides]:
    """All parts but the watch, at work; nothing of them is left behind but what tells why something broke."""
    async with AsyncExitStack() as stack:
        folder = Path(tempfile.mkdtemp(prefix="whole-"))
        stack.callback(shutil.rmtree, folder, ignore_errors=True)
        record, lines, brokers = folder / "record", folder / "line", folder / "broker"
        stack.enter_context(small_disk(record, disk))
        lines.mkdir()
        brokers.mkdir()
        line = stack.enter_context(serial_line(lines))
        tcp = await stack.enter_async_context(SocketDevice(Transport.TCP))
        rtu = await stack.enter_async_context(LineDevice(line))
        foreign, broker, mirror = Foreign(folder), mosquitto(brokers, keeps=True), Victoria(folder)
        for part in (foreign, broker, mirror):
            await asyncio.to_thread(part.start)
            stack.callback(part.kill)
        wire = Wire(broker.port)
        stack.callback(wire.close)
        rig = rig_file(
            folder / "rig.toml", tcp=tcp.port, line=line.here, foreign=foreign.port, broker=wire.port,
            mirror=mirror.url, every_s=every_s,
        )  # fmt: skip
        devices: dict[str, Device] = {"plc1": tcp, "rio1": rtu}
        sides = Sides(
            folder=folder, rig=rig, record=record, devices=devices,
            noted={name: Noted(device) for name, device in devices.items()}, foreign=foreign, broker=broker, wire=wire,
            mirror=mirror, clock=ShiftedClock(folder), tally=tally, chance=random.Random(seed),
            slow=compiled("slow_sync", folder),
        )  # fmt: skip

        def end(_kind: object, error: BaseException | None, _trace: object) -> None:
            if sides.watch is not None and sides.watch.process.poll() is None:
                sides.watch.kill()
            if tally.broken or isinstance(error, Exception):
                print(f"record, log and rig file are kept in {kept(folder)}", file=sys.stderr, flush=True)

        stack.push(end)
        yield sides
