"""The outstation against foreign clients: mbpoll (libmodbus) and pyModbusTCP, and against peers that misbehave."""

import asyncio
import contextlib
import socket
import struct
import time

import pytest
from pyModbusTCP.client import ModbusClient

from brakewater.field.outstation import MOST_PEERS, Outstation
from brakewater.register_map import Layout
from field_rigs import HOST, run, until
from plc_parts import outstation, outstation_rig, polled
from rig_parts import demo_rig, picture

pytestmark = pytest.mark.integration

READ = bytes.fromhex("0001 0000 0006 01 03 0000 0064")
LEVEL = {"aux.brake-level-high": "unacknowledged"}


async def beating(station: Outstation, until_s: float = 1e9, **states: str) -> None:
    """Shows a picture every 50 ms, as the loop does."""
    number = 0
    named = {key.replace("__", ".").replace("_", "-"): state for key, state in states.items()}
    began = time.monotonic()
    while time.monotonic() - began < until_s:
        number += 1
        station.show(picture(demo_rig(), named, number=number))
        await asyncio.sleep(0.05)


async def hung_up(reader: asyncio.StreamReader) -> bool:
    """Whether the other side ends the connection without another word."""
    try:
        return await asyncio.wait_for(reader.read(1), 5) == b""
    except ConnectionResetError:
        return True


async def exchanged(port: int, data: bytes) -> bytes:
    reader, writer = await asyncio.open_connection(HOST, port)
    writer.write(data)
    got = await asyncio.wait_for(reader.read(4096), 5)
    writer.transport.abort()
    return got


def test_mbpoll_reads_lamps_floats_and_bits() -> None:
    async def test() -> None:
        async with outstation() as (station, port, _):
            station.show(picture(demo_rig(), LEVEL, number=70_001))
            head = await polled(port, "-t", "4", "-r", "0", "-c", "100")
            assert (head[0], head[1], head[99]) == (str(70_001 & 0xFFFF), "1", str(70_001 & 0xFFFF))
            assert int(head[2]) == 0b1101111
            assert head[16:21] == ["1", "0", "2", "0", "0"]
            assert head[4:6] == [str(word) for word in divmod(Layout(rig=outstation_rig(port)).signature, 0x10000)]
            assert await polled(port, "-t", "4:float", "-B", "-r", "206", "-c", "1") == ["61.2"]
            assert await polled(port, "-t", "3", "-r", "208", "-c", "2") == ["0", "0"]
            assert await polled(port, "-t", "1", "-r", "0", "-c", "7") == list("1111011")
            assert await polled(port, "-t", "1", "-r", "128", "-c", "8") == list("00000001")
            assert "Illegal data address" in (await polled(port, "-t", "4", "-r", "300", "-c", "100"))[0]
            assert "Target device failed" in (await polled(port, "-a", "2", "-t", "4", "-r", "0"))[0]
            for whoever_is_here in ("255", "0"):
                assert await polled(port, "-a", whoever_is_here, "-t", "4", "-r", "1") == ["1"]

    run(test())


def test_mbpoll_presses_each_button_once() -> None:
    async def test() -> None:
        async with outstation('actor = "plc-panel"\n') as (station, port, door):
            beats = asyncio.create_task(beating(station))
            await asyncio.sleep(0)
            for coil in ("0", "1", "2", "3"):
                await polled(port, "-t", "0", "-r", coil, write="1")
            assert [(one.do, one.actor) for one in door.asked] == [
                ("acknowledge", "plc-panel"), ("silence", "plc-panel"), ("reset", "plc-panel"), ("test", "plc-panel"),
            ]  # fmt: skip
            await asyncio.sleep(0.35)
            assert await polled(port, "-t", "0", "-r", "0", "-c", "4") == ["0", "0", "0", "0"]
            await polled(port, "-t", "0", "-r", "0", write="0")
            assert len(door.asked) == 4
            assert station.figures()["pressed"] == 4
            beats.cancel()
            await asyncio.gather(beats, return_exceptions=True)

    run(test())


def test_another_librarys_client_reads_and_presses() -> None:
    async def test() -> None:
        async with outstation() as (station, port, door):
            beats = asyncio.create_task(beating(station, **LEVEL))
            await asyncio.sleep(0)

            def plc() -> None:
                client = ModbusClient(host=HOST, port=port, unit_id=1, auto_open=True, timeout=5)
                words = client.read_input_registers(206, 4)
                assert struct.unpack(">f", struct.pack(">2H", *words[:2]))[0] == pytest.approx(61.2, rel=1e-6)
                assert client.read_discrete_inputs(135, 1) == [True]
                assert client.write_multiple_coils(0, [True, False, False, False])
                assert client.read_coils(0, 4) == [True, False, False, False]
                assert client.write_single_coil(0, bool(1))
                assert client.write_single_register(0, 1) is False
                assert client.last_except == 1
                assert client.write_multiple_registers(0, [1, 2]) is False
                assert client.last_except == 1
                assert client.read_holding_registers(319, 2) is None
                assert client.last_except == 2
                client.close()

            await asyncio.to_thread(plc)
            assert [one.do for one in door.asked] == ["acknowledge"]
            beats.cancel()
            await asyncio.gather(beats, return_exceptions=True)

    run(test())


