"""Lamp writes against PLCs on libmodbus and pyModbusTCP; what reached them stands in their own log."""

import asyncio
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from pathlib import Path

import pytest
from pyModbusTCP.client import ModbusClient
from pyModbusTCP.server import DataBank, ModbusServer

from brakewater.field import lamp_writes
from brakewater.field.lamp_writes import LampWriter, all_written
from brakewater.field.mailbox_wire import MailboxError, MailboxWire
from brakewater.field.newest import Newest
from brakewater.register_image import Links
from brakewater.stream import Picture
from field_rigs import HOST, free_port, run, until
from plc_parts import Plc, mailbox_program, plc
from rig_parts import demo_rig, picture

pytestmark = pytest.mark.integration

ADDRESS, COUNT, SIGNATURE = 100, 12, 0xB4A7
UNSEEN = {"aux.brake-level-high": "unacknowledged"}
SEEN = {"aux.brake-level-high": "acknowledged"}


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return mailbox_program(tmp_path_factory.mktemp("plc"))


@pytest.fixture
def device(program: Path, tmp_path: Path) -> Iterator[Plc]:
    with plc(program, tmp_path / "writes.log", address=ADDRESS, signature=SIGNATURE) as made:
        yield made


@asynccontextmanager
async def writer(port: int, refresh: str = "100 ms", answer_in: str = "150 ms") -> AsyncIterator[LampWriter]:
    """A writer at work on a mailbox of ``plc1`` at a port."""
    mailbox = (
        f'\n[[lamp-mailbox]]\ndevice = "plc1"\naddress = {ADDRESS}\ncount = {COUNT}\nsignature = {SIGNATURE}\n'
        f'refresh = "{refresh}"\n'
    )
    rig = demo_rig(more=mailbox, **{"port = 1502": f"port = {port}", 'timeout = "150 ms"': f'timeout = "{answer_in}"'})
    made = LampWriter(rig, rig.mailboxes[0], Newest(rig, Links))
    made.start()
    try:
        yield made
    finally:
        await made.close()


def test_lamps_are_written_with_one_request_on_change_and_refreshed(device: Plc) -> None:
    async def test() -> None:
        async with writer(device.port, refresh="10 s") as lamps:
            lamps.show(picture(demo_rig()))
            await until(lambda: any(row[3:][3] == 1 for row in device.writes()))
            for states, aspect in ((UNSEEN, 2), (SEEN, 1), ({}, 0)):
                lamps.show(picture(demo_rig(), states))
                await until(lambda aspect=aspect: device.writes()[-1][8] == aspect)
            assert all(row[:3] == [16, ADDRESS + 1, COUNT - 1] for row in device.writes())
            assert device.writes()[-1][3:] == [4, 0b1111, 0, 1, 0, 0, 0, 0, 0, 0, 0]
            assert lamps.trouble == ""
            assert all_written([lamps])
        async with writer(device.port) as lamps:
            count = len(device.writes())
            lamps.show(picture(demo_rig()))
            await until(lambda: len(device.writes()) > count + 5)
            assert lamps.failed == 0

    run(test())


def test_a_watch_that_stops_is_written_and_its_heartbeat_stands(device: Plc) -> None:
    async def test() -> None:
        async with writer(device.port) as lamps:
            lamps.show(picture(demo_rig()))
            await until(lambda: device.writes() and device.writes()[-1][6] == 1)
            await until(lambda: device.writes()[-1][6] == 0)
            assert device.writes()[-1][3:7] == [1, 0b1110, 0, 0]

    run(test())


@pytest.mark.parametrize("signature", [0, 0xFFFF, SIGNATURE ^ 1])
def test_a_device_without_the_signature_is_never_written(program: Path, tmp_path: Path, signature: int) -> None:
    async def test(port: int) -> None:
        async with writer(port) as lamps:
            for _ in range(20):
                lamps.show(picture(demo_rig(), UNSEEN))
                await asyncio.sleep(0.02)
            await until(lambda: lamps.failed >= 3)
            assert f"found 0x{signature:04X} where the signature 0xB4A7 should be" in lamps.trouble
            assert lamps.written == 0
            assert not all_written([lamps])

    with plc(program, tmp_path / "writes.log", address=ADDRESS, signature=signature) as other:
        run(test(other.port))
        assert other.writes() == []


