"""The line to a device against a foreign device (libmodbus) and one that misbehaves: no wrong value, ever."""

import asyncio
import gc
import random
import threading
from collections import Counter
from collections.abc import Callable, Coroutine, Sequence
from pathlib import Path

import pytest
from pymodbus.client import AsyncModbusTcpClient

from brakewater.field.link import LONGEST_WAIT_S, Answer, Link, Read, Table, wait_s
from brakewater.quality import Status
from faults.fault_server import Fault, FaultServer, bit, word
from faults.register_server import build, device

pytestmark = pytest.mark.integration

HOST = "127.0.0.1"
QUICK_S = 0.05  # a timeout that is meant to pass
PATIENT_S = 30.0  # a timeout that must not: a test that waited for it would see SILENT
READ = Read(unit=1, table=Table.INPUT, address=100, count=10)
OTHER = Read(unit=1, table=Table.INPUT, address=200, count=10)


def run(test: Coroutine[None, None, None]) -> None:
    """Run a test in a loop of its own; no task, thread or open file may be left behind."""
    threads, files = threading.active_count(), _open_files()

    async def watched() -> None:
        await test
        await asyncio.sleep(0)
        assert asyncio.all_tasks() == {asyncio.current_task()}

    asyncio.run(watched())
    gc.collect()
    assert (threading.active_count(), _open_files()) == (threads, files)


def _open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def assert_genuine(read: Read, answer: Answer, number: int | None = None) -> int:
    """Every word is of the address asked for, and all are of one request; returns its number."""
    assert answer.status == Status.OK
    assert 0 < answer.sent_ns <= answer.answered_ns
    addresses = range(read.address, read.address + read.count)
    if read.table.is_bits:
        assert answer.words == tuple(bit(a) for a in addresses)
        return 0
    number = answer.words[1 - read.address % 2] if number is None else number & 0xFFFF
    assert answer.words == tuple(word(a, number) for a in addresses)
    return number


def patient(server: FaultServer, first_wait_s: float = 0.05) -> Link:
    return Link(host=HOST, port=server.port, timeout_s=PATIENT_S, first_wait_s=first_wait_s)


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build(tmp_path_factory.mktemp("device"))


# ---- the foreign device


@pytest.mark.parametrize("table", Table)
@pytest.mark.parametrize(("address", "count"), [(0, 2), (7, 1), (101, 125), (9990, 10)])
def test_every_table_of_a_foreign_device(program: Path, table: Table, address: int, count: int) -> None:
    async def test(port: int) -> None:
        link = Link(host=HOST, port=port, timeout_s=PATIENT_S)
        read = Read(unit=17, table=table, address=address, count=count)
        assert_genuine(read, await link.read(read), number=1)
        assert link.connected
        await link.close()

    with device(program) as port:
        run(test(port))


def test_a_foreign_device_s_refusal_leaves_the_line_open(program: Path) -> None:
    async def test(port: int) -> None:
        link = Link(host=HOST, port=port, timeout_s=PATIENT_S)
        beyond = Read(unit=1, table=Table.HOLDING, address=9999, count=2)
        answers = [await link.read(beyond), await link.read(beyond)]
        assert [(a.status, a.words) for a in answers] == [(Status.EXCEPTION | 2, ())] * 2
        assert (link.connects, link.requests) == (1, 2)
        await link.close()

    with device(program) as port:
        run(test(port))


def test_300_reads_each_of_its_own_request(program: Path) -> None:
    async def test(port: int) -> None:
        link = Link(host=HOST, port=port, timeout_s=PATIENT_S)
        pick = random.Random(3)
        for number in range(1, 301):
            table = pick.choice((Table.INPUT, Table.HOLDING))
            read = Read(unit=1, table=table, address=pick.randrange(9000), count=pick.randrange(2, 126))
            assert assert_genuine(read, await link.read(read)) == number
        assert (link.connects, link.requests, link.by_status) == (1, 300, Counter({0: 300}))
        await link.close()

    with device(program) as port:
        run(test(port))


