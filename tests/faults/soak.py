"""Random faults without end, on several devices of each transport at once: no wrong value, no stuck link.

    python -m tests.faults.soak --seconds 3600            prints the tally
    python -m tests.faults.soak --seconds 3600 --write    and keeps it as tests/results/DATE-soak.txt

Accelerated: about every third answer meets a fault, where a real line has a few a day. Reads have one length out of
two, so that on RTU a stale answer would often fit. After a device has answered one request twice, the next read waits
for the second: quiet.py says why RTU cannot tell it otherwise.

A pause is when SPELL_S went by without a right answer. By the faults alone that does not happen: an RTU request that
fails costs the declared latency and a read, 0.65 s, so 30 s are 46 requests, and 0.3 to the power of 46 is 1e-24; on
TCP even a chain of connections that fail at once, 1.5 s apart, has 20 links, 1e-10 for each of a million requests. So
a pause is a defect, or a machine that had no time: reads here have 50 or 150 ms. Which of them, the *unharmed* link of
the same transport tells, which meets no fault in the same process: what it missed in that time stands beside each
pause. Where it missed nearly nothing, look for a defect.

Beside them a whole watch of each transport polls one such device and two neighbours, libmodbus servers, that must be
asked once and answer in every scan; its scans lie no further apart than the event loop, as the unharmed links find it,
lets them. At the end no descriptor is left of thousands of connections, and no memory.
"""

import argparse
import asyncio
import gc
import math
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import psutil

from brakewater.field.link import Answer, Link, Read, Table
from brakewater.quality import Status

from .cases import FAULTS, Fault, families
from .device import Device, SocketDevice, Transport
from .matrix import RESULTS, UNIT, Meeting, assert_genuine, stand, status_name
from .register_server import build
from .register_server import device as neighbour
from .unharmed import Unharmed
from .watched import NEIGHBOURS, TIMEOUT_S, watching

LATENCY_S = 0.6
"""Declared for the RTU lines; the latest answer comes after 0.1 s."""
DEADLINES_S = (0.05, 0.15)
KNOCK_S = 1.0
"""Patience of a read after three misses, as the poller has it: to dial and to be answered within 50 ms, a busy machine
may not be able to."""
MISSES = 3
SPELL_S = 30.0
"""After so long without a right answer, by chance or not, the faults pause: a link that is not stuck recovers now,"""
STUCK_S = 15.0
"""and a watch within this time, generous for a busy machine; a link within the reads that the matrix allows."""
REST_S = 0.02
"""Between two reads of a link, s. Without it the devices that answer at once would starve the rest of the process."""
LEAST_ASKED = 75
"""Half of what the unharmed link asks in STUCK_S on a free machine. Where it asked less,"""
MACHINE_S_SHARE = 0.05
"""or missed more than this share, the machine had no time for the watch either, and the judgement waits."""
FAULTY = 0.3
GOES_AWAY = 0.004
SPLITS = ("exception 2", "exception 3", "exception 4")
"""After these a watch asks for each register by itself, and the words of a scan are of many requests."""
REMEMBERED = 64
APART_S = 0.5
"""Of two scans at most: five periods, and thrice what the loop itself was late, as a scan waits for several things."""
GROWTH_MIB = 5.0
"""Allowed from a quarter of the time to its end,"""
JUDGED_S = 60.0
"""where there was so much of it."""
EACH = 6
"""Devices of each transport."""


@dataclass(kw_only=True)
class Tally:
    transport: Transport
    reads: int = 0
    faults: int = 0
    outages: int = 0
    misses: int = 0
    """In a row."""
    seen: Counter[str] = field(default_factory=Counter)
    longest_s: float = 0.0
    """Longest time without a right answer."""
    spells: int = 0
    """Times that the faults had to pause,"""
    told: list[str] = field(default_factory=list)
    """and what is known of each."""
    asked_s: dict[int, float] = field(default_factory=dict)
    """Number of a request -> steady time at which it was sent; of the newest requests."""
    apart_s: float = 0.0
    """The longest from one scan of a watch to the next."""
    too_late: list[str] = field(default_factory=list)
    """Answers of a device that had no time for its declared latency, which fitted a later request."""

    def __str__(self) -> str:
        seen = ", ".join(f"{name} {count}" for name, count in self.seen.most_common())
        return (
            f"{self.transport:<13} {self.reads} reads, {self.faults} faults, {self.outages} outages; "
            f"longest without a right answer {self.longest_s:.1f} s, {self.spells} pauses; {seen}"
        )


