"""The faults as a whole watch meets them: one device misbehaves, two others, libmodbus servers, must not notice.

    python -m tests.faults.watched            prints the table
    python -m tests.faults.watched --write    and keeps it as tests/results/DATE-watched.txt

For each fault, scan by scan: every word of every device is of the address and request it stands for; each neighbour is
asked once and answers, in every scan; the scan that met the fault shows the status that names it; and the device is
right again within three scans, or two seconds, of the end. On RTU that holds within the declared worst latency, for
which the line has to stay silent after a fault, so it is added there.

What a scan shows of a fault, and when it is right again, are matters of 80 ms: where the kernel kept the processes of
this test waiting for a processor meanwhile, the fault is met again. Wrong words and neighbours that notice never are,
but for an answer on RTU that came later than is declared for the device: nothing is promised then. It is known by when
the device sent it, and by the time for which it, the line and the watch had no processor.
"""

import argparse
import asyncio
import platform
import sys
import tempfile
from collections import deque
from collections.abc import AsyncIterator, Sequence
from contextlib import AsyncExitStack, ExitStack, aclosing, asynccontextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import psutil

from brakewater.field.link import Answer, Link
from brakewater.field.own import OwnDevice
from brakewater.field.poller import PolledSource
from brakewater.quality import Status
from brakewater.rig import Device as RigDevice
from brakewater.rig import Point, Rig, Table
from brakewater.rig.own import points as own_points
from brakewater.signals.convert import Direct, Register
from brakewater.signals.words import RegisterKind
from brakewater.stream import Sample

from .cases import COUNT, FAULTS, NO_LATENCY_S, Fault, families
from .device import Device, LineDevice, SocketDevice, Transport
from .fault_server import word
from .lines import serial_line
from .matrix import RESULTS, UNIT, status_name
from .register_server import build
from .register_server import device as neighbour

PERIOD_S = 0.1
TIMEOUT_S = 0.08
PATIENT_S = 5.0
"""Deadline of the neighbours, and where a fault comes at once: a busy machine alone must not look like silence."""
MET = 3
"""So many times a fault is met in a row."""
SETTLED_S = 0.05
"""By then what the device has sent has come through the line."""
SCANS = 3
"""To be right again,"""
RIGHT_S = 2.0
"""or so long, whichever is more."""
STUCK = 1000
"""Scans without a right answer, of a device that behaves: it will never come."""
HELD_UP_S = 0.04
"""Half of a deadline. Who waited so long for a processor has met the machine, not the fault,"""
TRIES = 6
"""and so often may that be."""
MANY = range(100, 100 + COUNT)
LONE = (101,)
"""For exceptions: a merged read that is refused would be split, and the next fault met by another request."""
NEIGHBOURS = ("one", "two")


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What became of one fault, or a family of them, on one transport."""

    fault: str
    transport: Transport
    shown: tuple[str, ...]
    scans: int
    """Most scans from the end of a fault until its device was right again."""
    seconds: float
    """The longest such time."""
    late_ms: float
    """How late the latest scan began."""
    faults: int = 1


def rig_of(device: RigDevice, ports: Sequence[int], addresses: Sequence[int]) -> Rig:
    """The misbehaving device and its neighbours, a register at each address."""
    others = [_tcp(name, port, timeout=f"{PATIENT_S:g} s") for name, port in zip(NEIGHBOURS, ports, strict=True)]
    points = [_point(one.name, address) for one in (device, *others) for address in addresses]
    return Rig(
        file="", text="", name="rig-4", pad="pad", scan_ns=round(PERIOD_S * 1e9), units="us",
        devices=(device, *others), points=(*points, *own_points((), broker=False)),
        brakes=(), tanks=(), alarms=(), lamps=(), mqtt=None, mirrors={}, people={},
    )  # fmt: skip


def _device(name: str, **keys: object) -> RigDevice:
    return RigDevice.model_validate({"name": name, "unit": UNIT, "timeout": f"{TIMEOUT_S * 1e3:g} ms"} | keys)


def _tcp(name: str, port: int, **keys: object) -> RigDevice:
    return _device(name, host="127.0.0.1", port=port, **keys)


def _point(device: str, address: int) -> Point:
    return Point(
        name=f"{device}-{address}", role="heartbeat", brake=None, device=device, table=Table.INPUT, address=address,
        register=Register(kind=RegisterKind.UINT16), signal=Direct(),
    )  # fmt: skip


@asynccontextmanager
async def _misbehaving(
    transport: Transport, latency_s: float, timeout_s: float
) -> AsyncIterator[tuple[Device, RigDevice]]:
    timeout = {"timeout": f"{timeout_s * 1e3:g} ms"}
    rtu = {"turnaround": f"{latency_s * 1e3:g} ms", **timeout}
    if transport is Transport.SERIAL:
        with tempfile.TemporaryDirectory() as folder, serial_line(Path(folder)) as line:
            async with LineDevice(line) as device:
                yield device, _device("bad", transport="rtu", serial=str(line.here), parity="none", **rtu)
        return
    async with SocketDevice(transport) as peer:
        if transport is Transport.TCP:
            yield peer, _tcp("bad", peer.port, **timeout)
        else:
            yield peer, _device("bad", transport="rtu-over-tcp", host="127.0.0.1", port=peer.port, **rtu)


class UntimelyError(AssertionError):
    """Another status than the fault's, or right again too late: a defect, or a machine that had no time."""