def test_a_foreign_device_s_late_answers_are_never_taken(program: Path) -> None:
    async def test(port: int) -> None:
        link = Link(host=HOST, port=port, timeout_s=QUICK_S)
        last, seen = 0, Counter[int]()
        for k in range(24):
            read = (READ, OTHER)[k % 2]
            answer = await link.read(read)
            seen[answer.status] += 1
            if answer.status == Status.OK:
                number = assert_genuine(read, answer)
                assert number > last
                last = number
        assert set(seen) <= {Status.OK, Status.SILENT, Status.SLOW}
        assert seen[Status.OK] >= 8
        assert seen[Status.SILENT] + seen[Status.SLOW] >= 4
        await link.close()

    with device(program, delay_ms=80, every=4) as port:
        run(test(port))


def test_reads_at_once_take_turns(program: Path) -> None:
    async def test(port: int) -> None:
        link = Link(host=HOST, port=port, timeout_s=PATIENT_S)
        reads = [Read(unit=1, table=Table.HOLDING, address=2 * k, count=4) for k in range(50)]
        answers = await asyncio.gather(*map(link.read, reads))
        assert [assert_genuine(*pair) for pair in zip(reads, answers, strict=True)] == list(range(1, 51))
        assert link.connects == 1
        await link.close()

    with device(program) as port:
        run(test(port))


# ---- one fault each

AT_ONCE = [
    (Fault("close-mid-frame"), Status.RESET),
    (Fault("short"), Status.SHORT),
    (Fault("long"), Status.MISMATCH),
    (Fault("padded"), Status.MISMATCH),
    (Fault("duplicate"), Status.MISMATCH),
    (Fault("other-transaction"), Status.MISMATCH),
    (Fault("former-transaction"), Status.MISMATCH),
    (Fault("transaction-0"), Status.MISMATCH),
    (Fault("other-protocol"), Status.MISMATCH),
    (Fault("other-unit"), Status.MISMATCH),
    (Fault("other-function"), Status.MISMATCH),
    (Fault("other-byte-count"), Status.MISMATCH),
    (Fault("other-length"), Status.MISMATCH),
    (Fault("exception-other-function"), Status.MISMATCH),
    (Fault("exception", 0), Status.MISMATCH),
    (Fault("garbage"), Status.MISMATCH),
    (Fault("flood"), Status.MISMATCH),
]
IN_TIME = [
    (Fault("silent"), Status.SILENT),
    (Fault("late", 2 * QUICK_S), Status.SILENT),
    (Fault("late-transaction-0", 2 * QUICK_S), Status.SILENT),
    (Fault("half"), Status.SLOW),
]
HARMLESS = [
    (Fault("normal"), Status.OK),
    (Fault("trickle"), Status.OK),
    (Fault("late", 0.01), Status.OK),
    (Fault("exception", 2), Status.EXCEPTION | 2),
    (Fault("exception", 11), Status.EXCEPTION | 11),
]


def _named(cases: Sequence[tuple[Fault, int]]) -> list[object]:
    return [pytest.param(fault, status, id=f"{fault.kind}-{fault.amount:g}") for fault, status in cases]


async def one_fault(fault: Fault, status: int, read: Read, deadline_s: float | None = None) -> None:
    """A good read, the fault, a good read at once over a new connection."""
    async with FaultServer() as server:
        link = patient(server)
        server.script.extend((Fault(), fault))
        assert_genuine(read, await link.read(read), number=1)
        answer = await link.read(read, deadline_s)
        assert (answer.status, answer.words) == (status, ())
        assert not link.connected
        assert_genuine(read, await link.read(read), number=3)
        assert (link.connects, server.connections, link.requests) == (2, 2, 3)
        assert link.by_status == {Status.OK: 2, status: 1}
        assert server.transactions == [1, 2, 3]  # they run on over connections, so a late one is never right
        await link.close()


@pytest.mark.parametrize("table", [Table.INPUT, Table.COIL])
@pytest.mark.parametrize(("fault", "status"), _named(AT_ONCE))
def test_a_fault_seen_at_once(fault: Fault, status: int, table: Table) -> None:
    count = 10 if table is Table.INPUT else 100
    run(one_fault(fault, status, Read(unit=1, table=table, address=100, count=count)))


