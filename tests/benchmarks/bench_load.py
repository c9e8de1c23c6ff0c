"""A full house: 32 devices of 20 points each at 5 scans/s, three of them dead, watched by the real daemon.

Every device is one of 32 brakes with doubled and trebled sensors, so that all that the engine can do is done for each.
29 devices are libmodbus servers, each a process of its own; one address refuses, one accepts and says nothing, one
does not even answer a connection. The floor is a bare pymodbus script that reads the 29 side by side at the same time.

Lateness is told twice, both from the record: of a scan's beginning, as the watch itself says, and of its stamp, which
is when the last device had answered, against the grid of ticks.
"""

import asyncio
import contextlib
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from time import process_time, sleep

import numpy as np
import psutil
from pymodbus.client import AsyncModbusTcpClient

from benchmarks.parts import built, served
from benchmarks.table import Row
from brakewater.record.reader import Record
from brakewater.rig import Rig, load
from brakewater.stream import Block

HOST = "127.0.0.1"
DEVICES, POINTS, DEAD = 32, 20, 3
PERIOD_S = 0.2
SECONDS = float(os.environ.get("BRAKEWATER_LOAD_SECONDS", "40"))
SETTLED_S = 6.0
"""Left out at the start: connecting, and finding out who is dead."""
LATE_MS = 20.0
MOST_CPU = 0.5
"""Of one core: half a small box of two cores must stay free for the panel and all else; an assumption."""

_RANGES = {
    "inlet-flow": ("0 gal/min", "150 gal/min"),
    "inlet-temperature": ("0 degC", "100 degC"),
    "outlet-temperature": ("0 degC", "100 degC"),
    "brake-level": ("0 mm", "1000 mm"),
    "return-flow": ("0 gal/min", "150 gal/min"),
    "supply-pressure": ("0 bar", "10 bar"),
    "strainer-differential": ("0 bar", "2 bar"),
    "filter-differential": ("0 bar", "2 bar"),
    "coil-current": ("0 A", "100 A"),
    "coil-voltage": ("0 V", "250 V"),
    "drum-speed": ("0 rpm", "300 rpm"),
}
_TREBLED = ("inlet-flow", "inlet-temperature", "brake-level")
_DOUBLED = ("outlet-temperature",)
_BITS = ("in-service",)


def rig_file(ports: Sequence[int]) -> str:
    """A rig file for the devices at these ports."""
    parts = [f'schema = 1\n[rig]\nname = "rig-4"\npad = "ninebark-2"\nscan = "{PERIOD_S * 1e3:g} ms"\n']
    for k, port in enumerate(ports):
        parts.append(f'[[device]]\nname = "plc{k}"\nhost = "{HOST}"\nport = {port}\ntimeout = "150 ms"\n')
        parts.append(f'[[brake]]\nname = "aux{k}"\nleast-flow = "75 gal/min"\nbearing-level = "600 mm"\n')
        parts += [f'[[brake.redundant]]\nrole = "{role}"\nrule = "two-of-three"\n' for role in _TREBLED]
        parts += [f'[[brake.redundant]]\nrole = "{role}"\nrule = "mean"\n' for role in _DOUBLED]
        roles = [*_RANGES, *_DOUBLED, *_TREBLED, *_TREBLED, *_BITS]
        assert len(roles) == POINTS - 1, len(roles)
        parts += [_point(k, address, role) for address, role in enumerate(roles)]
    for k in range(len(ports)):
        parts.append(
            f'[[point]]\nname = "beat{k}"\nrole = "heartbeat"\ndevice = "plc{k}"\ntable = "input"\n'
            f'address = {POINTS - 1}\nsignal = {{ kind = "direct", unit = "1" }}\n'
        )
    return "".join(parts)


