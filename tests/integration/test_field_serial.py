"""RTU against a foreign slave (libmodbus) on a serial line and behind a serial server, and what only a port can do."""

import asyncio
import contextlib
import os
import random
import tty
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from pymodbus.client import AsyncModbusSerialClient

from brakewater.field.endpoint import LineEndpoint, RtuOverTcpEndpoint, SerialEndpoint
from brakewater.field.link import Answer, Link, Read, Table
from brakewater.quality import Status
from faults.cases import late, nothing
from faults.device import LineDevice, Stage, answers, checksum
from faults.fault_server import bit, word
from faults.lines import SerialLine, serial_line, serial_server
from faults.register_server import build, slave

pytestmark = pytest.mark.integration

QUICK_S = 0.05  # a timeout that is meant to pass
PATIENT_S = 30.0  # a timeout that must not
LATENCY_S = 0.05
UNIT = 17
READ = Read(unit=UNIT, table=Table.INPUT, address=100, count=10)
OTHER = Read(unit=UNIT, table=Table.INPUT, address=200, count=10)


def assert_genuine(read: Read, answer: Answer, number: int | None = None) -> int:
    """Every word is of the address asked for, and all are of one request; returns its number."""
    assert answer.status == Status.OK
    addresses = range(read.address, read.address + read.count)
    if read.table.is_bits:
        assert answer.words == tuple(bit(a) for a in addresses)
        return 0
    number = answer.words[1 - read.address % 2] if number is None else number
    assert answer.words == tuple(word(a, number) for a in addresses)
    return number


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build(tmp_path_factory.mktemp("device"))


@pytest.fixture
def line(tmp_path: Path) -> Iterator[SerialLine]:
    with serial_line(tmp_path) as line:
        yield line


def serial(line: SerialLine, **changed: object) -> SerialEndpoint:
    # A pseudo-terminal has no parity.
    settings = {"port": str(line.here), "baud": 115200, "parity": "none", "latency_s": LATENCY_S, **changed}
    return SerialEndpoint(**settings)  # type: ignore[arg-type]


@asynccontextmanager
async def linked(endpoint: LineEndpoint, timeout_s: float = PATIENT_S) -> AsyncIterator[Link]:
    link = Link(endpoint=endpoint, timeout_s=timeout_s)
    try:
        yield link
    finally:
        await link.close()


async def quiet(link: Link) -> None:
    """Until the link would ask at once."""
    assert link._quiet is not None
    while (left_s := link._quiet.left_s()) > 0:  # noqa: ASYNC110
        await asyncio.sleep(left_s)


async def asked(link: Link, read: Read, deadline_s: float) -> Answer:
    """The answer of the first read that leaves time to ask, besides opening and settling."""
    before = link.requests
    while True:
        await quiet(link)
        await asyncio.sleep(max(0.0, link._retry_at - asyncio.get_running_loop().time()))
        answer = await link.read(read, deadline_s)
        if link.requests > before:
            return answer


# ---- the foreign slave, on both kinds of line

Ways = Callable[[SerialLine, float], contextlib.AbstractContextManager[LineEndpoint]]


@contextlib.contextmanager
def at_the_port(line: SerialLine, latency_s: float) -> Iterator[LineEndpoint]:
    yield serial(line, latency_s=latency_s)


@contextlib.contextmanager
def behind_a_serial_server(line: SerialLine, latency_s: float) -> Iterator[LineEndpoint]:
    with serial_server(line.here) as port:
        yield RtuOverTcpEndpoint(host="127.0.0.1", port=port, baud=115200, latency_s=latency_s)


both = pytest.mark.parametrize("way", [at_the_port, behind_a_serial_server])


@both
def test_every_table_of_a_foreign_slave(program: Path, line: SerialLine, way: Ways) -> None:
    async def test(endpoint: LineEndpoint) -> None:
        async with linked(endpoint) as link:
            number = 0
            for table in Table:
                for address, count in ((0, 2), (7, 1), (101, 125), (9990, 10)):
                    number += 1
                    read = Read(unit=UNIT, table=table, address=address, count=count)
                    assert_genuine(read, await link.read(read), number)
            assert (link.connects, link.trouble) == (1, "")

    with slave(program, line.there, UNIT), way(line, LATENCY_S) as endpoint:
        asyncio.run(test(endpoint))