def test_a_watch_that_stops_shows() -> None:
    async def test() -> None:
        async with outstation() as (station, port, door):
            await beating(station, 0.4)
            words = await asyncio.to_thread(ModbusClient(host=HOST, port=port).read_holding_registers, 0, 100)
            assert words[2] & 1
            assert words[16] == 1
            while words[2] & 1:
                now = await asyncio.to_thread(ModbusClient(host=HOST, port=port).read_holding_registers, 0, 100)
                assert now[1] == words[1]
                words = now
                await asyncio.sleep(0.1)
            assert words[16] == 0
            assert "busy" in (await polled(port, "-t", "0", "-r", "0", write="1"))[0]
            assert door.asked == []  # else it were carried out on what comes when the watch goes on
            assert (await polled(port, "-t", "4", "-r", "206", "-c", "4")) == ["0", "0", "2", "70"]

    run(test())


def test_every_answer_is_of_one_picture() -> None:
    """Reads in pieces while pictures come: where both ends of a block are equal, so is all between."""

    async def test() -> None:
        async with outstation() as (station, port, _):
            work = asyncio.create_task(beating(station))

            def plc() -> None:
                client = ModbusClient(host=HOST, port=port)
                for _ in range(150):
                    words = client.read_holding_registers(0, 100)
                    assert words[0] == words[99] == words[1]

            await asyncio.to_thread(plc)
            work.cancel()
            await asyncio.gather(work, return_exceptions=True)

    run(test())


@pytest.mark.parametrize(
    "garbage",
    [
        b"GET / HTTP/1.1\r\n\r\n",
        bytes.fromhex("0001 0000 00ff 01") + bytes(255),
        bytes.fromhex("0001 0007 0006 01 03 0000 0001"),
        READ[:7] * 2000,
        bytes(5000),
    ],
)
def test_garbage_ends_its_connection_and_no_other(garbage: bytes) -> None:
    async def test() -> None:
        async with outstation() as (station, port, _):
            station.show(picture(demo_rig()))
            reader, writer = await asyncio.open_connection(HOST, port)
            with contextlib.suppress(ConnectionResetError):
                assert await exchanged(port, garbage) == b""
            writer.write(READ)
            assert len(await reader.readexactly(9 + 200)) == 209
            writer.transport.abort()
            ended = station.figures()["ended"]
            assert ended.get("garbage", 0) + ended.get("flood", 0) == 1

    run(test())


def test_requests_in_pieces_and_several_at_once_are_answered_in_order() -> None:
    async def test() -> None:
        async with outstation() as (station, port, _):
            station.show(picture(demo_rig()))
            reader, writer = await asyncio.open_connection(HOST, port)
            for octet in READ:
                writer.write(bytes((octet,)))
                await asyncio.sleep(0.002)
            assert (await reader.readexactly(209))[:2] == b"\x00\x01"
            writer.write(b"".join(struct.pack(">H", at) + READ[2:] for at in range(2, 50)))
            for at in range(2, 50):
                assert (await reader.readexactly(209))[:2] == struct.pack(">H", at)
            writer.transport.abort()

    run(test())


def test_strangers_are_hung_up_on() -> None:
    async def test() -> None:
        async with outstation('allow = ["192.0.2.0/24"]\n') as (station, port, _):
            reader, writer = await asyncio.open_connection(HOST, port)
            assert await hung_up(reader)
            writer.transport.abort()
            assert station.figures()["connections"] == 0
            assert station.figures()["ended"] == {"not allowed": 1}

    run(test())


def test_a_silent_connection_is_closed() -> None:
    async def test() -> None:
        async with outstation(idle_s=0.2) as (station, port, _):
            reader, writer = await asyncio.open_connection(HOST, port)
            writer.write(READ[:5])  # a piece of a request is silence too
            assert await hung_up(reader)
            writer.transport.abort()
            assert station.figures()["ended"] == {"idle": 1}

    run(test())


def test_who_asks_again_and_again_stays_and_is_closed_once_it_falls_silent() -> None:
    async def test() -> None:
        async with outstation(idle_s=0.6) as (station, port, _):
            station.show(picture(demo_rig()))
            reader, writer = await asyncio.open_connection(HOST, port)
            for _ in range(20):
                writer.write(READ)
                await reader.readexactly(209)
                await asyncio.sleep(0.1)
            assert (station.figures()["connections"], station.figures()["requests"]) == (1, 20)
            assert await hung_up(reader)
            writer.transport.abort()
            figures = station.figures()
            assert (figures["ended"], figures["requests"], figures["connections"]) == ({"idle": 1}, 20, 0)

    run(test())