def processes() -> list[int]:
    """This process, and those that it has begun."""
    me = psutil.Process()
    return [me.pid, *(child.pid for child in me.children(recursive=True))]


def kept_waiting_s(pids: list[int]) -> float:
    """How long processes have waited for a processor so far; 0 where the kernel does not say."""
    total = 0
    for pid in pids:
        with suppress(OSError):
            total += int(Path(f"/proc/{pid}/schedstat").read_text(encoding="ascii").split()[1])
    return total / 1e9


def _noting(link: Link, asked_s: deque[float]) -> None:
    """Have a link note when it sent each of its requests, by the steady clock."""
    reads, before = link.read, link.requests

    async def read(*given: Any, **more: Any) -> Answer:
        nonlocal before
        answer = await reads(*given, **more)
        if link.requests > before:
            before = link.requests
            asked_s.append(answer.sent_ns * 1e-9)
        return answer

    link.read = read  # type: ignore[method-assign]


class Watch:
    """The scans, each looked at as it comes."""

    def __init__(
        self, rig: Rig, device: Device, source: PolledSource, samples: AsyncIterator[Sample], latency_s: float
    ) -> None:
        self.device, self._source, self._samples, self._latency_s = device, source, samples, latency_s
        self.too_late: list[str] = []
        """Answers of the device that came later than is declared, and fitted a later request."""
        self._asked_s: deque[float] = deque(maxlen=8)
        self._waited_s: deque[float] = deque(maxlen=8)
        """``kept_waiting_s`` at the newest scans."""
        self._processes = processes()
        _noting(source.links["bad"], self._asked_s)
        self._slots = {name: [slot for slot in rig.slots if slot.point.device == name] for name in ("bad", *NEIGHBOURS)}
        self._before = dict.fromkeys(NEIGHBOURS, 0)
        self.late_ms = 0.0

    async def scan(self) -> int:
        """The status that the misbehaving device shows in the next scan."""
        self._waited_s.append(kept_waiting_s(self._processes))
        sample = await anext(self._samples)
        self.late_ms = max(self.late_ms, self._source.lateness_ns / 1e6)
        words = memoryview(sample.words).cast("H").tolist()
        for name in NEIGHBOURS:
            self._neighbour(name, sample, words)
        return self._bad(sample, words)

    def _neighbour(self, name: str, sample: Sample, words: list[int]) -> None:
        shown = {sample.status[slot.index] for slot in self._slots[name]}
        assert shown == {Status.OK}, f"neighbour {name} shows {sorted(map(status_name, shown))}"
        number = next(words[slot.column] for slot in self._slots[name] if slot.point.address % 2)
        assert self._before[name] in (0, number - 1), f"neighbour {name} was not asked once: {self._before}, {number}"
        self._before[name] = number
        self._genuine(name, words, number)

    def _bad(self, sample: Sample, words: list[int]) -> int:
        (status,) = {sample.status[slot.index] for slot in self._slots["bad"]}
        if status == Status.OK:
            if self._came_too_late(words):
                return Status.SILENT
            self._genuine("bad", words, self.device.number)
        else:
            assert {words[slot.column] for slot in self._slots["bad"]} == {0}, "WRONG VALUE: words of no answer"
        return status

    def _came_too_late(self, words: list[int]) -> bool:
        """Whether all of it is the answer to one earlier request, come later than declared: RTU cannot tell it."""
        device = self.device
        numbers = {words[slot.column] for slot in self._slots["bad"] if slot.point.address % 2}
        if device.transport is Transport.TCP or len(numbers) != 1:
            return False
        (number,) = numbers
        before = device.number - number
        if not 0 < before < len(self._asked_s) or number not in device.sent_s:
            return False
        late_s = device.sent_s[number] - self._asked_s[-1 - before]
        waited_s = kept_waiting_s(self._processes) - self._waited_s[0]
        if max(late_s, waited_s) <= self._latency_s:
            return False
        self.too_late.append(f"request {number}, answered after {late_s:.3f} s, no processor for {waited_s:.3f} s")
        self._genuine("bad", words, number)
        return True

    def _genuine(self, name: str, words: list[int], number: int) -> None:
        for slot in self._slots[name]:
            right = word(slot.point.address, number)
            assert words[slot.column] == right, f"WRONG VALUE: {slot.point.name} {words[slot.column]}, not {right}"

    async def until_good(self) -> int:
        """Scans until it is right, this one counted."""
        scans = 1
        while await self.scan() != Status.OK:
            scans += 1
            assert scans < STUCK, f"STUCK: not right in {STUCK} scans"
        return scans

    async def meet(self, fault: Fault, latency_s: float) -> Outcome:
        """A fault, and the way back; once more where the machine may have made what was seen."""
        for _ in range(TRIES - 1):
            before = kept_waiting_s(self._processes)
            try:
                return await self._meet(fault, latency_s)
            except UntimelyError as error:
                held_up_s = kept_waiting_s(self._processes) - before
                if held_up_s < HELD_UP_S:
                    raise
                print(f"met again, {held_up_s:.2f} s were waited for a processor: {error}", file=sys.stderr)
        return await self._meet(fault, latency_s)

    async def _meet(self, fault: Fault, latency_s: float) -> Outcome:
        await self.until_good()
        device = self.device
        device.script.extend([fault.play] * MET)
        if fault.goes_away:
            await device.go_away()
        shown = [status_name(await self._met(MET - 1 - k, fault)) for k in range(MET)]
        device.script.clear()
        if fault.goes_away:
            await device.come_back()
        await asyncio.wait_for(device.idle.wait(), 10 * RIGHT_S)
        while isinstance(device, SocketDevice) and device.turns_away:  # that is the fault still
            await self.scan()
        time = asyncio.get_running_loop().time
        ended = time()
        scans = await self.until_good()
        took_s = time() - ended
        allowed = fault.status(device.transport).split("|")
        if shown[0] not in allowed:
            raise UntimelyError(f"{fault.name} on {device.transport}: shown {shown}, allowed {allowed}")
        silent_s = 0.0 if device.transport is Transport.TCP else latency_s
        most_s = max(SCANS * PERIOD_S, RIGHT_S) + silent_s
        if scans > SCANS and took_s > most_s:
            raise UntimelyError(f"{fault.name} on {device.transport}: right after {took_s:.2f} s")
        kinds = tuple(dict.fromkeys(shown))
        return Outcome(
            fault=fault.name, transport=device.transport, shown=kinds, scans=scans, seconds=took_s, late_ms=self.late_ms
        )

    async def _met(self, left: int, fault: Fault) -> int:
        """The status of the scan in which the device performed the fault once more; what lies between passes."""
        if fault.goes_away:
            return await self.scan()
        while True:
            status = await self.scan()
            if (
                fault.settles
            ):  # a second answer must have come before the next request: RTU could not tell it (quiet.py)
                await asyncio.wait_for(self.device.idle.wait(), 10 * RIGHT_S)
                await asyncio.sleep(SETTLED_S)
            if len(self.device.script) <= left:
                return status