@both
def test_a_foreign_slave_s_refusal_leaves_the_line_open(program: Path, line: SerialLine, way: Ways) -> None:
    async def test(endpoint: LineEndpoint) -> None:
        async with linked(endpoint) as link:
            beyond = Read(unit=UNIT, table=Table.HOLDING, address=9999, count=2)
            answers = [await link.read(beyond), await link.read(beyond)]
            assert [(a.status, a.words) for a in answers] == [(Status.EXCEPTION | 2, ())] * 2
            assert (link.connects, link.requests) == (1, 2)

    with slave(program, line.there, UNIT), way(line, LATENCY_S) as endpoint:
        asyncio.run(test(endpoint))


@both
def test_80_reads_each_of_its_own_request(program: Path, line: SerialLine, way: Ways) -> None:
    async def test(endpoint: LineEndpoint) -> None:
        pick = random.Random(3)
        async with linked(endpoint) as link:
            for number in range(1, 81):
                table = pick.choice((Table.INPUT, Table.HOLDING))
                read = Read(unit=UNIT, table=table, address=pick.randrange(9000), count=pick.randrange(2, 126))
                assert assert_genuine(read, await link.read(read)) == number
            assert (link.connects, link.requests, link.by_status) == (1, 80, Counter({0: 80}))

    with slave(program, line.there, UNIT), way(line, LATENCY_S) as endpoint:
        asyncio.run(test(endpoint))


@both
def test_a_foreign_slave_s_late_answers_are_never_taken(program: Path, line: SerialLine, way: Ways) -> None:
    """Neighbours of equal length, so that only the silence can tell; the promise holds within the declared latency."""

    async def test(endpoint: LineEndpoint) -> None:
        async with linked(endpoint) as link:
            last, seen = 0, Counter[int]()
            for k in range(9):
                read = (READ, OTHER)[k % 2]
                if k % 3 == 2:  # the slave holds back every third answer
                    seen[(await asked(link, read, QUICK_S)).status] += 1
                    continue
                number = assert_genuine(read, await link.read(read))
                assert number > last
                last = number
            assert seen[Status.SILENT] + seen[Status.SLOW] == 3

    held_back = slave(program, line.there, UNIT, delay_ms=80, every=3)
    with held_back, way(line, 0.5) as endpoint:
        asyncio.run(test(endpoint))


def test_a_bare_client_is_fooled_by_the_same_slave(program: Path, line: SerialLine) -> None:
    """The test above has teeth: pymodbus alone takes 100's words for 200's."""

    async def test() -> None:
        client = AsyncModbusSerialClient(str(line.here), baudrate=115200, timeout=QUICK_S, retries=0)
        await client.connect()
        with pytest.raises(Exception, match="No response"):
            await client.read_input_registers(100, count=4, device_id=UNIT)
        client.ctx.comm_params.timeout_connect = PATIENT_S
        fooled = await client.read_input_registers(200, count=4, device_id=UNIT)
        assert fooled.registers == [100, 1, 102, 1]
        client.close()

    with slave(program, line.there, UNIT, delay_ms=150, every=1):
        asyncio.run(test())


# ---- several units, one line


def test_reads_of_several_units_take_turns_and_a_dead_one_costs_no_value(line: SerialLine) -> None:
    async def only_odd_units(stage: Stage) -> None:
        await (answers if stage.request.unit % 2 else nothing)(stage)

    async def test() -> None:
        async with LineDevice(line) as device, linked(serial(line)) as link:
            device.script.extend([only_odd_units] * 40)
            reads = [Read(unit=1 + k % 4, table=Table.HOLDING, address=10 * k, count=8) for k in range(20)]
            waits = [PATIENT_S if read.unit % 2 else 2 * QUICK_S for read in reads]
            got = await asyncio.gather(*map(link.read, reads, waits))
            for read, answer in zip(reads, got, strict=True):
                if read.unit % 2:
                    assert_genuine(read, answer)
                else:
                    assert answer.status in (Status.SILENT, Status.SLOW, Status.ABSENT)
            assert link.connects == 1

    asyncio.run(test())