@pytest.mark.parametrize(("address", "may"), [
    ("192.0.2.7", True), ("198.51.100.9", True), ("::ffff:192.0.2.7", True), ("::ffff:203.0.113.1", False),
    ("203.0.113.1", False), ("2001:db8::5%eth0", True), ("2001:db9::5", False), ("", False), ("plc", False),
])  # fmt: skip
def test_who_may_connect_is_who_stands_in_any_row_of_the_list(address: str, *, may: bool) -> None:
    """An IPv4 client of a server that listens on IPv6 has its address mapped."""

    async def test() -> None:
        async with outstation('allow = ["192.0.2.0/24", "198.51.100.9/32", "2001:db8::/32"]\n') as (station, _, _):
            assert station._may(address) is may

    run(test())


def test_the_most_silent_gives_way_to_a_new_one() -> None:
    async def test() -> None:
        async with outstation() as (station, port, _):
            station.show(picture(demo_rig()))
            lines = [await asyncio.open_connection(HOST, port) for _ in range(MOST_PEERS)]
            for reader, writer in lines[1:]:
                writer.write(READ)
                await reader.readexactly(209)
            assert len(await exchanged(port, READ)) == 209
            assert await hung_up(lines[0][0])
            lines[1][1].write(READ)
            assert len(await lines[1][0].readexactly(209)) == 209
            assert station.figures()["ended"]["gave way"] == 1
            for _, writer in lines:
                writer.transport.abort()

    run(test())


def test_who_opens_many_connections_takes_no_other_s_place() -> None:
    async def test() -> None:
        async with outstation('allow = ["127.0.0.0/8"]\n') as (station, port, _):
            reader, plc = await asyncio.open_connection(HOST, port, local_addr=("127.0.0.2", 0))
            plc.write(READ)
            await reader.readexactly(209)
            writers = []
            for _ in range(3 * MOST_PEERS):  # each asks, so that the PLC is the one silent for longest
                other, writer = await asyncio.open_connection(HOST, port)
                writer.write(READ)
                await other.readexactly(209)
                writers.append(writer)
            plc.write(READ)
            await reader.readexactly(209)
            assert station.figures()["connections"] == MOST_PEERS
            for writer in (plc, *writers):
                writer.transport.abort()

    run(test())


def test_a_peer_that_never_reads_is_dropped_and_holds_up_nobody() -> None:
    async def test() -> None:
        async with outstation() as (station, port, _):
            station.show(picture(demo_rig()))
            line = socket.socket()
            line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            line.connect((HOST, port))
            line.setblocking(bool(0))
            other = ModbusClient(host=HOST, port=port)
            while not station.figures()["ended"]:
                line.send(READ * 10)
                assert await asyncio.to_thread(other.read_holding_registers, 0, 100) is not None
            assert station.figures()["ended"] == {"slow reader": 1}
            line.close()
            other.close()

    run(test())


def test_a_flood_leaves_time_for_the_others() -> None:
    """As many requests as a peer can send; beside it others are answered and the loop goes round."""

    async def test() -> None:
        async with outstation() as (station, port, _):
            station.show(picture(demo_rig()))
            reader, writer = await asyncio.open_connection(HOST, port)
            stop = asyncio.Event()

            async def flood() -> None:
                while not stop.is_set():
                    writer.write(READ * 20)
                    await reader.readexactly(20 * 209)

            work = asyncio.create_task(flood())
            client = ModbusClient(host=HOST, port=port)
            for _ in range(20):
                assert await asyncio.to_thread(client.read_holding_registers, 0, 100) is not None
            stop.set()
            await work
            client.close()
            writer.transport.abort()

    run(test())


def test_a_port_that_is_taken_is_tried_again(caplog: pytest.LogCaptureFixture) -> None:
    async def test() -> None:
        async with outstation() as (first, port, _):
            rig = outstation_rig(port)
            second = Outstation(rig, first._newest, first._presses._ask, again_s=0.05)
            await second.open()
            assert not second.figures()["listening"]
            assert f"cannot listen on 127.0.0.1:{port}: another program listens there; trying on" in caplog.text
            await first.close()
            await until(lambda: second.figures()["listening"])
            assert len(await exchanged(port, READ)) == 209
            await second.close()

    run(test())


def test_closing_hangs_up_and_is_refused() -> None:
    async def test() -> None:
        async with outstation() as (station, port, _):
            reader, writer = await asyncio.open_connection(HOST, port)
            writer.write(READ)
            await reader.readexactly(209)
            await station.close()
            assert await hung_up(reader)
            writer.transport.abort()
            with pytest.raises(ConnectionRefusedError):
                await asyncio.open_connection(HOST, port)

    run(test())