def _faults(transport: Transport) -> list[Fault]:
    many = [fault for family in families(transport).values() for fault in family]
    return [fault for fault in FAULTS if fault.status(transport) and not fault.goes_away] * 4 + many


async def _one(transport: Transport, seed: int, seconds: float, unharmed: Unharmed) -> Tally:
    pick, tally, faults = random.Random(seed), Tally(transport=transport), _faults(transport)
    time = asyncio.get_running_loop().time
    async with stand(transport, LATENCY_S) as (device, link):
        right, fault, asked = time(), None, -1
        requests, faulty = 0, 0  # at the last right answer
        end = right + seconds
        while time() < end:
            if link.requests != asked and not device.script:  # once a request, not once a read that only waits
                asked = link.requests
                if pick.random() < FAULTY:
                    fault = pick.choice(faults)
                    device.script.append(fault.play)
                if pick.random() < GOES_AWAY:
                    tally.outages += 1
                    await _outage(device, pick)
            if await _read(device, link, pick, tally):
                tally.longest_s, right = max(tally.longest_s, time() - right), time()
                requests, faulty = link.requests, tally.faults
            if fault is not None and not device.script:
                tally.faults += 1
                if fault.settles:
                    await Meeting(device, link).settle()
                fault = None
            if time() - right > SPELL_S:
                tally.spells += 1
                tally.longest_s = max(tally.longest_s, time() - right)
                made, met = link.requests - requests, tally.faults - faulty
                what = f"{made} requests, {met} with a fault, none right ({link.trouble})"
                tally.told.append(_told(f"{transport}, seed {seed}: {what}", unharmed, right))
                await _pause(device, link, f"{transport}, seed {seed}")
                right, fault = time(), None
        await _pause(device, link, f"{transport}, seed {seed}")
        tally.seen = Counter({status_name(code).split()[0]: 0 for code in link.by_status})
        for code, number in link.by_status.items():
            tally.seen[status_name(code).split()[0]] += number
    return tally


def _told(what: str, unharmed: Unharmed, since: float) -> str:
    missed, of = unharmed.since(since)
    text = f"{datetime.now(UTC):%H:%M:%S} {what}; meanwhile the unharmed link missed {missed} of {of}"
    print(f"pause: {text}", file=sys.stderr, flush=True)
    return text


async def _pause(device: Device, link: Link, name: str) -> None:
    """No more faults: the link must be right within as many reads as the matrix allows."""
    trouble = link.trouble
    device.script.clear()
    if isinstance(device, SocketDevice):
        device.turns_away = 0
    await asyncio.wait_for(device.idle.wait(), SPELL_S)
    try:
        await Meeting(device, link).recovery()
    except AssertionError as error:
        raise AssertionError(f"STUCK: {name}: {error}; before that: {trouble}") from error