@pytest.mark.parametrize("kind", ["close", "reset"])
@pytest.mark.parametrize("times", [1, 2])
def test_a_good_connection_that_ends_on_a_request_is_asked_once_more(kind: str, times: int) -> None:
    async def test() -> None:
        async with FaultServer() as server:
            link = patient(server)
            server.script.extend((Fault(), *[Fault(kind)] * times))
            assert_genuine(READ, await link.read(READ), number=1)
            answer = await link.read(READ)
            if times == 1:
                assert_genuine(READ, answer, number=3)
            else:
                assert (answer.status, answer.words) == (Status.RESET, ())
            assert (link.connects, link.requests, server.transactions) == (2, 3, [1, 2, 3])
            await link.close()

    run(test())


def test_a_device_that_takes_a_connection_a_request_costs_no_value() -> None:
    """It would cost every second read, and no alarm waits for a signal that is bad in every second scan."""

    async def test() -> None:
        async with FaultServer() as server:
            server.hangs_up_after = True
            link = patient(server)
            for number in range(20):
                answer = await link.read(READ)
                assert answer.status == Status.OK, number
            assert link.by_status == {Status.OK: 20}
            assert server.connections == link.connects == 20
            await link.close()

    run(test())


@pytest.mark.parametrize(("fault", "status"), _named(IN_TIME))
def test_a_fault_seen_when_time_is_up(fault: Fault, status: int) -> None:
    run(one_fault(fault, status, READ, QUICK_S))


@pytest.mark.parametrize(("fault", "status"), _named(HARMLESS))
def test_what_is_no_fault_keeps_the_connection(fault: Fault, status: int) -> None:
    async def test() -> None:
        async with FaultServer() as server:
            link = patient(server)
            server.script.append(fault)
            answer = await link.read(READ)
            assert answer.status == status
            assert_genuine(READ, await link.read(READ), number=2)
            assert link.connects == 1
            await link.close()

    run(test())


def test_a_second_answer_that_comes_later_costs_the_connection_and_no_value() -> None:
    async def test() -> None:
        async with FaultServer() as server:
            link = patient(server)
            server.script.append(Fault("duplicate-later"))
            assert_genuine(READ, await link.read(READ), number=1)
            await _until(lambda: not link.connected)
            assert_genuine(OTHER, await link.read(OTHER), number=2)
            await link.close()

    run(test())


def test_a_connection_lost_between_reads_is_no_fault() -> None:
    async def test() -> None:
        async with FaultServer() as server:
            link = patient(server)
            assert_genuine(READ, await link.read(READ))
            await server.stop()
            await _until(lambda: not link.connected)
            await server.start()
            assert_genuine(READ, await link.read(READ))
            await link.close()

    run(test())


def test_a_device_that_answers_after_the_time_is_called_slow() -> None:
    async def test() -> None:
        async with FaultServer() as server:
            link = patient(server)
            server.script.extend([Fault("late", 2 * QUICK_S)] * 2 + [Fault(), Fault("silent")])
            seen = []
            for deadline_s in (QUICK_S, QUICK_S, None, QUICK_S):
                seen.append((await link.read(READ, deadline_s)).status)
                await _until(lambda: len(seen) > 2 or (link._wire is not None and link._wire.late))
            assert seen == [Status.SILENT, Status.SLOW, Status.OK, Status.SILENT]
            await link.close()

    run(test())


def test_a_deadline_shorter_than_the_timeout_counts() -> None:
    async def test() -> None:
        async with FaultServer() as server:
            link = patient(server)
            server.script.append(Fault("silent"))
            assert (await link.read(READ, QUICK_S)).status == Status.SILENT
            assert (await link.read(READ, 0.0)).status == Status.ABSENT
            assert_genuine(READ, await link.read(READ))
            await link.close()

    run(test())


def test_who_gets_no_turn_in_time_is_absent_and_disturbs_nobody() -> None:
    async def test() -> None:
        async with FaultServer() as server:
            link = patient(server)
            server.script.append(Fault("late", 2 * QUICK_S))
            first, second = await asyncio.gather(link.read(READ), link.read(OTHER, QUICK_S))
            assert_genuine(READ, first, number=1)
            assert (second.status, link.requests, link.connects) == (Status.ABSENT, 1, 1)
            await link.close()

    run(test())


