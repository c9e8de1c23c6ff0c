"""A device that we did not write (libmodbus) feeds the daemon: no recorded word is of another address, or too old.

The device's even registers hold their own address, its odd ones the number of the request that they were read by. The
test asks the same device all the while by its own few lines of Modbus, so that it knows by when each request had been
answered, on the clock that the record's times are made of.
"""

import socket
import struct
import subprocess
import time
from bisect import bisect_right
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from brakewater.field.plan import plan
from brakewater.quality import Status
from brakewater.record.reader import Record
from brakewater.rig import SELF, Rig, load
from brakewater.stream import Block, Start
from brokers import HOST
from daemons import Daemon, daemon, libmodbus_device

pytestmark = pytest.mark.integration

BRAKES = 4
UNITS = {
    "inlet-flow": "L/s", "inlet-temperature": "degC", "outlet-temperature": "degC", "brake-level": "m",
    "return-flow": "L/s", "supply-pressure": "kPa", "strainer-differential": "kPa", "coil-current": "A",
    "coil-voltage": "V", "drum-speed": "rpm", "filter-differential": "kPa",
}  # fmt: skip
TYPES = ("uint32", "float64", "uint16", "float32")
SCANS = 150
ASKED_EVERY_S = 0.002


def rig_file(file: Path, port: int) -> Path:
    """Many points: two tables, several merged reads with holes in them, numbers of one, two and four registers."""
    lines = [
        'schema = 1\n[rig]\nname = "rig-9"\nscan = "20 ms"\n',
        f'[[device]]\nname = "plc1"\nhost = "{HOST}"\nport = {port}\ntimeout = "20 ms"\n',
    ]
    for brake in range(BRAKES):
        lines.append(f'[[brake]]\nname = "b{brake}"\nleast-flow = "75 gal/min"\nbearing-level = "600 mm"\n')
        for at, (role, unit) in enumerate(UNITS.items()):
            table = ("input", "holding")[at % 2]
            lines.append(
                f'[[brake.point]]\nname = "b{brake}-{role}"\nrole = "{role}"\ndevice = "plc1"\ntable = "{table}"\n'
                f'address = {2000 * brake + 7 * at}\ntype = "{TYPES[at % 4]}"\n'
                f'signal = {{ kind = "direct", unit = "{unit}" }}\n'
            )
        lines.append(
            f'[[brake.point]]\nname = "b{brake}-on"\nrole = "in-service"\ndevice = "plc1"\ntable = "discrete"\n'
            f'address = {500 * brake + 3}\nsignal = {{ kind = "bit" }}\n'
        )
    file.write_text("\n".join(lines))
    return file


@contextmanager
def device(program: Path, delay_ms: int, every: int) -> Iterator[int]:
    with subprocess.Popen([program, "0", str(delay_ms), str(every)], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield int(process.stdout.readline())
        finally:
            process.kill()


@dataclass(frozen=True)
class Asked:
    """One request of the test's own: its number, and by when (boot clock) it had been answered."""

    number: int
    answered_ns: int


class Observer:
    """Reads register 1 of the device by hand."""

    def __init__(self, port: int) -> None:
        self._line = socket.create_connection((HOST, port), timeout=5)

    def ask(self) -> Asked:
        self._line.sendall(struct.pack(">HHHBBHH", 7, 0, 6, 1, 3, 1, 1))
        answer = b""
        while len(answer) < 11:
            answer += self._line.recv(11 - len(answer))
        answered_ns = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
        assert answer[:9] == struct.pack(">HHHBBB", 7, 0, 5, 1, 3, 2)
        return Asked(struct.unpack(">H", answer[9:])[0], answered_ns)

    def close(self) -> None:
        self._line.close()


def watched(port: int, one: Daemon, scans: int) -> list[Asked]:
    """Ask beside the daemon until it has made so many scans."""
    observer, asked = Observer(port), []
    try:
        while len(asked) % 100 or one.status()["input"] < scans:
            asked.append(observer.ask())
            time.sleep(ASKED_EVERY_S)
        time.sleep(0.1)
        asked.append(observer.ask())
    finally:
        observer.close()
    return asked


@dataclass(frozen=True)
class Words:
    """One recorded scan: words, statuses, and by the boot clock when its oldest value was taken or later."""

    words: list[int]
    status: list[int]
    taken_ns: int


def recorded(record: Path) -> list[Words]:
    found, origin_ns = [], 0
    for item in Record(record).inputs():
        if isinstance(item, Start):
            origin_ns = int(item.boot.partition("@")[2])
        elif isinstance(item, Block):
            for at in range(len(item)):
                taken_ns = int(item.t_ns[at]) + origin_ns - int(item.age_ns[at][0])
                found.append(Words(item.words[at].tolist(), item.status[at].tolist(), taken_ns))
    return found


def numbers_of(rig: Rig, scan: Words) -> dict[int, set[int]]:
    """Request numbers by planned read; asserts that every other word is its own address (a bit: its parity)."""
    found: dict[int, set[int]] = {}
    for at, planned in enumerate(plan(rig)[0].reads):
        found[at] = set()
        for part in planned.parts:
            if scan.status[part.index] != Status.OK:
                continue
            for offset in range(part.count):
                address, word = planned.read.address + part.offset + offset, scan.words[part.column + offset]
                if planned.read.table.is_bits:
                    assert word == address.bit_count() % 2
                elif address % 2:
                    found[at].add(word)
                else:
                    assert word == address
    return {at: numbers for at, numbers in found.items() if numbers}


@pytest.mark.parametrize(("delay_ms", "every"), [(0, 1), (8, 40), (35, 90)], ids=["prompt", "slow", "too late"])
def test_every_word_is_its_own_address_and_as_fresh_as_it_says(tmp_path: Path, delay_ms: int, every: int) -> None:
    program = libmodbus_device(tmp_path)
    with device(program, delay_ms, every) as port:
        rig_path = rig_file(tmp_path / "rig.toml", port)
        with daemon(rig_path, tmp_path / "record") as one:
            asked = watched(port, one, SCANS)
            assert one.end() == 0
    rig, scans = load(rig_path), recorded(tmp_path / "record")
    assert len([slot for slot in rig.slots if slot.point.device != SELF]) == BRAKES * (len(UNITS) + 1)
    assert len(plan(rig)[0].reads) > 2 * BRAKES
    assert len(scans) >= SCANS
    checked = [numbers_of(rig, scan) for scan in scans]
    for numbers in checked:  # all words of one answer are of one request, and each answer of another
        assert all(len(one) == 1 for one in numbers.values())
        assert len(set.union(set(), *numbers.values())) == len(numbers)
    fresh = [sorted(number for one in numbers.values() for number in one) for numbers in checked]
    for before, after in pairwise([numbers for numbers in fresh if numbers]):
        assert before[-1] < after[0]  # no value of an earlier scan ever comes again
    known = [one.number for one in asked]
    assert known == sorted(known)
    held = 0
    for scan, numbers in zip(scans, fresh, strict=True):
        for number in numbers:
            later = bisect_right(known, number)
            if later < len(asked):  # taken before that was answered; so that may not lie before what the scan says
                held += 1
                assert asked[later].answered_ns >= scan.taken_ns
    failed = np.array([[status != Status.OK for status in scan.status] for scan in scans]).any()
    assert held > SCANS * BRAKES
    assert failed or delay_ms < 20  # what came too late was thrown away