async def _watch(transport: Transport, seed: int, seconds: float, ports: Sequence[int], unharmed: Unharmed) -> Tally:
    """A watch whose neighbours must not notice; answers that come twice are left to the others, which wait for them."""
    pick, tally = random.Random(seed), Tally(transport=transport)
    faults = [fault for fault in _faults(transport) if not fault.settles and fault.name not in SPLITS]
    time = asyncio.get_running_loop().time
    async with watching(transport, LATENCY_S, ports) as watch:
        right, end, asked, scanned = time(), time() + seconds, -1, math.inf
        while time() < end:
            is_pause = time() - right > SPELL_S
            if watch.device.number != asked and watch.device.idle.is_set() and not is_pause:
                asked = watch.device.number
                if pick.random() < FAULTY:
                    watch.device.script.append(pick.choice(faults).play)
                    tally.faults += 1
            status = await watch.scan()
            tally.too_late = watch.too_late
            tally.apart_s, scanned = max(tally.apart_s, time() - scanned), time()
            tally.reads += 1
            tally.seen[status_name(status).split()[0]] += 1
            if status == Status.OK:
                if is_pause:
                    tally.spells += 1
                    what = f"a watch, {transport}, seed {seed}: right {time() - right - SPELL_S:.1f} s after its faults"
                    tally.told.append(_told(what, unharmed, right))
                tally.longest_s, right = max(tally.longest_s, time() - right), time()
            if time() - right > SPELL_S + STUCK_S:
                missed, of = unharmed.since(time() - STUCK_S)
                has_time = of >= LEAST_ASKED and missed <= MACHINE_S_SHARE * of
                assert not has_time, (
                    f"STUCK in a watch: {transport}, seed {seed}; unharmed link missed {missed} of {of}"
                )
    return tally


async def _outage(device: Device, pick: random.Random) -> None:
    await device.go_away()
    await asyncio.sleep(pick.random())
    await device.come_back()


async def _read(device: Device, link: Link, pick: random.Random, tally: Tally) -> bool:
    read = Read(
        unit=UNIT,
        table=pick.choice((Table.INPUT, Table.HOLDING)),
        address=pick.randrange(0, 9000),
        count=pick.choice((10, 11)),
    )
    answer = await link.read(read, KNOCK_S if tally.misses >= MISSES else pick.choice(DEADLINES_S))
    tally.asked_s[device.number] = min(answer.sent_ns * 1e-9, tally.asked_s.get(device.number, math.inf))
    tally.asked_s.pop(device.number - REMEMBERED, None)
    if not _came_too_late(read, answer, device, tally):
        assert_genuine(read, answer, device.number)
    tally.reads += 1
    tally.misses = 0 if answer.status == Status.OK else tally.misses + 1
    await asyncio.sleep(REST_S)
    return answer.status == Status.OK


def _came_too_late(read: Read, answer: Answer, device: Device, tally: Tally) -> bool:
    """An answer that a device gave later than is declared for it, which RTU cannot tell: not what is promised against.

    It happens where the machine has no time for the device; how late it was is measured, never supposed.
    """
    numbers = {word for at, word in enumerate(answer.words, read.address) if at % 2}
    if device.transport is Transport.TCP or len(numbers) != 1 or numbers == {device.number & 0xFFFF}:
        return False
    number = next(n for n in range(device.number, -1, -1) if n & 0xFFFF in numbers)
    if number not in device.sent_s or number not in tally.asked_s:
        return False
    late_s = device.sent_s[number] - tally.asked_s[number]
    came_s = answer.answered_ns * 1e-9 - device.sent_s[number]
    text = f"request {number}, answered {late_s:.3f} s after it was sent, {came_s:.3f} s on the way"
    if late_s <= LATENCY_S:
        print(f"not to be excused: {device.transport}, {text}", file=sys.stderr, flush=True)
        return False
    tally.too_late.append(text)
    return True


def _open() -> int:
    """Descriptors of this process."""
    return len(list(Path("/proc/self/fd").iterdir()))


def _held_mib() -> float:
    return psutil.Process().memory_info().rss / 2**20


async def _weighed(seconds: float) -> float:
    """Growth of the process from a quarter of the time to its end, MiB."""
    await asyncio.sleep(seconds / 4)
    early = _held_mib()
    await asyncio.sleep(seconds * 3 / 4)
    return _held_mib() - early