# ---- the port


def test_a_port_that_is_missing_and_appears(tmp_path: Path) -> None:
    async def test() -> None:
        line = SerialLine(tmp_path)
        async with linked(serial(line)) as link:
            assert (await link.read(READ)).status == Status.ABSENT
            assert "No such file or directory" in link.trouble
            line.plug()
            async with LineDevice(line):
                while (answer := await link.read(READ)).status == Status.ABSENT:  # noqa: ASYNC110
                    await asyncio.sleep(0.005)
                assert_genuine(READ, answer, 1)
                assert link.trouble == ""
        line.unplug()

    asyncio.run(test())


def test_a_serial_line_has_one_master(line: SerialLine) -> None:
    async def test() -> None:
        async with LineDevice(line), linked(serial(line)) as link, linked(serial(line)) as second:
            assert_genuine(READ, await link.read(READ))
            assert (await second.read(READ)).status == Status.ABSENT
            assert "lock" in second.trouble
            assert_genuine(READ, await link.read(READ))

    asyncio.run(test())


def test_settings_that_the_port_refuses(line: SerialLine) -> None:
    async def test() -> None:
        async with linked(serial(line, parity="even")) as link:
            assert (await link.read(READ)).status == Status.ABSENT
            assert "refuses these settings" in link.trouble

    asyncio.run(test())


def test_a_port_that_takes_no_bytes_does_not_hold_up_the_loop() -> None:
    """The far end of a bare pseudo-terminal reads nothing, and its buffer is full."""

    async def test(near: int, name: str) -> None:
        async with linked(SerialEndpoint(port=name, parity="none", latency_s=0.0)) as link:
            os.set_blocking(near, False)
            for _ in range(10):  # the kernel moves on what was written and makes room again
                with contextlib.suppress(BlockingIOError):
                    while True:
                        os.write(near, bytes(512))
                await asyncio.sleep(0.01)
            assert (await asked(link, READ, PATIENT_S)).status == Status.RESET
            assert link.trouble == "the port takes no bytes"
            assert (await asked(link, READ, QUICK_S)).status == Status.SILENT  # what was given up has made room
            assert link.connects == 2

    far, near = os.openpty()
    tty.setraw(near)
    try:
        asyncio.run(test(near, os.ttyname(near)))
    finally:
        os.close(far)
        os.close(near)


def test_an_echoing_adapter_is_declared(line: SerialLine) -> None:
    async def echoes(stage: Stage) -> None:
        await stage.send(stage.raw)
        await answers(stage)

    async def only_echoes(stage: Stage) -> None:
        await stage.send(stage.raw)

    async def test() -> None:
        async with LineDevice(line) as device, linked(serial(line, echo=True)) as link:
            device.script.extend([echoes, answers, echoes, only_echoes, echoes])
            for number in (1, 2, 3):
                assert_genuine(READ, await link.read(READ), number)
            assert (await link.read(READ, 2 * QUICK_S)).status == Status.SILENT
            assert_genuine(READ, await link.read(READ), 5)
            assert link.connects == 1

    asyncio.run(test())


def test_an_echo_that_is_not_declared_is_named(line: SerialLine) -> None:
    async def echoes(stage: Stage) -> None:
        await stage.send(stage.raw + stage.answer())

    async def test() -> None:
        async with LineDevice(line) as device, linked(serial(line)) as link:
            device.script.append(echoes)
            assert (await link.read(READ)).status == Status.MISMATCH
            assert (link.trouble, link.misfits) == ("echo of the request", Counter({"echo of the request": 1}))

    asyncio.run(test())


# ---- old bytes