# ---- nobody there


def test_refused_then_waiting_then_there_again() -> None:
    async def test() -> None:
        async with FaultServer() as server:
            link = patient(server, first_wait_s=0.2)
            await server.stop()
            assert (await link.read(READ)).status == Status.REFUSED
            assert _without_waiting(link).status == Status.ABSENT
            assert link.connects == 1
            await server.start()
            answer = await _read_on(link, {Status.ABSENT})
            assert_genuine(READ, answer, number=1)
            assert link.connects == 2  # the first try after the device came back
            await link.close()

    run(test())


def test_a_peer_that_hangs_up_on_every_request_is_not_stormed() -> None:
    async def test() -> None:
        async with FaultServer() as server:
            link = patient(server, first_wait_s=0.2)
            server.script.append(Fault("reset"))
            assert (await link.read(READ)).status == Status.RESET
            assert _without_waiting(link).status == Status.ABSENT
            assert_genuine(READ, await _read_on(link, {Status.ABSENT}), number=2)
            await link.close()

    run(test())


def test_nobody_takes_the_connection(monkeypatch: pytest.MonkeyPatch) -> None:
    """A host that is switched off answers no SYN; a connect that never ends stands in for it."""

    async def never(*_: object, **__: object) -> None:
        await asyncio.Event().wait()

    async def test() -> None:
        link = Link(host=HOST, port=1, timeout_s=QUICK_S, first_wait_s=PATIENT_S, longest_wait_s=PATIENT_S)
        monkeypatch.setattr(asyncio.get_running_loop(), "create_connection", never)
        assert (await link.read(READ)).status == Status.ABSENT
        assert _without_waiting(link).status == Status.ABSENT
        assert (link.connects, link.requests) == (1, 0)
        await link.close()

    run(test())


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (ConnectionRefusedError(111, "refused"), Status.REFUSED),
        (
            OSError("Multiple exceptions: [Errno 111] Connect call failed, [Errno 111] Connect call failed"),
            Status.REFUSED,
        ),
        (ConnectionResetError(104, "reset"), Status.RESET),
        (OSError(113, "no route to host"), Status.ABSENT),
        (OSError(101, "network is unreachable"), Status.ABSENT),
    ],
)
def test_why_nobody_took_the_connection(monkeypatch: pytest.MonkeyPatch, error: OSError, status: int) -> None:
    async def fails(*_: object, **__: object) -> None:
        raise error

    async def test() -> None:
        link = Link(host=HOST, port=1, timeout_s=PATIENT_S)
        monkeypatch.setattr(asyncio.get_running_loop(), "create_connection", fails)
        assert (await link.read(READ)).status == status
        await link.close()

    run(test())


def test_the_pause_grows_to_its_cap_and_never_ends() -> None:
    pauses = [wait_s(n, first_s=0.05, longest_s=LONGEST_WAIT_S) for n in (1, 2, 3, 6, 7, 100, 10**9)]
    assert pauses == [0.05, 0.1, 0.2, 1.5, 1.5, 1.5, 1.5]


def _without_waiting(link: Link) -> Answer:
    """The answer of a read that never hands over to the loop."""
    reading = link.read(READ)
    with pytest.raises(StopIteration) as done:
        reading.send(None)
    answer = done.value.value
    assert isinstance(answer, Answer)
    return answer


async def _read_on(link: Link, meanwhile: set[int]) -> Answer:
    while (answer := await link.read(READ)).status in meanwhile:  # noqa: ASYNC110 the link has no event to wait for
        await asyncio.sleep(0.005)
    return answer


async def _until(holds: Callable[[], bool]) -> None:
    while not holds():  # noqa: ASYNC110 what is watched has no event
        await asyncio.sleep(0.001)


# ---- cancelled and closed


def test_a_cancelled_read_leaves_nothing_that_could_be_taken_later() -> None:
    async def test() -> None:
        async with FaultServer() as server:
            link = patient(server)
            server.script.append(Fault("late-transaction-0", 0.02))
            reading = asyncio.create_task(link.read(READ))
            await _until(lambda: link.requests == 1)
            await asyncio.sleep(0)
            reading.cancel()
            with pytest.raises(asyncio.CancelledError):
                await reading
            assert not link.connected
            assert_genuine(OTHER, await link.read(OTHER))
            await link.close()

    run(test())