async def _judge(tallies: list[Tally], beside: list[Unharmed], grown_mib: float, seconds: float, before: int) -> None:
    """That something was tried, and what must hold of all of it together."""
    for transport in Transport:
        *links, watch = (one for one in tallies if one.transport is transport)
        assert sum(one.faults for one in links) > 0 < watch.faults, f"{transport}: no fault was met"
        assert all(one.seen["OK"] > 0 for one in (*links, watch)), f"{transport}: no right answer"
    held_up_s = max(one.held_up_s for one in beside)
    for one in tallies:
        what = f"{one.transport}: two scans {one.apart_s:.3f} s apart, the loop late by {held_up_s:.3f} s at most"
        assert one.apart_s <= APART_S + 3 * held_up_s, what
    assert seconds < JUDGED_S or grown_mib < GROWTH_MIB, f"memory has grown by {grown_mib:.1f} MiB"
    for _ in range(200):  # what was closed goes in the loop's next turns
        if _open() <= before:
            break
        gc.collect()
        await asyncio.sleep(0.05)
    assert _open() <= before, f"{_open() - before} descriptors are left open"


async def soak(seconds: float, seed: int) -> tuple[list[Tally], list[Unharmed]]:
    """Run all; raises AssertionError at the first wrong value or stuck link. Gives the links' and the watches' tallies.

    Args:
        seconds: how long.
        seed: of the chance; devices take the next ones.
    """
    before = _open()
    with ExitStack() as stack:
        program = build(Path(stack.enter_context(tempfile.TemporaryDirectory())))
        beside = {transport: Unharmed(transport=transport) for transport in Transport}
        async with asyncio.TaskGroup() as group:
            grown = group.create_task(_weighed(seconds))
            for one in beside.values():
                group.create_task(one.run(seconds, LATENCY_S, (*DEADLINES_S, TIMEOUT_S)))
            tasks = [
                group.create_task(_one(transport, seed + k, seconds, beside[transport]))
                for k, transport in enumerate(transport for transport in Transport for _ in range(EACH))
            ]
            for k, transport in enumerate(Transport):
                ports = [stack.enter_context(neighbour(program)) for _ in NEIGHBOURS]
                tasks.append(group.create_task(_watch(transport, seed - 1 - k, seconds, ports, beside[transport])))
    tallies, links = [task.result() for task in tasks], list(beside.values())
    await _judge(tallies, links, grown.result(), seconds, before)
    return tallies, links


def report(tallies: list[Tally], beside: list[Unharmed], seconds: float, seed: int) -> str:
    """The tally, one line a transport, one a watch, one an unharmed link, one a pause."""
    sums = {transport: Tally(transport=transport) for transport in Transport}
    watches = tallies[-len(Transport) :]
    for one in tallies[: -len(Transport)]:
        total = sums[one.transport]
        total.reads, total.faults, total.outages = (
            total.reads + one.reads,
            total.faults + one.faults,
            total.outages + one.outages,
        )
        total.seen += one.seen
        total.longest_s = max(total.longest_s, one.longest_s)
        total.spells += one.spells
        total.too_late += one.too_late
    told = [f"watch: {one}; two scans at most {one.apart_s:.3f} s apart".replace(" reads", " scans") for one in watches]
    told += [
        f"unharmed: {one.transport}: {one.missed} of {one.asked} requests missed, loop late by {one.held_up_s:.3f} s"
        for one in beside
    ]
    told += [f"pause: {text}" for one in tallies for text in one.told]
    late = [(one.transport, text) for one in (*sums.values(), *watches) for text in one.too_late]
    told += [f"later than declared: {transport}, {text}" for transport, text in late]
    head = f"{seconds:g} s of random faults, {EACH} devices of each transport, seed {seed}"
    last = "wrong values: 0, stuck links: 0, descriptors left: 0"
    return "\n".join([head, *map(str, sums.values()), *told, last]) + "\n"


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=200.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", action="store_true", help="keep the tally under tests/results")
    wanted = parser.parse_args()
    text = report(*asyncio.run(soak(wanted.seconds, wanted.seed)), wanted.seconds, wanted.seed)
    print(text)
    if wanted.write:
        RESULTS.mkdir(exist_ok=True)
        now = datetime.now(UTC)
        (RESULTS / f"{now:%Y-%m-%d}-soak.txt").write_text(f"{now:%Y-%m-%d %H:%M} UTC: {text}", encoding="utf-8")


if __name__ == "__main__":
    main()