def _point(k: int, address: int, role: str) -> str:
    head = f'[[brake.point]]\nname = "p{k}-{address}"\nrole = "{role}"\ndevice = "plc{k}"\ntable = "input"\n'
    if role in _BITS:
        return head + f'address = {address}\ntype = "bit 0"\nsignal = {{ kind = "bit" }}\n'
    low, high = _RANGES[role]
    span = f'raw = [0, 65535], range = ["{low}", "{high}"]'
    return head + f'address = {address}\ntype = "uint16"\nsignal = {{ kind = "linear", {span} }}\n'


# ---- the dead


@contextlib.contextmanager
def refusing() -> Iterator[int]:
    """A port that is taken, so that nobody else can listen on it, and refuses."""
    with socket.socket() as taken:
        taken.bind((HOST, 0))
        yield taken.getsockname()[1]


@contextlib.contextmanager
def mute() -> Iterator[int]:
    """Accepts every connection and says nothing."""
    with socket.create_server((HOST, 0), backlog=128) as server:
        kept: list[socket.socket] = []

        def accept() -> None:
            with contextlib.suppress(OSError):
                while True:
                    kept.append(server.accept()[0])
                    if len(kept) > 16:
                        kept.pop(0).close()

        threading.Thread(target=accept, daemon=True).start()
        yield server.getsockname()[1]
        server.shutdown(socket.SHUT_RDWR)
        for one in kept:
            one.close()


@contextlib.contextmanager
def nobody() -> Iterator[int]:
    """Drops every question whether it would take a connection: its queue is full and nobody empties it."""
    with contextlib.ExitStack() as stack:
        server = stack.enter_context(socket.socket())
        server.bind((HOST, 0))
        server.listen(0)
        for _ in range(4):
            one = stack.enter_context(socket.socket())
            one.setblocking(False)  # noqa: FBT003 the library's own order
            one.connect_ex(server.getsockname())
        yield server.getsockname()[1]


@contextlib.contextmanager
def house() -> Iterator[list[int]]:
    """Ports of all 32; the last three are dead."""
    with contextlib.ExitStack() as stack:
        program = stack.enter_context(built())
        ports = [stack.enter_context(served(program)) for _ in range(DEVICES - DEAD)]
        yield [*ports, *(stack.enter_context(kind()) for kind in (refusing, mute, nobody))]


# ---- ours