def test_a_cancel_that_meets_the_answer_is_not_forgotten() -> None:
    async def test() -> None:
        async with FaultServer() as server:
            link = patient(server)
            server.script.append(Fault("late", 0.02))
            reading = asyncio.create_task(link.read(READ))
            await _until(lambda: server.number == 1)
            assert link._wire is not None
            await link._wire._client.ctx.response_future  # the answer is in, the task has not run yet
            reading.cancel()
            with pytest.raises(asyncio.CancelledError):
                await reading
            assert_genuine(OTHER, await link.read(OTHER))
            await link.close()

    run(test())


def test_a_cancel_while_connecting(monkeypatch: pytest.MonkeyPatch) -> None:
    async def never(*_: object, **__: object) -> None:
        await asyncio.Event().wait()

    async def test() -> None:
        async with FaultServer() as server:
            link = patient(server)
            with monkeypatch.context() as patched:
                patched.setattr(asyncio.get_running_loop(), "create_connection", never)
                reading = asyncio.create_task(link.read(READ))
                await _until(lambda: link.connects == 1)
                reading.cancel()
                with pytest.raises(asyncio.CancelledError):
                    await reading
            assert_genuine(READ, await link.read(READ), number=1)
            await link.close()

    run(test())


def test_close_ends_a_waiting_read_and_all_later_ones() -> None:
    async def test() -> None:
        async with FaultServer() as server:
            link = patient(server)
            server.script.append(Fault("silent"))
            reading = asyncio.create_task(link.read(READ))
            await _until(lambda: server.number == 1)
            await link.close()
            assert (await reading).status == Status.RESET
            assert (await link.read(READ)).status == Status.ABSENT
            await link.close()
            assert (server.connections, link.connects) == (1, 1)

    run(test())


# ---- all together


def test_200_faults_in_random_order_give_no_wrong_value() -> None:
    async def test() -> None:
        pick = random.Random(20)
        kinds = [fault for fault, _ in AT_ONCE + IN_TIME + HARMLESS] + [Fault("duplicate-later")] + [Fault()] * 8
        async with FaultServer() as server:
            link = Link(host=HOST, port=server.port, timeout_s=QUICK_S, first_wait_s=0.001, longest_wait_s=0.004)
            server.script.extend(pick.choices(kinds, k=200))
            last = 0
            while server.script:
                addresses = pick.randrange(0, 9000), pick.randrange(2, 126)
                read = Read(
                    unit=1, table=pick.choice((Table.INPUT, Table.HOLDING)), address=addresses[0], count=addresses[1]
                )
                answer = await link.read(read, pick.choice((None, 0.03)))
                if answer.status == Status.OK:
                    number = assert_genuine(read, answer)
                    assert number > last
                    assert link._wire is not None
                    assert server.transactions[number - 1] == link._wire.transaction  # the newest request's own answer
                    last = number
                elif answer.status == Status.ABSENT:
                    await asyncio.sleep(0.002)
                assert answer.words == () or answer.status == Status.OK
            answers = [await _read_on(link, {Status.ABSENT}) for _ in range(3)]
            assert_genuine(READ, answers[-1], number=server.number)
            assert set(link.by_status) >= {Status.OK, Status.SILENT, Status.RESET, Status.SHORT, Status.MISMATCH, 0x82}
            await link.close()

    run(test())


def test_this_server_does_fool_a_bare_client() -> None:
    """The tests above have teeth: pymodbus alone takes 100's words for 200's from the same server."""

    async def test() -> None:
        async with FaultServer() as server:
            client = AsyncModbusTcpClient(HOST, port=server.port, timeout=2 * QUICK_S, retries=0)
            await client.connect()
            server.script.extend((Fault("late-transaction-0", 3 * QUICK_S), Fault("silent")))
            with pytest.raises(Exception, match="No response"):
                await client.read_input_registers(100, count=4)
            fooled = await client.read_input_registers(200, count=4)
            assert fooled.registers == [100, 1, 102, 1]
            client.close()

    run(test())
