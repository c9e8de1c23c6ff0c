"""From a device's reply to the broker's acknowledgement of the alarm that it raised or cleared.

    bash tests/run.sh bench latency                           140 changes, five and a half minutes
    BRAKEWATER_LATENCY_CHANGES=300 bash tests/run.sh bench latency

Ours: the daemon with its journal on a disk whose every sync takes 20 ms longer, alarms of eight signals, and a second
device that is dead. The floor, at once: ``bare_script.py`` (paho, pymodbus, sqlite3) on the same registers, broker and
dead device, with a journal on the same disk (one of before 2026-11-27, 09:45 UTC, had neither journal nor dead device).
The clock runs from just before the device sends the first reply that carries the new value, so that the phase of the
poll is no part of it, until PUBACK is seen on the wire. Each alarm rises twice a minute at most: none chatters.
"""

import contextlib
import os
import socket
import struct
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Mapping
from pathlib import Path
from statistics import median
from time import perf_counter, sleep

import numpy as np

from benchmarks.table import Row
from brokers import HOST, mosquitto, running
from daemons import daemon
from faults.preloaded import slow_sync
from mqtt_wire import pump

CHANGES = int(os.environ.get("BRAKEWATER_LATENCY_CHANGES", "140"))
EVERY_S = 2.3
SCAN_S = 0.2
SYNC_MS = 20
_WITHIN_S = 2.0
CALM = [900, 250, 400, 3000, 400, 30, 150, 0]
"""Registers: flow in 0.1 gal/min, inlet and outlet in 0.1 degC, level and two pressures, ambient in 0.1 degC."""
BEYOND = {
    "cooling-flow-low": (0, 600), "inlet-temperature-high": (1, 390), "outlet-temperature-high": (2, 720),
    "brake-level-high": (3, 4600), "supply-pressure-low": (4, 300), "strainer-fouling": (5, 90),
    "frost-ahead": (6, 10),
}  # fmt: skip
"""Alarm -> register, and a value at which it stands."""
_POINTS = (
    ("inlet-flow", "gal/min", 0.1), ("inlet-temperature", "degC", 0.1), ("outlet-temperature", "degC", 0.1),
    ("brake-level", "mm", 0.1), ("supply-pressure", "psi", 0.1), ("strainer-differential", "psi", 0.1),
    ("ambient-temperature", "degC", 0.1),
)  # fmt: skip


def rig_file(live: int, dead: int, broker: int) -> str:
    """A rig file of a living and a dead device."""
    parts = [f'schema = 1\n[rig]\nname = "rig-9"\npad = "quillwort-1"\nscan = "{SCAN_S * 1e3:g} ms"\n']
    for name, port in (("plc1", live), ("plc2", dead)):
        parts.append(f'[[device]]\nname = "{name}"\nhost = "{HOST}"\nport = {port}\ntimeout = "150 ms"\n')
    of_rig = []
    parts.append('[[brake]]\nname = "aux"\nleast-flow = "75 gal/min"\nbearing-level = "600 mm"\n')
    parts.append(
        'inlet-limit = "38 degC"\noutlet-limit = "71 degC"\nleast-pressure = "34 psi"\nstrainer-limit = "8 psi"\n'
    )
    for alarm in BEYOND:
        kind, into = ("[[alarm]]", of_rig) if alarm == "frost-ahead" else ("[[brake.alarm]]", parts)
        into.append(f'{kind}\nalarm = "{alarm}"\non-delay = "0 s"\noff-delay = "0 s"\n')
    for address, (role, unit, size) in enumerate(_POINTS):
        kind, into = ("[[point]]", of_rig) if role == "ambient-temperature" else ("[[brake.point]]", parts)
        signal = f'kind = "linear", raw = [0, 10000], range = ["0 {unit}", "{10000 * size:g} {unit}"]'
        into.append(f'{kind}\nname = "{role}"\nrole = "{role}"\ndevice = "plc1"\ntable = "holding"\n')
        into.append(f"address = {address}\nsignal = {{ {signal} }}\n")
    of_rig.append('[[point]]\nname = "tank"\nrole = "tank-temperature"\ndevice = "plc2"\ntable = "holding"\n')
    of_rig.append('address = 0\nsignal = { kind = "direct", unit = "degC" }\n')
    return "".join(parts + of_rig) + f'[mqtt]\nhost = "{HOST}"\nport = {broker}\n'


class Device:
    """Answers requests for holding registers, for one client at a time, and notes when a new value first goes out."""

    def __init__(self, bank: list[int]) -> None:
        self._bank = bank
        self._listener = socket.create_server((HOST, 0))
        self.port = self._listener.getsockname()[1]
        self._told = list(bank)
        self.told_at: dict[int, float] = {}
        """Register -> when its newest value first went out."""
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._listener.accept()
                client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                threading.Thread(target=self._talk, args=(client,), daemon=True).start()

    def _talk(self, client: socket.socket) -> None:
        with contextlib.suppress(OSError), client:
            while request := client.recv(260):
                number, _, _, unit, function, first, count = struct.unpack(">HHHBBHH", request[:12])
                found = self._bank[first : first + count]
                body = struct.pack(f">BBB{len(found)}H", unit, function, 2 * len(found), *found)
                now = perf_counter()
                for at, value in enumerate(found, first):
                    if self._told[at] != value:
                        self._told[at], self.told_at[at] = value, now
                client.sendall(struct.pack(">HHH", number, 0, len(body)) + body)

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()


