"""Modbus/TCP Security with foreign peers: socat does TLS and asks for our certificate, behind it libmodbus answers."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from brakewater.field.endpoint import TlsEndpoint
from brakewater.field.link import Answer, Link, Read, Table
from brakewater.quality import Status
from faults.certificates import Authority, Signed
from faults.lines import forwarded
from faults.register_server import build, device

pytestmark = pytest.mark.integration

HOST = "127.0.0.1"
PATIENT_S = 30.0
QUICK_S = 0.05
READ = Read(unit=1, table=Table.HOLDING, address=100, count=4)


@dataclass(frozen=True, kw_only=True)
class Plant:
    """Who trusts whom, and a Modbus TCP device."""

    authority: Authority
    other: Authority
    ours: Signed
    device: int

    @property
    def trusting(self) -> TlsEndpoint:
        """An endpoint with all that is right, but for the port."""
        return TlsEndpoint(
            host=HOST,
            authority=str(self.authority.file),
            certificate=str(self.ours.certificate),
            key=str(self.ours.key),
        )


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Plant]:
    folder = tmp_path_factory.mktemp("tls")
    authority = Authority(folder, "plant")
    with device(build(folder)) as port:
        yield Plant(
            authority=authority, other=Authority(folder, "other"), ours=authority.sign("brakewater"), device=port
        )


@pytest.fixture(scope="module")
def port(plant: Plant) -> Iterator[int]:
    with _served(plant, plant.authority.sign("device")) as port:
        yield port


def _served(plant: Plant, shown: Signed):  # noqa: ANN202 a context manager of the port
    checks = f"cafile={plant.authority.file},verify=1"
    listen = f"OPENSSL-LISTEN:{{port}},bind={HOST},reuseaddr,fork,cert={shown.certificate},key={shown.key},{checks}"
    return forwarded(listen, f"TCP:{HOST}:{plant.device}")


@asynccontextmanager
async def linked(endpoint: TlsEndpoint) -> AsyncIterator[Link]:
    link = Link(endpoint=endpoint, timeout_s=PATIENT_S)
    yield link
    await link.close()


def first_answer(endpoint: TlsEndpoint) -> tuple[Answer, str]:
    async def test() -> tuple[Answer, str]:
        async with linked(endpoint) as link:
            return await link.read(READ), link.trouble

    return asyncio.run(test())


def test_both_sides_trust_each_other(plant: Plant, port: int) -> None:
    async def test() -> None:
        async with linked(replace(plant.trusting, port=port)) as link:
            answers = [await link.read(READ) for _ in range(50)]
            assert {(a.status, a.words[0], a.words[2]) for a in answers} == {(Status.OK, 100, 102)}
            numbers = [a.words[1] for a in answers]
            assert numbers == list(range(numbers[0], numbers[0] + 50))
            assert (link.connects, link.trouble) == (1, "")

    asyncio.run(test())


def test_a_refusal_comes_through(plant: Plant, port: int) -> None:
    async def test() -> None:
        async with linked(replace(plant.trusting, port=port)) as link:
            assert (await link.read(Read(unit=1, table=Table.INPUT, address=9999, count=2))).status == 0x82
            assert link.connected

    asyncio.run(test())


def test_a_device_of_another_authority(plant: Plant, port: int) -> None:
    answer, trouble = first_answer(replace(plant.trusting, port=port, authority=str(plant.other.file)))
    assert answer.status == Status.ABSENT
    assert trouble.startswith("certificate verify failed: ")
    assert "self-signed certificate" in trouble or "unable to get" in trouble


@pytest.mark.parametrize(
    ("shown", "says"),
    [
        ({"name": "old", "days": -1}, "certificate verify failed: certificate has expired"),
        ({"name": "elsewhere", "shown_as": "DNS:elsewhere"}, "certificate verify failed: IP address mismatch"),
    ],
)
def test_a_device_s_certificate_that_does_not_hold(plant: Plant, shown: dict[str, object], says: str) -> None:
    with _served(plant, plant.authority.sign(**shown)) as port:  # type: ignore[arg-type]
        answer, trouble = first_answer(replace(plant.trusting, port=port))
        assert answer.status == Status.ABSENT
        assert trouble.startswith(says)


def test_a_name_that_is_not_the_host_s(plant: Plant) -> None:
    with _served(plant, plant.authority.sign("plc", shown_as="DNS:plc1")) as port:
        answer, trouble = first_answer(replace(plant.trusting, port=port, name="plc1"))
        assert (answer.status, trouble) == (Status.OK, "")


def test_a_device_that_wants_a_certificate_and_gets_none(plant: Plant, port: int) -> None:
    answer, trouble = first_answer(replace(plant.trusting, port=port, certificate=None, key=None))
    assert (answer.status, answer.words) == (Status.RESET, ())
    assert trouble.endswith("(the device may not accept our certificate)")


def test_a_device_that_does_not_know_our_authority(plant: Plant, port: int) -> None:
    stranger = plant.other.sign("stranger")
    answer, trouble = first_answer(
        replace(plant.trusting, port=port, certificate=str(stranger.certificate), key=str(stranger.key))
    )
    assert answer.status == Status.RESET
    assert trouble.endswith("(the device may not accept our certificate)")


def test_a_closed_port_is_something_else(plant: Plant) -> None:
    answer, trouble = first_answer(replace(plant.trusting, port=1))
    assert (answer.status, trouble) == (Status.REFUSED, "connection refused")


def test_a_device_without_tls(plant: Plant) -> None:
    answer, trouble = first_answer(replace(plant.trusting, port=plant.device))
    assert answer.status in (Status.ABSENT, Status.RESET)
    assert trouble


@pytest.mark.parametrize("broken", ["authority", "certificate", "key"])
def test_a_file_that_is_not_there(plant: Plant, port: int, broken: str, tmp_path: Path) -> None:
    answer, trouble = first_answer(replace(plant.trusting, port=port, **{broken: str(tmp_path / "gone.pem")}))
    assert answer.status == Status.ABSENT
    assert str(tmp_path / "gone.pem") in trouble
    assert "No such file or directory" in trouble


def test_a_key_that_is_another_s(plant: Plant, port: int) -> None:
    answer, trouble = first_answer(replace(plant.trusting, port=port, key=str(plant.other.sign("thief").key)))
    assert answer.status == Status.ABSENT
    assert trouble.endswith("TLS: key values mismatch")


def test_a_renewed_certificate_needs_no_restart(plant: Plant, port: int, tmp_path: Path) -> None:
    async def test() -> None:
        authority = tmp_path / "authority.pem"
        authority.write_bytes(plant.other.file.read_bytes())
        async with linked(replace(plant.trusting, port=port, authority=str(authority))) as link:
            assert (await link.read(READ)).status == Status.ABSENT
            authority.write_bytes(plant.authority.file.read_bytes())
            assert (await _read_on(link, PATIENT_S)).status == Status.OK
            assert link.trouble == ""

    asyncio.run(test())


async def _read_on(link: Link, deadline_s: float) -> Answer:
    while (answer := await link.read(READ, deadline_s)).status == Status.ABSENT:  # noqa: ASYNC110
        await asyncio.sleep(0.005)
    return answer


# ---- small devices take seconds over the keys


@asynccontextmanager
async def slow(port: int, wait: asyncio.Event) -> AsyncIterator[int]:
    """A proxy that lets nothing through before the event."""

    tasks = []

    async def accept(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        tasks.append(asyncio.current_task())
        try:
            await wait.wait()
            behind, to_behind = await asyncio.open_connection(HOST, port)
            async with asyncio.TaskGroup() as group:
                group.create_task(_pipe(reader, to_behind))
                group.create_task(_pipe(behind, writer))
        except asyncio.CancelledError:
            pass
        finally:
            writer.transport.abort()

    server = await asyncio.start_server(accept, HOST, 0)
    yield server.sockets[0].getsockname()[1]
    server.close()
    await server.wait_closed()
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks)
    await asyncio.sleep(0)


async def _pipe(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    try:
        with contextlib.suppress(OSError):
            while came := await reader.read(4096):
                writer.write(came)
    finally:
        writer.transport.abort()


def test_a_slow_handshake_goes_on_while_the_reads_go_by(plant: Plant, port: int) -> None:
    async def test() -> None:
        wait = asyncio.Event()
        async with slow(port, wait) as front, linked(replace(plant.trusting, port=front)) as link:
            for _ in range(3):
                assert (await link.read(READ, QUICK_S)).status == Status.ABSENT
                assert link.trouble == "still connecting"
            wait.set()
            assert (await _read_on(link, PATIENT_S)).status == Status.OK
            assert link.connects == 1

    asyncio.run(test())


def test_closing_ends_a_handshake_that_never_ends(plant: Plant, port: int) -> None:
    async def test() -> None:
        async with slow(port, asyncio.Event()) as front:
            link = Link(endpoint=replace(plant.trusting, port=front), timeout_s=PATIENT_S)
            assert (await link.read(READ, QUICK_S)).status == Status.ABSENT
            reading = asyncio.create_task(link.read(READ))
            await asyncio.sleep(0.01)
            await link.close()
            assert (await reading).status == Status.ABSENT
            assert (await link.read(READ)).status == Status.ABSENT

    asyncio.run(test())
