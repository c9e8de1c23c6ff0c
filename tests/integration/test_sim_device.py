"""The simulated devices on the wire: a foreign client reads them, the daemon's poller reads them, and bad requests."""

import asyncio
import contextlib
import errno
import json
import signal
import socket
import struct
import subprocess
import sys
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator
from dataclasses import replace
from math import inf
from pathlib import Path

import pytest
from pyModbusTCP.client import ModbusClient

from brakewater.field.own import OwnDevice
from brakewater.field.poller import PolledSource
from brakewater.quality import Status
from brakewater.rig import Rig, Table, load, parse
from brakewater.rig.load import demo_file
from brakewater_sim import cli, device
from brakewater_sim.device import Playback, serve
from brakewater_sim.offline import blocks
from brakewater_sim.scenarios import SCENARIOS, Scenario, Silence
from brakewater_sim.simulate import simulate

pytestmark = pytest.mark.integration

SHORT = replace(SCENARIOS["demo"], warmup_s=2.0)
TEXT = demo_file().read_text()
MIXED = """
[[point]]
name = "pump-commanded"
role = "pump-commanded"
device = "plc1"
table = "coil"
address = 7
signal = { kind = "bit" }

[[point]]
name = "push"
role = "push-acknowledge"
device = "plc1"
table = "discrete"
address = 3
signal = { kind = "bit" }

[[point]]
name = "alive"
role = "heartbeat"
device = "plc1"
table = "holding"
address = 100
signal = { kind = "direct", unit = "1" }
"""


ALIVE = """
[[point]]
name = "alive"
role = "heartbeat"
device = "rio1"
table = "input"
address = 40
signal = { kind = "direct", unit = "1" }
"""


def rig_with(more: str = "", **changed: str) -> Rig:
    text = TEXT.replace("[[tank]]", more + "\n[[tank]]", 1)
    for old, new in changed.items():
        text = text.replace(old, new, 1)
    return parse(text)


@contextlib.asynccontextmanager
async def serving(scenario: Scenario, rig: Rig) -> AsyncIterator[list[int]]:
    """Ports of a rig's devices, served in this loop."""
    lines: asyncio.Queue[str] = asyncio.Queue()
    stop = asyncio.Event()
    ports = {one.name: 0 for one in rig.devices}
    task = asyncio.create_task(serve(Playback(scenario, rig), rig, ports=ports, say=lines.put_nowait, stop=stop))
    try:
        yield [int((await lines.get()).rsplit(":", 1)[1]) for _ in rig.devices]
    finally:
        stop.set()
        await task


def run(test: Callable[[], Coroutine[None, None, None]]) -> None:
    async def watched() -> None:
        await test()
        await asyncio.sleep(0)
        assert asyncio.all_tasks() == {asyncio.current_task()}

    asyncio.run(watched())


def ask(unit: int, request: bytes, transaction: int = 7) -> bytes:
    return struct.pack(">HHHB", transaction, 0, len(request) + 1, unit) + request