class Wire:
    """Between one client and the broker: when each alarm was said, and when that was acknowledged."""

    def __init__(self, broker: int) -> None:
        self._broker = broker
        self._listener = socket.create_server((HOST, 0))
        self.port = self._listener.getsockname()[1]
        self._under_way: dict[int, tuple[str, float]] = {}
        self.acknowledged: list[tuple[str, float, float]] = []
        """Alarm, when it was said, and when the broker had it."""
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = self._listener.accept()
                far = socket.create_connection((HOST, self._broker))
                for end in (near, far):
                    end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                threading.Thread(target=pump, args=(near, far, self._said), daemon=True).start()
                threading.Thread(target=pump, args=(far, near, self._answered), daemon=True).start()

    def _said(self, kind: int, body: bytes) -> None:
        if kind >> 4 == 3 and kind & 6:  # PUBLISH with QoS above 0
            end = 2 + int.from_bytes(body[:2])
            before, _, alarm = body[2:end].decode().rpartition("/")
            if before.endswith("/alarm"):
                self._under_way[int.from_bytes(body[end : end + 2])] = alarm, perf_counter()

    def _answered(self, kind: int, body: bytes) -> None:
        if kind >> 4 == 4 and (one := self._under_way.pop(int.from_bytes(body[:2]), None)) is not None:  # PUBACK
            self.acknowledged.append((*one, perf_counter()))

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()


@contextlib.contextmanager
def dead() -> Iterator[int]:
    """A port that is taken, so that nobody else can listen on it, and refuses."""
    with socket.socket() as taken:
        taken.bind((HOST, 0))
        yield taken.getsockname()[1]


@contextlib.contextmanager
def bare(ports: tuple[int, int, int], journal: Path, environment: Mapping[str, str]) -> Iterator[None]:
    """The floor at work; ports of its device, of the dead one and of the broker."""
    script = Path(__file__).with_name("bare_script.py")
    told = [sys.executable, str(script), *map(str, ports), str(SCAN_S), str(journal)]
    with subprocess.Popen(told, env=os.environ | environment) as child:
        try:
            yield
        finally:
            child.kill()


def latency_s(device: Device, wire: Wire, alarm: str, register: int, after: float) -> float | None:
    """From the reply to the acknowledgement of one change; None where it was not told."""
    told = device.told_at.get(register, 0.0)
    if told < after:
        return None
    return next((at - told for name, said, at in wire.acknowledged if name == alarm and said >= told), None)


def measured(bank: list[int], *pairs: tuple[Device, Wire]) -> tuple[list[float], ...]:
    """Latencies in s of each pair, over ``CHANGES`` changes; one that is missing is an error."""
    found: tuple[list[float], ...] = tuple([] for _ in pairs)
    for change in range(CHANGES):
        alarm = list(BEYOND)[change % len(BEYOND)]
        register, value = BEYOND[alarm]
        rises = change // len(BEYOND) % 2 == 0
        began = perf_counter()
        bank[register] = value if rises else CALM[register]
        sleep(EVERY_S)
        for (device, wire), into in zip(pairs, found, strict=True):
            took = latency_s(device, wire, alarm, register, began)
            assert took is not None, f"change {change}: {alarm} was not told within {EVERY_S} s"
            into.append(took)
            wire.acknowledged.clear()
    return found


def rows() -> list[Row]:
    """Median and 99th percentile."""
    bank = list(CALM)
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        broker = stack.enter_context(running(mosquitto(folder)))
        pairs = (Device(bank), Wire(broker.port)), (Device(bank), Wire(broker.port))
        for pair in pairs:
            for part in pair:
                stack.callback(part.close)
        rig = folder / "latency.toml"
        (device, wire), (other, its_wire) = pairs
        nobody, slow = stack.enter_context(dead()), slow_sync(folder, SYNC_MS)
        rig.write_text(rig_file(device.port, nobody, wire.port), encoding="utf-8")
        stack.enter_context(daemon(rig, folder / "record", environment=slow))
        stack.enter_context(bare((other.port, nobody, its_wire.port), folder / "bare.sqlite3", slow))
        sleep(5.0)
        ours, floor = measured(bank, *pairs)
    told = f"{len(ours)} changes, sync {SYNC_MS} ms"
    return [
        _row(f"reply to PUBACK, median ({told})", float(median(ours)), float(median(floor)), 1.5),
        _row("  99th percentile", float(np.percentile(ours, 99)), float(np.percentile(floor, 99)), 2.0),
    ]


def _row(what: str, ours_s: float, floor_s: float, target: float) -> Row:
    ratio = ours_s / floor_s
    return Row(what=what, ours=f"{ours_s * 1e3:.2f} ms", floor=f"{floor_s * 1e3:.2f} ms", ratio=ratio, target=target)