def watched(rig: Path, folder: Path) -> tuple[float, Record]:
    """The daemon at work on the rig: CPU seconds a second once it has settled, and its record."""
    command = [sys.executable, "-m", "brakewater", "run", str(rig), "--record", str(folder)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as child:
        process = psutil.Process(child.pid)
        sleep(SETTLED_S)
        before = process.cpu_times()
        sleep(SECONDS)
        after = process.cpu_times()
        child.send_signal(signal.SIGTERM)
        status = child.wait(30)
    assert status == 0, f"the daemon ended with {status}"
    return (after.user + after.system - before.user - before.system) / SECONDS, Record(folder)


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What the record tells of the settled scans."""

    began_ms: np.ndarray
    """[n] how late each began,"""
    stamped_ms: np.ndarray
    """[n] and how long after its tick it was stamped."""
    left_out: int
    """Ticks without a scan."""
    unread: int
    """Readings of living devices that are missing,"""
    readings: int
    """of so many."""


def seen(rig: Rig, record: Record) -> Seen:
    """How the scans came."""
    column = next(slot.column for slot in rig.slots if slot.point.name == "self.lateness")
    blocks = [item for item in record.inputs() if isinstance(item, Block)]
    t_s = np.concatenate([block.t_ns for block in blocks]) / 1e9
    words = np.concatenate([block.words for block in blocks])[:, column : column + 2].astype(np.int64)
    status = np.concatenate([block.status for block in blocks])
    settled = t_s > t_s[0] + SETTLED_S
    began_ms = (words[settled, 0] * 65536 + words[settled, 1]) / 1e3
    t_s = t_s[settled]
    living = [slot.index for slot in rig.slots if slot.point.device in {f"plc{k}" for k in range(DEVICES - DEAD)}]
    tick, after_s = _grid(t_s - t_s[0], began_ms / 1e3)
    answers = status[settled][:, living]
    return Seen(
        began_ms=began_ms,
        stamped_ms=after_s * 1e3,
        left_out=int(tick[-1]) + 1 - len(tick),
        unread=int(np.count_nonzero(answers)),
        readings=answers.size,
    )


def _grid(t_s: np.ndarray, began_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """[n] the tick of each scan and how long after it was stamped, from stamps and how late each began.

    Where in the period the ticks lie, most scans agree on, within their polls; none is stamped before its tick, so the
    quickest poll bounds the grid.
    """
    taken = t_s - began_s
    bins = round(PERIOD_S * 100)
    usual = np.bincount(((taken % PERIOD_S) * 100).astype(int) % bins, minlength=bins).argmax() / 100 - PERIOD_S / 4
    tick = np.floor((taken - usual) / PERIOD_S)
    polled_s = taken - tick * PERIOD_S
    return tick - tick[0], polled_s - polled_s.min() + began_s


# ---- the floor


async def _bare(ports: Sequence[int]) -> tuple[float, np.ndarray]:
    clients = [AsyncModbusTcpClient(HOST, port=port, timeout=3, retries=0) for port in ports]
    await asyncio.gather(*(client.connect() for client in clients))
    time, late = asyncio.get_running_loop().time, []
    began, cpu = time(), process_time()
    for tick in range(1, round(SECONDS / 2 / PERIOD_S) + 1):
        await asyncio.gather(*(one.read_input_registers(0, count=POINTS, device_id=1) for one in clients))
        await asyncio.sleep(max(0.0, began + tick * PERIOD_S - time()))
        late.append(time() - began - tick * PERIOD_S)
    used = (process_time() - cpu) / (time() - began)
    for client in clients:
        client.close()
    return used, np.array(late) * 1e3


def figures(late_ms: np.ndarray) -> str:
    """Median, 99th percentile and worst."""
    return f"{np.median(late_ms):.1f}/{np.percentile(late_ms, 99):.1f}/{late_ms.max():.1f} ms"


def rows() -> list[Row]:
    """Lateness of the beginning and of the stamp, and CPU."""
    with house() as ports, tempfile.TemporaryDirectory() as name:
        file = Path(name) / "full-house.toml"
        file.write_text(rig_file(ports), encoding="utf-8")
        rig = load(file)
        cpu, record = watched(file, Path(name) / "record")
        found = seen(rig, record)
        bare_cpu, bare_ms = asyncio.run(_bare(ports[: DEVICES - DEAD]))
    told = f"{DEVICES} devices, {DEAD} dead"
    return [
        Row(
            what=f"{told}: scan begins late, p50/p99/max",
            ours=figures(found.began_ms) + (f", {found.left_out} left out" if found.left_out else ""),
            floor=figures(bare_ms),
            ratio=float(np.percentile(found.began_ms, 99)) / LATE_MS,
            target=1,
        ),
        Row(
            what="  and is stamped after its tick, p50/p99/max",
            ours=figures(found.stamped_ms),
            floor=f"{LATE_MS:g} ms allowed",
            ratio=float(np.percentile(found.stamped_ms, 99)) / LATE_MS,
            target=1,
        ),
        Row(
            what="  readings of the living that are missing",
            ours=f"{found.unread:,} of {found.readings:,}",
            floor="none allowed",
            ratio=found.unread / found.readings,
            target=0,
        ),
        Row(
            what="  CPU of one core at 5 scans/s",
            ours=f"{cpu * 100:.1f} %",
            floor=f"{bare_cpu * 100:.1f} %, {MOST_CPU:.0%} allowed",
            ratio=cpu / MOST_CPU,
            target=1,
        ),
    ]