def test_a_stale_answer_still_unread_in_the_kernel_is_not_taken() -> None:
    """It comes after the loop last looked and before the request: the narrowest gap there is."""

    async def test(far: int, name: str) -> None:
        loop = asyncio.get_running_loop()
        requests: asyncio.Queue[bytes] = asyncio.Queue()
        loop.add_reader(far, lambda: requests.put_nowait(os.read(far, 4096)))
        stale = bytes.fromhex("11 04 02 DEAD")
        fresh = bytes.fromhex("11 04 02 0001")
        async with linked(SerialEndpoint(port=name, parity="none", latency_s=LATENCY_S)) as link:
            read = Read(unit=UNIT, table=Table.INPUT, address=0, count=1)
            for _ in range(3):
                asking = asyncio.create_task(link.read(read))
                await requests.get()
                os.write(far, fresh + checksum(fresh))
                assert (await asking).words == (1,)
                await quiet(link)
                os.write(far, stale + checksum(stale))
            loop.remove_reader(far)

    far, near = os.openpty()
    tty.setraw(near)
    try:
        asyncio.run(test(far, os.ttyname(near)))
    finally:
        os.close(far)
        os.close(near)


def test_a_line_that_babbles_is_never_asked_and_named(line: SerialLine) -> None:
    async def babbles(stage: Stage) -> None:
        while True:
            await stage.send(b"\x55" * 64)
            await stage.pause(0.005)

    async def test() -> None:
        async with LineDevice(line) as device, linked(serial(line)) as link:
            device.script.append(babbles)
            assert (await link.read(READ)).status == Status.MISMATCH
            await asyncio.sleep(4 * QUICK_S)
            assert (await link.read(READ, LATENCY_S / 2)).status == Status.MISMATCH
            assert "babbles" in link.trouble
            assert link.requests == 1

    asyncio.run(test())


def test_a_cancelled_read_leaves_nothing_that_could_be_taken_later(line: SerialLine) -> None:
    async def test() -> None:
        async with LineDevice(line) as device, linked(serial(line, latency_s=0.3)) as link:
            device.script.append(late(QUICK_S))
            reading = asyncio.create_task(link.read(READ))
            while device.number == 0:  # noqa: ASYNC110
                await asyncio.sleep(0.001)
            reading.cancel()
            with pytest.raises(asyncio.CancelledError):
                await reading
            assert_genuine(OTHER, await link.read(OTHER), 2)
            assert link.connects == 1

    asyncio.run(test())


def test_close_ends_a_waiting_read_and_all_later_ones(line: SerialLine) -> None:
    async def test() -> None:
        async with LineDevice(line) as device:
            link = Link(endpoint=serial(line), timeout_s=PATIENT_S)
            device.script.append(nothing)
            reading = asyncio.create_task(link.read(READ))
            while device.number == 0:  # noqa: ASYNC110
                await asyncio.sleep(0.001)
            await link.close()
            assert (await reading).status == Status.RESET
            assert (await link.read(READ)).status == Status.ABSENT
            await link.close()

    asyncio.run(test())


def test_a_cancel_while_the_port_comes_up_leaves_it_closed(line: SerialLine) -> None:
    async def test() -> None:
        async with LineDevice(line), linked(serial(line)) as link:
            for rounds in range(4):
                reading = asyncio.create_task(link.read(READ))
                for _ in range(rounds + 1):
                    await asyncio.sleep(0)
                reading.cancel()
                with pytest.raises(asyncio.CancelledError):
                    await reading
            assert_genuine(READ, await link.read(READ), 1)

    asyncio.run(test())


def test_a_request_is_not_sent_where_the_silence_leaves_it_too_little_time(line: SerialLine) -> None:
    """Else it misses its deadline, the line is in doubt once more, and the next request goes out as late as this."""

    async def test() -> None:
        async with LineDevice(line) as device, linked(serial(line, latency_s=10.0)) as link:
            quiet = link._quiet
            assert quiet is not None
            quiet._in_doubt = False
            assert_genuine(READ, await link.read(READ), 1)
            quiet.gave_up()
            assert (await link.read(READ, 15.0)).status == Status.ABSENT
            assert (link.requests, device.number) == (1, 1)
            assert quiet.in_doubt  # and what was not asked did not stir it: the silence goes on

    asyncio.run(test())


def test_a_request_with_time_left_behind_the_silence_is_sent(line: SerialLine) -> None:
    async def test() -> None:
        async with LineDevice(line), linked(serial(line, latency_s=LATENCY_S)) as link:
            assert_genuine(READ, await link.read(READ), 1)
            assert link._quiet is not None
            link._quiet.gave_up()
            assert_genuine(READ, await link.read(READ), 2)

    asyncio.run(test())
