"""Against servers and a client of other libraries in other languages: Node.js (modbus-serial, jsmodbus), pyModbusTCP.

Every register encodes its address and the number of its request, so a word from another place or of another request
cannot pass (libmodbus: test_field_link.py, test_outstation_server.py).
"""

import asyncio
import random
import struct
from collections import Counter
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import numpy as np
import pytest

from brakewater.field.link import Answer, Link, Read, Table
from brakewater.field.outstation import Outstation
from brakewater.quality import Status
from brakewater.record.reader import Record
from brakewater.stream import Block, Picture
from brokers import until
from daemons import daemon, small_rig
from faults import node_peers, python_peer
from faults.fault_server import bit, word
from field_rigs import run
from plc_parts import outstation
from rig_parts import demo_rig, picture

pytestmark = pytest.mark.integration

HOST = "127.0.0.1"
PATIENT_S = 30.0
Device = Callable[..., AbstractContextManager[int]]
DEVICES: dict[str, Device] = {"modbus-serial": node_peers.device, "pyModbusTCP": python_peer.device}
each = pytest.mark.parametrize("device", DEVICES.values(), ids=DEVICES.keys())


def genuine(read: Read, answer: Answer) -> int:
    """Every word is of the address asked for and all are of one request; gives its number, 0 where that cannot show."""
    assert answer.status == Status.OK
    addresses = range(read.address, read.address + read.count)
    if read.table.is_bits:
        assert answer.words == tuple(bit(at) for at in addresses)
        return 0
    number = next((words for at, words in zip(addresses, answer.words, strict=True) if at % 2), 0)
    assert answer.words == tuple(word(at, number) for at in addresses)
    return number


@each
@pytest.mark.parametrize("table", Table)
def test_every_table_and_the_refusal_beyond_the_last_register(device: Device, table: Table) -> None:
    async def test(port: int) -> None:
        link = Link(host=HOST, port=port, timeout_s=PATIENT_S)
        for address, count in ((0, 2), (7, 1), (101, 125), (9990, 10)):
            read = Read(unit=17, table=table, address=address, count=count)
            genuine(read, await link.read(read))
        if not table.is_bits:
            beyond = await link.read(Read(unit=17, table=table, address=9999, count=2))
            # modbus-serial says 4, device failure, where an input register's callback refuses with 2.
            assert (beyond.status - Status.EXCEPTION in (2, 4), beyond.words) == (True, ())
        assert (link.connects, link.connected) == (1, True)
        await link.close()

    with device() as port:
        asyncio.run(test(port))


@each
def test_300_reads_each_of_its_own_request(device: Device) -> None:
    async def test(port: int) -> None:
        link = Link(host=HOST, port=port, timeout_s=PATIENT_S)
        pick = random.Random(5)
        for number in range(1, 301):
            table = pick.choice((Table.INPUT, Table.HOLDING))
            read = Read(unit=1, table=table, address=pick.randrange(9000), count=pick.randrange(2, 126))
            assert genuine(read, await link.read(read)) == number
        assert link.by_status == Counter({0: 300})
        await link.close()

    with device() as port:
        asyncio.run(test(port))


@each
def test_late_answers_are_never_taken(device: Device) -> None:
    async def test(port: int) -> None:
        link, last, seen = Link(host=HOST, port=port, timeout_s=0.06), 0, Counter[int]()
        for turn in range(24):
            read = Read(unit=1, table=Table.HOLDING, address=(100, 200)[turn % 2], count=10)
            answer = await link.read(read)
            seen[answer.status] += 1
            if answer.status == Status.OK:
                number = genuine(read, answer)
                assert number > last
                last = number
        assert set(seen) <= {Status.OK, Status.SILENT, Status.SLOW}
        assert min(seen[Status.OK], seen[Status.SILENT] + seen[Status.SLOW]) >= 4
        await link.close()

    with device(delay_ms=100, every=4) as port:
        asyncio.run(test(port))


def test_the_whole_watch_on_a_node_device(tmp_path: Path) -> None:
    """Registers 0 to 3 there hold 0, the request's number, 2 and that number: each recorded scan is of one answer."""
    record = tmp_path / "record"
    with node_peers.device() as port, daemon(small_rig(tmp_path / "rig.toml", device=port), record) as one:
        until(lambda: "aux.cooling-lost" in one.states() and one.status()["input"] >= 10)
        assert one.status()["devices"]["plc1"]["answers"].keys() == {"ok"}
        assert one.end() == 0
    words = np.concatenate([item.words[:, :4] for item in Record(record).inputs() if isinstance(item, Block)])
    assert (words[:, 0] == 0).all()
    assert (words[:, 2] == 2).all()
    assert (words[:, 1] == words[:, 3]).all()
    assert len(words) > 5
    assert (np.diff(words[:, 1].astype(int)) > 0).all()


async def beat(station: Outstation, shown: Picture) -> None:
    """As the loop does: without new pictures the values would soon be shown as bad."""
    while True:
        station.show(shown)
        await asyncio.sleep(0.05)


def test_a_node_plc_reads_the_outstation_and_presses_acknowledge() -> None:
    async def test() -> None:
        async with outstation('actor = "plc-panel"\n') as (station, port, door):
            shown = picture(demo_rig(), {"aux.brake-level-high": "unacknowledged"}, number=70_001)
            beating = asyncio.create_task(beat(station, shown))

            async def ask(what: str, address: int, last: int, unit: int = 1) -> object:
                found = await asyncio.to_thread(node_peers.asked, port, what, address, last, unit)
                return found.get("values", found)

            head = await ask("holding", 0, 100)
            assert isinstance(head, list)
            assert head[0] == head[99] == 70_001 & 0xFFFF
            assert head[16:21] == [1, 0, 2, 0, 0]
            flow = await ask("input", 206, 2)
            assert isinstance(flow, list)
            assert struct.unpack(">f", struct.pack(">2H", *flow))[0] == pytest.approx(61.2, rel=1e-6)
            assert await ask("discrete", 128, 8) == [0, 0, 0, 0, 0, 0, 0, 1]
            assert await ask("holding", 319, 2) == {"exception": 2}
            assert await ask("hold", 0, 7) == {"exception": 1}
            await ask("press", 0, 1)
            assert await ask("coil", 0, 4) in ([1, 0, 0, 0], [0, 0, 0, 0])  # released by itself in a while
            assert [(request.do, request.actor) for request in door.asked] == [("acknowledge", "plc-panel")]
            beating.cancel()
            await asyncio.gather(beating, return_exceptions=True)

    run(test())