async def answer(port: int, *requests: bytes) -> tuple[int, int, bytes]:
    """First whole answer to requests sent at once: transaction, unit and what follows."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(b"".join(requests))
    transaction, protocol, length, unit = struct.unpack(">HHHB", await reader.readexactly(7))
    body = await reader.readexactly(length - 1)
    writer.close()
    await writer.wait_closed()
    assert protocol == 0
    return transaction, unit, body


def read_all(port: int) -> dict[str, list[int] | list[bool] | None]:
    client = ModbusClient(host="127.0.0.1", port=port, unit_id=1, timeout=10.0)
    try:
        return {
            "input": client.read_input_registers(0, 12),
            "holding": client.read_holding_registers(100, 1),
            "coil": client.read_coils(7, 1),
            "discrete": client.read_discrete_inputs(3, 1),
            "outside": client.read_input_registers(5, 8),
            "why": [client.last_except],
        }
    finally:
        client.close()


def test_a_foreign_client_reads_all_four_tables() -> None:
    rig = rig_with(MIXED)

    async def test() -> None:
        still = replace(SHORT, length_s=0.0)  # holds its first state
        async with serving(still, rig) as (port,):
            found = await asyncio.to_thread(read_all, port)
        (tick,) = simulate(SHORT, seconds=0.2)
        assert found["input"] is not None
        assert found["input"][4] == 0b11
        assert found["input"][5] == 0
        assert struct.pack(">2H", *found["input"][6:8]) == struct.pack(
            ">f", tick.measured["hook-load"] / 4448.2216152605
        )
        assert struct.pack(">2H", *found["input"][9:7:-1]) == struct.pack(">f", tick.measured["block-position"])
        assert (found["coil"], found["discrete"]) == ([True], [False])
        assert found["holding"] is not None
        assert found["holding"][0] < 60  # seconds since it began
        assert (found["outside"], found["why"]) == (None, [2])

    run(test)


def test_the_daemons_poller_reads_the_rig() -> None:
    async def test() -> None:
        async with serving(replace(SHORT, length_s=0.0), load(demo_file())) as (port,):
            rig = rig_with(**{"port = 1502": f"port = {port}", '"150 ms"': '"1 s"', '"200 ms"': '"1 s"'})
            source = PolledSource(rig, OwnDevice(rig, {}), period_s=0.0)
            sample = await anext(aiter(source.samples()))
            await source.close()
        assert set(sample.status) == {Status.OK}
        (block,) = blocks(SHORT, rig, seconds=0.2)
        first_own = next(slot.column for slot in rig.slots if slot.point.device == "self")
        assert sample.words[: 2 * first_own] == block.words[0, :first_own].astype("<u2").tobytes()

    run(test)


@pytest.mark.parametrize(
    ("request_", "refused"),
    [
        (bytes((5, 0, 7, 0xFF, 0)), b"\x85\x01"),  # writing a coil is no function of it
        (bytes((6, 0, 0, 0, 1)), b"\x86\x01"),
        (bytes((0x2B, 14, 1, 0)), b"\xab\x01"),
        (struct.pack(">BHH", 4, 12, 1), b"\x84\x02"),
        (struct.pack(">BHH", 4, 11, 2), b"\x84\x02"),
        (struct.pack(">BHH", 4, 65535, 2), b"\x84\x02"),
        (struct.pack(">BHH", 3, 0, 1), b"\x83\x02"),
        (struct.pack(">BHH", 1, 0, 1), b"\x81\x02"),
        (struct.pack(">BHH", 4, 0, 0), b"\x84\x03"),
        (struct.pack(">BHH", 4, 0, 126), b"\x84\x03"),
        (struct.pack(">BHH", 2, 0, 2001), b"\x82\x03"),
        (struct.pack(">BHHB", 4, 0, 1, 0), b"\x84\x03"),
    ],
)
def test_what_is_not_there_is_refused_as_the_protocol_says(request_: bytes, refused: bytes) -> None:
    async def test() -> None:
        async with serving(replace(SHORT, warmup_s=0.0), load(demo_file())) as (port,):
            assert await answer(port, ask(1, request_)) == (7, 1, refused)

    run(test)


def test_requests_in_pieces_and_in_one_go() -> None:
    async def test() -> None:
        async with serving(replace(SHORT, length_s=0.0), load(demo_file())) as (port,):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            one, two = ask(1, struct.pack(">BHH", 4, 4, 1), 1), ask(1, struct.pack(">BHH", 4, 5, 1), 2)
            for at in range(len(one)):
                writer.write(one[at : at + 1])
                await writer.drain()
            assert await reader.readexactly(11) == bytes.fromhex("000100000005010402 0003")
            writer.write(two + one + ask(1, struct.pack(">BHH", 4, 5, 1), 3)[:5])
            assert await reader.readexactly(22) == bytes.fromhex("000200000005010402 0000 000100000005010402 0003")
            writer.close()
            await writer.wait_closed()

    run(test)


@pytest.mark.parametrize(
    "rubbish", [b"GET / HTTP/1.1\r\n\r\n", struct.pack(">HHHB", 1, 0, 1, 1), struct.pack(">HHHB", 1, 0, 255, 1)]
)
def test_rubbish_ends_the_line(rubbish: bytes) -> None:
    async def test() -> None:
        async with serving(replace(SHORT, warmup_s=0.0), load(demo_file())) as (port,):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(rubbish)
            assert await reader.read() == b""
            writer.close()
            with contextlib.suppress(ConnectionError):
                await writer.wait_closed()
            assert (await answer(port, ask(1, struct.pack(">BHH", 4, 5, 1))))[2] == b"\x04\x02\x00\x00"

    run(test)


def test_who_does_not_take_its_answers_is_not_heard_for_ever() -> None:
    many, enough = ask(1, struct.pack(">BHH", 4, 0, 12)) * 5000, 12_000_000  # bytes; answers are three times as many
    took = 0

    async def test() -> None:
        nonlocal took
        async with serving(replace(SHORT, length_s=0.0), load(demo_file())) as (port,):
            with socket.socket() as deaf:
                deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
                deaf.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
                deaf.connect(("127.0.0.1", port))
                deaf.settimeout(0.0)
                idle = 0
                while took < enough and idle < 40:
                    try:
                        took, idle = took + deaf.send(many[took % 12 :]), 0
                    except BlockingIOError:
                        idle += 1
                        await asyncio.sleep(0.02)
                assert (await answer(port, ask(1, struct.pack(">BHH", 4, 5, 1))))[2] == b"\x04\x02\x00\x00"

    run(test)
    assert took < enough


def test_a_silent_device_says_nothing_and_its_line_stays() -> None:
    silent = replace(SHORT, warmup_s=0.0, silences=(Silence(device="plc1", from_s=0.0, to_s=inf),))
    good = struct.pack(">BHH", 4, 0, 1)

    async def test() -> None:
        async with serving(silent, load(demo_file())) as (port,):
            # The unit that is not there is refused at once; the silent one before it has said nothing.
            assert await answer(port, ask(1, good, 1), ask(9, good, 2)) == (2, 9, b"\x84\x0b")

    run(test)


def test_two_devices_on_two_ports_and_two_units_on_one() -> None:
    second = '[[device]]\nname = "rio1"\nhost = "127.0.0.1"\nport = {port}\nunit = {unit}\n'
    request = struct.pack(">BHH", 4, 40, 1)

    async def test() -> None:
        apart = rig_with(second.format(port=1503, unit=1) + ALIVE)
        async with serving(replace(SHORT, length_s=0.0), apart) as (plc, rio):
            assert plc != rio
            assert (await answer(plc, ask(1, request)))[2] == b"\x84\x02"
            assert (await answer(rio, ask(1, request)))[2][:3] == b"\x04\x02\x00"
        with socket.create_server(("127.0.0.1", 0)) as free:
            port = free.getsockname()[1]
        together = rig_with(second.format(port=port, unit=2) + ALIVE, **{"port = 1502": f"port = {port}"})
        stop, said = asyncio.Event(), asyncio.Queue[str]()
        playback = Playback(replace(SHORT, length_s=0.0), together)
        task = asyncio.create_task(serve(playback, together, ports={}, say=said.put_nowait, stop=stop))
        assert [await said.get(), await said.get()] == [f"serving {n} at 127.0.0.1:{port}" for n in ("plc1", "rio1")]
        assert (await answer(port, ask(1, request)))[2] == b"\x84\x02"
        assert (await answer(port, ask(2, request)))[2][:3] == b"\x04\x02\x00"
        stop.set()
        await task

    run(test)


def test_the_clock_of_a_playback(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [50_000_000_000]
    monkeypatch.setattr(device, "monotonic_ns", lambda: clock[0])
    rig = rig_with(MIXED)
    playback = Playback(replace(SHORT, length_s=30.0), rig, speed=10.0)

    def seconds() -> int:
        found = playback.now().read(("plc1", Table.HOLDING), 100, 1)
        assert found is not None
        return found[0]

    clock[0] += 3_000_000_000
    assert seconds() == 0  # not begun
    playback.begin()
    assert seconds() == 0
    clock[0] += 1_250_000_000
    assert seconds() == 12
    before = playback.now()
    clock[0] += 4_000_000
    assert playback.now() is before  # less than a step of the plant
    clock[0] += 1_800_000_000
    assert seconds() == 30
    flow = playback.now().read(("plc1", Table.INPUT), 0, 4)
    clock[0] += 6_000_000_000
    assert seconds() == 90  # the device lives
    assert playback.now().read(("plc1", Table.INPUT), 0, 4) == flow  # the last state stays
    assert playback.now() is playback.now()


def test_a_playback_never_works_long_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [0]
    monkeypatch.setattr(device, "monotonic_ns", lambda: clock[0])
    playback = Playback(SHORT, rig_with(MIXED), speed=1e6)
    playback.begin()
    clock[0] = 1_000_000_000
    assert playback.now().read(("plc1", Table.HOLDING), 100, 1) == [20]
    assert playback.now().read(("plc1", Table.HOLDING), 100, 1) == [40]


def test_what_is_faster_than_the_machine_is_as_fast_as_it_can(monkeypatch: pytest.MonkeyPatch) -> None:
    """A hundred moves: no pause lies between those that are due at once."""
    monkeypatch.setattr(device, "KEEP_UP_S", 1.0)

    async def test() -> None:
        rig, stop, said = rig_with(MIXED), asyncio.Event(), list[str]()

        def say(line: str) -> None:
            said.append(line)
            if "has ended" in line:
                stop.set()

        playback = Playback(replace(SHORT, length_s=2000.0), rig, speed=1e6)
        async with asyncio.timeout(60.0):
            await serve(playback, rig, ports={"plc1": 0}, say=say, stop=stop)
        assert len(said) == 2

    run(test)


@pytest.fixture
def process() -> Iterator[Callable[..., "subprocess.Popen[str]"]]:
    begun: list[subprocess.Popen[str]] = []

    def begin(*args: str) -> "subprocess.Popen[str]":
        command = [sys.executable, "-m", "brakewater_sim.cli", *args]
        begun.append(subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True))
        return begun[-1]

    yield begin
    for one in begun:
        one.kill()
        one.communicate()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_ends_cleanly_when_told_to_with_a_line_open(
    process: Callable[..., "subprocess.Popen[str]"], number: signal.Signals
) -> None:
    served = process("serve", "pump-loss", "--port", "0")
    assert served.stderr is not None
    line = served.stderr.readline()
    assert line.startswith("serving plc1 at 127.0.0.1:")
    with socket.create_connection(("127.0.0.1", int(line.rsplit(":", 1)[1]))) as wire:
        wire.sendall(ask(1, struct.pack(">BHH", 4, 4, 1)))
        assert wire.recv(64) == bytes.fromhex("000700000005010402 0003")
        served.send_signal(number)
        out, err = served.communicate(timeout=30)
    assert (served.returncode, out, err) == (0, "", "")


def test_a_port_in_use_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        assert cli.main(["serve", "pump-loss", "--port", str(port)]) == 3
    told = capsys.readouterr().err
    assert told == f"127.0.0.1:{port} for plc1: Address already in use; end what listens there, or give another port\n"


def test_an_address_of_another_machine_is_told_with_what_to_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for host, reason in (
        ("192.0.2.7", "Cannot assign requested address"),
        ("plc.invalid", "Name or service not known"),
    ):
        (tmp_path / "rig.toml").write_text(TEXT.replace('host = "127.0.0.1"', f'host = "{host}"', 1))
        assert cli.main(["serve", "pump-loss", "--rig", str(tmp_path / "rig.toml")]) == 3
        told = capsys.readouterr().err
        assert told.startswith(f"{host}:1502 for plc1: {reason}; the simulator answers at an address of this machine: ")
        assert told.count("\n") == 1


@pytest.mark.parametrize(
    ("transport", "more"),
    [("rtu", 'serial = "/dev/ttyUSB0"'), ("tls", 'host = "127.0.0.1"\nca = "ca.pem"'), ("rtu-over-tcp", "")],
)
def test_what_it_does_not_speak_is_not_served(
    transport: str, more: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = more or 'host = "127.0.0.1"\nport = 1502'
    rig = TEXT.replace('transport = "tcp"\nhost = "127.0.0.1"\nport = 1502', f'transport = "{transport}"\n{where}', 1)
    (tmp_path / "rig.toml").write_text(rig)
    assert cli.main(["serve", "pump-loss", "--rig", str(tmp_path / "rig.toml"), "--port-offset", "1"]) == 2
    told = capsys.readouterr().err
    assert f"device plc1: found transport '{transport}'; allowed: 'tcp'" in told


def test_a_remedy_for_a_port_of_root() -> None:
    assert "higher one" in device._remedy(PermissionError(errno.EACCES, "Permission denied"))


def test_lost_answers_are_lost_on_the_wire_too() -> None:
    good = struct.pack(">BHH", 4, 5, 1)

    async def answered(lost_one_in: int) -> int:
        async with serving(replace(SHORT, warmup_s=0.0, lost_one_in=lost_one_in), load(demo_file())) as (port,):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(b"".join(ask(1, good, number) for number in range(400)) + ask(9, good, 400))
            found = 0
            while struct.unpack(">HHHB", (await reader.readexactly(9))[:7])[0] < 400:
                found += 1
                await reader.readexactly(2)
            writer.close()
            await writer.wait_closed()
        return found

    async def test() -> None:
        assert await answered(0) == 400
        assert 280 <= await answered(5) <= 360  # mean 320, sd 8

    run(test)


def test_faults_and_list_break_no_name_of_an_alarm(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["faults"]) == cli.main(["list"]) == 0
    shown = capsys.readouterr().out
    assert not [line for line in shown.splitlines() if line.endswith("-")]
    assert "over 0 s" not in shown
    assert "over 600 s" in shown


def test_list(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["list", "--json"]) == 0
    listed = {one["name"]: one for one in json.loads(capsys.readouterr().out)}
    assert listed.keys() == SCENARIOS.keys()
    assert listed["plc-silent"]["expected"] == [
        {"alarm": "device-silent:plc1", "due_s": 43.0},
        {"alarm": "cooling-lost", "due_s": 44.0},
        {"alarm": "rotor-hot-no-flow", "due_s": 64.0},
    ]
    assert cli.main(["list"]) == 0
    shown = capsys.readouterr().out
    assert all(name in shown for name in SCENARIOS)
    assert "no alarm" in shown


@pytest.mark.parametrize(
    ("args", "told"),
    [
        (["serve", "pump-los"], "found 'pump-los'; allowed: demo, trip-in,"),
        (["serve", "pump-los"], 'did you mean "pump-loss"?'),
        (["serve", "demo", "--speed", "0"], "found '0'; allowed: a number above 0"),
        (["serve", "demo", "--speed", "nan"], "allowed: a number above 0"),
        (["serve", "demo", "--port", "70000"], "allowed: 0 to 65535"),
        (["serve", "demo", "--speed", "1e308"], "at most 1000000"),
        (["record", "demo", "-o", "x", "--seconds", "-5"], "allowed: a number above 0"),
        (["record", "demo", "-o", "x", "--seconds", "1e300"], "at most 31622400"),
        (["record", "demo"], "-o"),
        (["record", "demo", "-o", "x", "--seed", "one"], "found 'one'; allowed: a whole number"),
        (["serve", "demo", "--port-offset", "1.5"], "found '1.5'; allowed: a whole number"),
        ([], "list|faults|serve|record"),
    ],
)
def test_bad_arguments(args: list[str], told: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(args)
    assert ended.value.code == 2
    assert told in capsys.readouterr().err


def test_arguments_that_do_not_fit_the_rig(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def told(text: str, *args: str) -> str:
        (tmp_path / "rig.toml").write_text(text)
        assert cli.main([*args, "--rig", str(tmp_path / "rig.toml")]) == 2
        return capsys.readouterr().err

    two = '[[device]]\nname = "rio1"\nhost = "127.0.0.1"\n\n[[tank]]'
    assert "found devices plc2" in told(TEXT.replace('"plc1"', '"plc2"'), "serve", "plc-silent")
    assert "--port: found 2 devices" in told(TEXT.replace("[[tank]]", two, 1), "serve", "demo", "--port", "0")
    assert "found port 65537 for plc1" in told(TEXT, "serve", "demo", "--port-offset", "64035")
    assert "rig.scan: found '200 gal'" in told(TEXT.replace('scan = "200 ms"', 'scan = "200 gal"'), "serve", "demo")
    assert cli.main(["serve", "demo", "--rig", str(tmp_path / "none.toml")]) == 2