def test_a_signature_that_changes_under_way_ends_the_writes_and_its_return_resumes_them(device: Plc) -> None:
    async def test() -> None:
        client = ModbusClient(host=HOST, port=device.port)
        async with writer(device.port) as lamps:
            lamps.show(picture(demo_rig()))
            await until(lambda: lamps.written > 2)
            assert await asyncio.to_thread(client.write_single_register, ADDRESS, 7)
            await until(lambda: "found 0x0007" in lamps.trouble)
            rows = device.writes()
            own = next(at for at, row in enumerate(rows) if row[0] == 6)
            assert (
                len(rows[own + 1 :]) <= 1
            )  # one may have been on its way: checked before the change, carried out after
            for _ in range(10):
                lamps.show(picture(demo_rig(), UNSEEN))
                await asyncio.sleep(0.05)
            assert device.writes() == rows
            assert await asyncio.to_thread(client.write_single_register, ADDRESS, SIGNATURE)
            await until(lambda: device.writes()[-1][8:9] == [2])
            await until(lambda: not lamps.trouble)  # known when the device has answered, a moment after it was written
        client.close()

    run(test())


@asynccontextmanager
async def one_at_a_time(target: int) -> AsyncIterator[int]:
    """A relay before a PLC that lets in one connection and resets every other, as small PLCs do; gives its port."""
    inside: set[asyncio.Task[None]] = set()

    async def let_in(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if inside:
            writer.transport.abort()
            return
        task = asyncio.current_task()
        assert task is not None
        inside.add(task)
        far, back = await asyncio.open_connection(HOST, target)
        ways = [asyncio.create_task(_pump(*way)) for way in ((reader, back), (far, writer))]
        with suppress(asyncio.CancelledError):
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
        for way in ways:
            way.cancel()
        await asyncio.gather(*ways, return_exceptions=True)
        for end in (back, writer):
            end.transport.abort()
        inside.clear()

    server = await asyncio.start_server(let_in, HOST, 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        left = list(inside)
        for task in left:
            task.cancel()
        await asyncio.gather(*left, return_exceptions=True)
        await server.wait_closed()


async def _pump(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    while got := await reader.read(1024):
        writer.write(got)


def silent(*, is_so: bool) -> Picture:
    shown = picture(demo_rig())
    alarms = tuple(replace(one, active=is_so) if one.alarm == "device-silent:plc1" else one for one in shown.alarms)
    return replace(shown, alarms=alarms)


def test_the_lamps_give_way_to_the_watch_where_a_plc_lets_in_one_connection(device: Plc) -> None:
    """Else whoever came first would keep the other out: lamps that are written, and a watch that is blind."""

    async def test() -> None:
        async with one_at_a_time(device.port) as port, writer(port) as lamps:
            lamps.show(silent(is_so=False))
            await until(lambda: lamps.written > 0)
            lamps.show(silent(is_so=True))
            await until(lambda: "the lamps give way" in lamps.trouble)
            while True:  # the relay is through with the lamps a moment after they have hung up
                reader, watch = await asyncio.open_connection(HOST, port)
                await asyncio.sleep(0.2)
                if not reader.at_eof():
                    break
                watch.transport.abort()
            lamps.show(silent(is_so=False))
            await until(lambda: "it seems to take one connection at a time" in lamps.trouble)
            watch.transport.abort()
            await until(lambda: not lamps.trouble)

    run(test())


def test_the_lamps_do_not_give_way_for_ever(device: Plc, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the watch gets no answer without them either, it is not their doing."""
    monkeypatch.setattr(lamp_writes, "_GIVE_WAY_S", 0.3)

    async def test() -> None:
        async with writer(device.port) as lamps:
            lamps.show(silent(is_so=True))
            await until(lambda: "the lamps give way" in lamps.trouble)
            await until(lambda: lamps.written > 3)
            assert not lamps.trouble

    run(test())


def test_a_device_that_goes_away_is_written_again_when_it_is_back(device: Plc) -> None:
    async def test() -> None:
        async with writer(device.port) as lamps:
            lamps.show(picture(demo_rig()))
            await until(lambda: lamps.written > 0)
            await asyncio.to_thread(device.kill)
            await until(lambda: lamps.failed > 1)
            assert lamps.trouble in ("connection refused", "hung up")
            await asyncio.to_thread(device.start)
            await until(lambda: lamps.trouble == "")

    run(test())


@pytest.mark.parametrize("other", [{}, UNSEEN])
def test_two_watches_on_one_mailbox_both_say_so(device: Plc, other: dict[str, str]) -> None:
    """Each would else see to the other's heartbeat, and lamps go to and fro without a word."""

    async def test() -> None:
        async with writer(device.port) as one:
            async with writer(device.port) as two:
                one.show(picture(demo_rig(), UNSEEN))
                two.show(picture(demo_rig(), other))
                if other:
                    for number in range(2, 9):  # so their heartbeats differ
                        two.show(picture(demo_rig(), other, number=number))
                await until(lambda: "another watch" in one.trouble and "another watch" in two.trouble)
                assert not all_written([one])
            await until(lambda: one.trouble == "", "the other has gone")

    run(test())


def test_a_plc_that_begins_anew_or_clears_the_heartbeat_is_no_other_watch(
    device: Plc, caplog: pytest.LogCaptureFixture
) -> None:
    async def test() -> None:
        async with writer(device.port) as lamps:
            lamps.show(picture(demo_rig(), UNSEEN))
            await until(lambda: lamps.written > 1)
            client = ModbusClient(host=HOST, port=device.port)
            for words in ([0] * (COUNT - 1), [0], [0], [0], [0]):  # all once, then only the heartbeat
                count = lamps.written
                assert await asyncio.to_thread(client.write_multiple_registers, ADDRESS + 1, words)
                await until(lambda count=count: lamps.written > count + 1)
                assert "another watch" not in caplog.text
            client.close()
            assert device.writes()[-1][8] == 2

    run(test())


class Stubborn(DataBank):  # type: ignore[misc]
    """pyModbusTCP's memory; a register keeps what it holds when told to."""

    def __init__(self, keeps: int | None) -> None:
        super().__init__()
        self.keeps = keeps
        self.set_holding_registers(ADDRESS, [SIGNATURE] + [0] * (COUNT - 1))

    def on_holding_registers_change(self, address: int, from_value: int, to_value: int, srv_info: object) -> None:
        del to_value, srv_info
        if address == self.keeps:
            self._h_regs[address] = from_value


@pytest.mark.parametrize("keeps", [None, ADDRESS + 1, ADDRESS + 4])
def test_what_is_read_back_must_be_what_was_written(keeps: int | None) -> None:
    async def test(port: int, bank: Stubborn) -> None:
        async with writer(port) as lamps:
            lamps.show(picture(demo_rig()))
            if keeps is None:
                await until(lambda: lamps.written > 2)
                assert bank.get_holding_registers(ADDRESS, 5) == [SIGNATURE, 1, 0b1111, 0, 1]
                assert bank.get_holding_registers(ADDRESS + COUNT, 1) == [0]
            else:
                await until(lambda: lamps.failed > 1)
                assert lamps.trouble == "read back other words than were written"

    bank, port = Stubborn(keeps), free_port()
    server = ModbusServer(host=HOST, port=port, no_block=True, data_bank=bank)
    server.start()
    try:
        run(test(port, bank))
    finally:
        server.stop()


Reply = Callable[[bytes], bytes]


@asynccontextmanager
async def scripted(reply: Reply) -> AsyncIterator[tuple[int, list[bytes]]]:
    """A device that answers each request as a script says; its port and what it was asked."""
    asked: list[bytes] = []

    async def serve(reader: asyncio.StreamReader, out: asyncio.StreamWriter) -> None:
        try:
            while data := await reader.read(300):
                asked.append(data)
                out.write(reply(data))
        except ConnectionError:
            pass
        finally:
            out.transport.abort()

    server = await asyncio.start_server(serve, HOST, 0)
    try:
        yield server.sockets[0].getsockname()[1], asked
    finally:
        server.close()
        await asyncio.sleep(0.01)


def good(request: bytes) -> bytes:
    if request[7] == 3:
        count = request[11]
        words = SIGNATURE.to_bytes(2, "big") * count
        return request[:4] + (3 + 2 * count).to_bytes(2, "big") + request[6:8] + bytes((2 * count,)) + words
    return request[:4] + b"\x00\x06" + request[6:12]


def spoilt(place: int, value: int) -> Reply:
    return lambda request: good(request)[:place] + bytes((value,)) + good(request)[place + 1 :]


BAD: dict[str, Reply] = {
    "other transaction": spoilt(1, 0),
    "other protocol": spoilt(3, 9),
    "other unit": spoilt(6, 9),
    "other function": spoilt(7, 4),
    "other byte count": spoilt(8, 4),
    "cut short": lambda request: good(request)[:-1],
    "with more behind": lambda request: good(request) + b"\x00",
    "twice": lambda request: good(request) * 2,
    "garbage": lambda _: bytes(40),
    "refused": lambda request: request[:4] + b"\x00\x03" + request[6:7] + bytes((request[7] | 0x80, 2)),
    "nothing": lambda _: b"",
}


class Memory:
    """A mailbox that answers as it should; what it holds may be changed after any answer."""

    def __init__(self, after: Callable[["Memory", bytes], None] = lambda _memory, _request: None) -> None:
        self.words = [SIGNATURE, *[0] * (COUNT - 1)]
        self.asked: list[int] = []
        self._after = after

    def __call__(self, request: bytes) -> bytes:
        self.asked.append(request[7])
        answer = good(request)
        if request[7] == 3:
            answer = answer[:9] + b"".join(word.to_bytes(2, "big") for word in self.words)
        else:
            self.words[1:] = [int.from_bytes(request[at : at + 2], "big") for at in range(13, len(request), 2)]
        self._after(self, request)
        return answer

    @property
    def read_back(self) -> bool:
        return self.asked[-2:] == [16, 3]


def test_a_plc_that_always_clears_the_heartbeat_it_has_seen_is_no_other_watch(caplog: pytest.LogCaptureFixture) -> None:
    def cleared(memory: Memory, _request: bytes) -> None:
        memory.words[1] = 0 if memory.read_back else memory.words[1]

    async def test() -> None:
        async with scripted(Memory(cleared)) as (port, _), writer(port) as lamps:
            for number in range(1, 12):
                lamps.show(picture(demo_rig(), UNSEEN, number=number))
                await until(lambda number=number: lamps.written > number)
            assert lamps.trouble == ""
            assert "another watch" not in caplog.text

    run(test())


def test_writes_of_which_nobody_knows_make_no_other_watch_and_no_slower_lamps(caplog: pytest.LogCaptureFixture) -> None:
    """What stands there after a write that was not confirmed may be anything; afterwards lamps come as before."""

    def spoilt_thrice(memory: Memory, _request: bytes) -> None:
        if memory.asked.count(16) in (3, 4, 5) and memory.asked[-1] == 16:
            memory.words[5] = 77

    async def test() -> None:
        memory = Memory(spoilt_thrice)
        async with scripted(memory) as (port, _), writer(port) as lamps:
            lamps.show(picture(demo_rig(), UNSEEN))
            await until(lambda: lamps.failed == 3 and not lamps.trouble)
            assert "another watch" not in caplog.text
            count = lamps.written
            await asyncio.sleep(1.0)
            assert lamps.written - count >= 4  # refreshed every 100 ms

    run(test())


def test_scans_that_change_no_lamp_are_not_written_before_the_refresh_is_due(device: Plc) -> None:
    async def test() -> None:
        async with writer(device.port, refresh="10 s") as lamps:
            lamps.show(picture(demo_rig(), UNSEEN))
            await until(lambda: device.writes()[-1:] and device.writes()[-1][8] == 2)
            count = len(device.writes())
            for number in range(2, 12):
                lamps.show(picture(demo_rig(), UNSEEN, number=number))
                await asyncio.sleep(0.03)
            assert len(device.writes()) == count

    run(test())


@pytest.mark.parametrize("name", BAD)
def test_an_answer_in_doubt_is_no_leave_to_write(name: str) -> None:
    async def test() -> None:
        async with scripted(BAD[name]) as (port, asked):
            wire = MailboxWire(HOST, port, unit=1, timeout_s=0.1)
            with pytest.raises(MailboxError):
                await wire.read(ADDRESS, 1)
            async with writer(port, answer_in="50 ms") as lamps:
                await until(lambda: lamps.failed > 1)
            assert all(data[7] == 3 for data in asked)
            wire.close()
            await asyncio.sleep(0)

    run(test())


def test_a_plc_that_takes_a_connection_a_request_is_written() -> None:
    async def test() -> None:
        words = [SIGNATURE, *[0] * (COUNT - 1)]

        async def serve(reader: asyncio.StreamReader, out: asyncio.StreamWriter) -> None:
            data = await reader.read(300)
            if len(data) > 11 and data[7] == 16:
                words[1:] = [int.from_bytes(data[at : at + 2], "big") for at in range(13, len(data), 2)]
                out.write(data[:4] + b"\x00\x06" + data[6:12])
            elif len(data) > 11:
                octets = b"".join(word.to_bytes(2, "big") for word in words)
                out.write(data[:4] + (3 + len(octets)).to_bytes(2, "big") + data[6:8] + bytes((len(octets),)) + octets)
            await asyncio.sleep(0.005)
            out.close()

        server = await asyncio.start_server(serve, HOST, 0)
        async with writer(server.sockets[0].getsockname()[1]) as lamps:
            lamps.show(picture(demo_rig(), UNSEEN))
            await until(lambda: lamps.written > 3)
            assert words[6] == 2
        server.close()
        await asyncio.sleep(0.05)

    run(test())


def test_a_late_answer_never_meets_the_next_request() -> None:
    """The first answer comes after its time, on a connection that is then over."""

    async def test() -> None:
        async def serve(reader: asyncio.StreamReader, out: asyncio.StreamWriter) -> None:
            try:
                while data := await reader.readexactly(12):
                    if data[9] == 1:
                        await asyncio.sleep(0.15)
                    out.write(data[:4] + b"\x00\x05" + data[6:8] + b"\x02" + data[8:10])
            except (ConnectionError, asyncio.IncompleteReadError):
                pass
            finally:
                out.transport.abort()

        server = await asyncio.start_server(serve, HOST, 0)
        wire = MailboxWire(HOST, server.sockets[0].getsockname()[1], unit=1, timeout_s=0.1)
        with pytest.raises(MailboxError, match="no answer in time"):
            await wire.read(1, 1)
        for address in (2, 3, 4):
            assert await wire.read(address, 1) == (address,)
        wire.close()
        server.close()
        await asyncio.sleep(0.2)

    run(test())


def test_a_word_that_nobody_asked_for_ends_the_line() -> None:
    """The next request goes over another, where nothing can have come before it."""

    async def test() -> None:
        lines: list[asyncio.StreamWriter] = []

        async def serve(reader: asyncio.StreamReader, out: asyncio.StreamWriter) -> None:
            lines.append(out)
            with suppress(ConnectionError):
                while data := await reader.read(300):
                    out.write(good(data))
            out.transport.abort()

        server = await asyncio.start_server(serve, HOST, 0)
        wire = MailboxWire(HOST, server.sockets[0].getsockname()[1], unit=1, timeout_s=1)
        for count in (1, 2):
            assert await wire.read(ADDRESS, 1) == (SIGNATURE,)
            assert len(lines) == count
            lines[-1].write(good(bytes.fromhex("0003 0000 0006 01 03 0064 0001")))
            await until(lambda: wire._line is None or wire._line.is_over)
        wire.close()
        server.close()
        await asyncio.sleep(0.05)

    run(test())


def test_a_good_script_is_read_and_written() -> None:
    """What the bad ones differ from."""

    async def test() -> None:
        async with scripted(good) as (port, asked):
            wire = MailboxWire(HOST, port, unit=7, timeout_s=1)
            assert await wire.read(ADDRESS, 2) == (SIGNATURE, SIGNATURE)
            await wire.write(ADDRESS + 1, (1, 0xFFFF))
            assert [data.hex(" ", 2) for data in asked] == [
                "0001 0000 0006 0703 0064 0002",
                "00 0200 0000 0b07 1000 6500 0204 0001 ffff",
            ]
            wire.close()
            await asyncio.sleep(0.01)

    run(test())
