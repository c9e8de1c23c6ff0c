"""The fault matrix: every fault on every transport, what the link called it, and how soon it was right again.

python -m tests.faults.matrix            prints the table
python -m tests.faults.matrix --write    and keeps it as tests/results/DATE-faults.txt
"""

import argparse
import asyncio
import platform
import tempfile
from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import count
from pathlib import Path

from brakewater.field.endpoint import Endpoint, RtuOverTcpEndpoint, SerialEndpoint, TcpEndpoint
from brakewater.field.link import LONGEST_WAIT_S, Answer, Link, Read, Table
from brakewater.quality import Status

from .cases import COUNT, FAULTS, NO_LATENCY_S, QUICK_S, Fault, families
from .device import Device, LineDevice, SocketDevice, Transport
from .fault_server import word
from .lines import serial_line

PATIENT_S = 30.0  # a timeout that must not pass
MOST_READS = 3  # to be right again
UNIT = 5
RESULTS = Path(__file__).parents[1] / "results"


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What one fault, or a family of them, came to on one transport."""

    fault: str
    transport: Transport
    seen: tuple[str, ...]
    trouble: str
    reads: int
    """Reads until the first right one after the fault."""
    faults: int = 1


def status_name(status: int) -> str:
    """OK, SILENT, ..., EXCEPTION 2."""
    return f"EXCEPTION {status & 0x7F}" if status & Status.EXCEPTION else Status(status).name


def assert_genuine(read: Read, answer: Answer, number: int) -> None:
    """Every word is of the address asked for and of the newest request, or there is none."""
    if answer.status != Status.OK:
        assert answer.words == ()
        return
    right = tuple(word(a, number) for a in range(read.address, read.address + read.count))
    assert answer.words == right, f"WRONG VALUE: {read} of request {number} got {answer.words}"


@asynccontextmanager
async def stand(transport: Transport, latency_s: float) -> AsyncIterator[tuple[Device, Link]]:
    """A device and a link to it."""
    with tempfile.TemporaryDirectory() as folder:
        if transport is Transport.SERIAL:
            with serial_line(Path(folder)) as line:
                endpoint = SerialEndpoint(port=str(line.here), parity="none", latency_s=latency_s)
                async with LineDevice(line) as device, _link(endpoint) as link:
                    yield device, link
            return
        async with SocketDevice(transport) as peer, _link(_socket_endpoint(peer, latency_s)) as link:
            yield peer, link


def _socket_endpoint(peer: SocketDevice, latency_s: float) -> Endpoint:
    if peer.transport is Transport.TCP:
        return TcpEndpoint(host="127.0.0.1", port=peer.port)
    return RtuOverTcpEndpoint(host="127.0.0.1", port=peer.port, latency_s=latency_s)


@asynccontextmanager
async def _link(endpoint: Endpoint) -> AsyncIterator[Link]:
    link = Link(endpoint=endpoint, timeout_s=PATIENT_S)
    try:
        yield link
    finally:
        await link.close()


class Meeting:
    """Reads one after the other, of equal length so that on RTU a stale answer would fit, and none may be wrong."""

    def __init__(self, device: Device, link: Link) -> None:
        self.device, self.link = device, link
        self._addresses = count(100, 200)

    async def read(self, deadline_s: float | None = None) -> int:
        """Wait until the link would ask, read, and check; gives the status."""
        await self._wait()
        read = Read(unit=UNIT, table=Table.INPUT, address=next(self._addresses) % 9000, count=COUNT)
        answer = await self.link.read(read, deadline_s)
        assert_genuine(read, answer, self.device.number)
        return answer.status

    async def _wait(self) -> None:
        link, time = self.link, asyncio.get_running_loop().time
        assert link._retry_at - time() <= LONGEST_WAIT_S
        while (left_s := max(link._retry_at - time(), 0.0 if link._quiet is None else link._quiet.left_s())) > 0:  # noqa: ASYNC110
            await asyncio.sleep(left_s)

    async def recovery(self) -> int:
        """Reads until one is right; then the next two must be as well."""
        for reads in range(1, MOST_READS + 1):
            if await self.read() == Status.OK:
                assert [await self.read(), await self.read()] == [Status.OK] * 2
                return reads
        raise AssertionError(f"not right after {MOST_READS} reads: {self.link.trouble}")

    async def meet(self, fault: Fault) -> Outcome:
        """A good read, the fault, and what became of both."""
        assert await self.read() == Status.OK
        seen, trouble = [], ""
        self.device.script.extend([fault.play] * fault.times)
        if fault.goes_away:
            await self.device.go_away()
            await self._until_noticed()
        for _ in range(fault.times):
            seen.append(status_name(await self.read(QUICK_S if fault.quick else None)))
            trouble = self.link.trouble
        self.device.script.clear()
        if fault.goes_away:
            await self.device.come_back()
        if fault.settles:
            await self.settle()
        allowed = fault.status(self.device.transport).split("|")
        assert set(seen) <= set(allowed), f"{fault.name}: found {seen}, allowed {allowed}; {trouble}"
        reads = await self.recovery()
        kinds = tuple(dict.fromkeys(seen))
        return Outcome(fault=fault.name, transport=self.device.transport, seen=kinds, trouble=trouble, reads=reads)

    async def settle(self) -> None:
        """Until the link has seen that more came than it asked for."""
        await asyncio.wait_for(self.device.idle.wait(), PATIENT_S)
        async with asyncio.timeout(PATIENT_S):  # the link has no event for it
            while self.link.connected and (self.link._quiet is None or not self.link._quiet._in_doubt):  # noqa: ASYNC110
                await asyncio.sleep(0.001)

    async def _until_noticed(self) -> None:
        async with asyncio.timeout(PATIENT_S):
            while self.link.connected:  # noqa: ASYNC110 the link has no event for it
                await asyncio.sleep(0.001)


async def one(fault: Fault, transport: Transport) -> Outcome:
    """One fault on a device and link of its own."""
    async with stand(transport, fault.latency_s) as (device, link):
        return await Meeting(device, link).meet(fault)


async def family(name: str, transport: Transport) -> Outcome:
    """A family of faults, one after the other on one link."""
    faults = families(transport)[name]
    async with stand(transport, NO_LATENCY_S) as (device, link):
        meeting = Meeting(device, link)
        outcomes = [await meeting.meet(fault) for fault in faults]
    return Outcome(
        fault=name,
        transport=transport,
        seen=tuple(dict.fromkeys(kind.split()[0] for outcome in outcomes for kind in outcome.seen)),
        trouble="",
        reads=max(outcome.reads for outcome in outcomes),
        faults=len(faults),
    )


async def everything() -> list[Outcome]:
    """All faults on all transports."""
    outcomes = []
    for transport in Transport:
        outcomes += [await one(fault, transport) for fault in FAULTS if fault.status(transport)]
        outcomes += [await family(name, transport) for name in families(transport)]
    return outcomes


def table(outcomes: Iterable[Outcome]) -> str:
    """One row a fault, one column a transport: status, and reads until right again."""
    by_fault: dict[str, dict[Transport, Outcome]] = {}
    for outcome in outcomes:
        by_fault.setdefault(outcome.fault, {})[outcome.transport] = outcome
    lines = [
        "Status of the read that met the fault, (reads until right again), and what the link says of it on RTU.",
        "",
        f"{'fault':<40}" + "".join(f"{transport:<22}" for transport in Transport) + "trouble",
    ]
    for fault, cells in by_fault.items():
        said = next((one.trouble for one in reversed(cells.values()) if one.trouble), "")
        lines.append(f"{fault:<40}" + "".join(f"{_cell(cells.get(one)):<22}" for one in Transport) + said)
    lines += ["", *(_total(transport, by_fault) for transport in Transport), "wrong values: 0"]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _cell(outcome: Outcome | None) -> str:
    if outcome is None:
        return "-"
    many = f" x{outcome.faults}" if outcome.faults > 1 else ""
    return f"{'/'.join(outcome.seen)}{many} ({outcome.reads})"


def _total(transport: Transport, by_fault: dict[str, dict[Transport, Outcome]]) -> str:
    met = [cells[transport] for cells in by_fault.values() if transport in cells]
    return f"{transport}: {len(met)} kinds of fault, {sum(one.faults for one in met)} in all"


def main() -> None:
    """Run all and print; ends with an AssertionError at the first fault that gets through."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--write", action="store_true", help="keep the table under tests/results")
    wanted = parser.parse_args()
    text = table(asyncio.run(everything()))
    print(text)
    if wanted.write:
        now = datetime.now(UTC)
        RESULTS.mkdir(exist_ok=True)
        head = f"Fault matrix of {now:%Y-%m-%d %H:%M} UTC, Python {platform.python_version()}, {platform.system()}.\n\n"
        (RESULTS / f"{now:%Y-%m-%d}-faults.txt").write_text(head + text, encoding="utf-8")


if __name__ == "__main__":
    main()