@asynccontextmanager
async def watching(
    transport: Transport,
    latency_s: float,
    ports: Sequence[int],
    addresses: Sequence[int] = MANY,
    timeout_s: float = TIMEOUT_S,
) -> AsyncIterator[Watch]:
    """A watch over a misbehaving device and two that behave."""
    async with AsyncExitStack() as stack:
        device, entry = await stack.enter_async_context(_misbehaving(transport, latency_s, timeout_s))
        rig = rig_of(entry, ports, addresses)
        source = PolledSource(rig, OwnDevice(rig, {}), period_s=PERIOD_S)
        stack.push_async_callback(source.close)
        samples = await stack.enter_async_context(aclosing(source.samples()))  # type: ignore[type-var]
        yield Watch(rig, device, source, samples, latency_s)


async def one(fault: Fault, transport: Transport, ports: Sequence[int]) -> Outcome:
    """One fault on a watch of its own."""
    timeout_s = TIMEOUT_S if fault.quick or fault.goes_away else PATIENT_S
    async with watching(transport, fault.latency_s, ports, timeout_s=timeout_s) as watch:
        return await watch.meet(fault, fault.latency_s)


async def family(name: str, transport: Transport, ports: Sequence[int]) -> Outcome:
    """A family of faults, one after the other in one watch."""
    addresses = LONE if name.startswith("exception") else MANY
    timeout_s = TIMEOUT_S if any(fault.quick for fault in families(transport)[name]) else PATIENT_S
    async with watching(transport, NO_LATENCY_S, ports, addresses, timeout_s) as watch:
        met = [await watch.meet(fault, NO_LATENCY_S) for fault in families(transport)[name]]
    return Outcome(
        fault=name,
        transport=transport,
        shown=tuple(dict.fromkeys(kind.split()[0] for outcome in met for kind in outcome.shown)),
        scans=max(outcome.scans for outcome in met),
        seconds=max(outcome.seconds for outcome in met),
        late_ms=watch.late_ms,
        faults=len(met),
    )


async def everything(ports: Sequence[Sequence[int]]) -> list[Outcome]:
    """All faults; the transports side by side, each with neighbours of its own."""

    async def of(transport: Transport, two: Sequence[int]) -> list[Outcome]:
        outcomes = [await one(fault, transport, two) for fault in FAULTS if fault.status(transport)]
        return outcomes + [await family(name, transport, two) for name in families(transport)]

    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(of(*pair)) for pair in zip(Transport, ports, strict=True)]
    return [outcome for task in tasks for outcome in task.result()]


def table(outcomes: Sequence[Outcome]) -> str:
    """One row a fault, one column a transport."""
    by_fault: dict[str, dict[Transport, Outcome]] = {}
    for outcome in outcomes:
        by_fault.setdefault(outcome.fault, {})[outcome.transport] = outcome
    lines = [
        f"A scan every {PERIOD_S:g} s, deadline {TIMEOUT_S:g} s, each fault {MET} times in a row.",
        "What the scans show that met it, (scans and seconds from its end until right again).",
        "",
        f"{'fault':<40}" + "".join(f"{transport:<30}" for transport in Transport),
    ]
    for fault, cells in by_fault.items():
        lines.append(f"{fault:<40}" + "".join(f"{_cell(cells.get(one)):<30}" for one in Transport))
    late = max(outcome.late_ms for outcome in outcomes)
    lines += [
        "",
        *(
            f"{one}: {sum(outcome.faults for outcome in outcomes if outcome.transport is one)} faults"
            for one in Transport
        ),
        f"latest beginning of a scan: {late:.1f} ms",
        "wrong values: 0, scans without both neighbours: 0",
    ]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _cell(outcome: Outcome | None) -> str:
    if outcome is None:
        return "-"
    many = f" x{outcome.faults}" if outcome.faults > 1 else ""
    return f"{'/'.join(outcome.shown)}{many} ({outcome.scans}, {outcome.seconds:.1f} s)"


def main() -> None:
    """Run all and print; ends with an AssertionError at the first fault that gets through."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--write", action="store_true", help="keep the table under tests/results")
    wanted = parser.parse_args()
    with ExitStack() as stack:
        program = build(Path(stack.enter_context(tempfile.TemporaryDirectory())))
        ports = [[stack.enter_context(neighbour(program)) for _ in NEIGHBOURS] for _ in Transport]
        text = table(asyncio.run(everything(ports)))
    print(text)
    if wanted.write:
        now = datetime.now(UTC)
        head = (
            f"Faults in a watch, {now:%Y-%m-%d %H:%M} UTC, Python {platform.python_version()}, {platform.system()}.\n\n"
        )
        (RESULTS / f"{now:%Y-%m-%d}-watched.txt").write_text(head + text, encoding="utf-8")


if __name__ == "__main__":
    main()
