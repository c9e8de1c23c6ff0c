"""The poller over lines that devices share, slow readings, holes, and merged reads that a device refuses."""

import asyncio
from contextlib import ExitStack
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from pyModbusTCP.constants import EXP_NONE
from pyModbusTCP.server import DataBank, DataHandler, ModbusServer

from brakewater.field import group
from brakewater.field.own import OwnDevice
from brakewater.field.plan import plan
from brakewater.field.polled import PATIENCE
from brakewater.field.poller import PolledSource
from brakewater.quality import Status
from brakewater.rig import Device, Point, Rig, Table
from brakewater.stream import Sample
from faults.fault_server import Fault, FaultServer
from faults.lines import serial_line
from faults.register_server import build, slave
from faults.register_server import device as foreign
from field_rigs import HOST, free_port, point, rig, run

pytestmark = pytest.mark.integration


def made(name: str, **keys: object) -> Device:
    table = {"name": name, "timeout": "2 s", **keys}
    return Device.model_validate({key.replace("_", "-"): value for key, value in table.items()})


def slow(one: Point, every: int) -> Point:
    return replace(one, every=every)


async def samples(of: Rig, count: int, *, period_s: float = 0.02) -> list[Sample]:
    source = PolledSource(of, OwnDevice(of, {}), period_s=period_s)
    found = []
    async for sample in source.samples():
        found.append(sample)
        if len(found) == count:
            break
    await source.close()
    return found


def words(sample: Sample) -> list[int]:
    raw = sample.words
    return [int.from_bytes(raw[at : at + 2], "little") for at in range(0, len(raw), 2)]


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build(tmp_path_factory.mktemp("lines"))


def test_a_slow_reading_keeps_its_words_and_tells_its_age(program: Path) -> None:
    with foreign(program) as port:
        plc = made("plc1", host=HOST, port=port)
        fast, lazy = point("plc1", 100), slow(point("plc1", 201), 4)
        of = rig([plc], [fast, lazy])

        async def test() -> None:
            found = await samples(of, 30)
            assert [group.every for group in of.groups if group.device == "plc1"] == [1, 4]
            known = [sample for sample in found if sample.status[1] == Status.OK]
            assert len(known) > 20
            requests = [words(sample)[1] for sample in known]  # an odd address holds the number of its request
            assert requests == sorted(requests)
            assert 4 <= len(set(requests)) <= 9
            for before, after in pairwise(known):
                if words(before)[1] == words(after)[1]:
                    assert after.age_ns[1] > before.age_ns[1]
            assert max(sample.age_ns[1] for sample in known) > max(sample.age_ns[0] for sample in found[3:])
            assert all(sample.status[0] == Status.OK for sample in found)

        run(test())


def test_a_slow_group_holds_up_no_scan(program: Path) -> None:
    with foreign(program, delay_ms=150) as port:
        plc = made("plc1", host=HOST, port=port)
        of = rig([plc], [slow(point("plc1", 201), 4)])

        async def test() -> None:
            began = asyncio.get_running_loop().time()
            found = await samples(of, 20)
            assert asyncio.get_running_loop().time() - began < 20 * 0.15
            assert any(sample.status[0] == Status.OK for sample in found)

        run(test())


def test_units_of_one_serial_line_take_turns_and_a_dead_one_holds_nobody_up(program: Path, tmp_path: Path) -> None:
    with ExitStack() as stack:
        line = stack.enter_context(serial_line(tmp_path))
        stack.enter_context(slave(program, line.there, 17))
        # A libmodbus slave takes what comes within half a second of a request to another unit for that one's answer,
        # and loses its place in the bytes; the turnaround keeps the line quiet for so long.
        keys = {"transport": "rtu", "serial": str(line.here), "baud": 115200, "parity": "none", "turnaround": "600 ms"}
        here = made("rio1", unit=17, timeout="400 ms", **keys)  # a busy machine must not look like silence
        dead = made("rio2", unit=18, **{**keys, "timeout": "60 ms"})
        of = rig([here, dead], [point("rio1", 100), point("rio2", 200)])

        async def test() -> None:
            found = await samples(of, 100, period_s=0.05)
            late = found[60:]
            assert all(sample.status[1] != Status.OK for sample in found)
            good = [sample for sample in late if sample.status[0] == Status.OK]
            assert len(good) > len(late) / 2
            assert {words(sample)[0] for sample in good} == {100}

        run(test())


def test_no_read_touches_a_hole() -> None:
    plc = made("plc1", host=HOST, holes={"input": [[103, 104]]})
    of = rig([plc], [point("plc1", 100), point("plc1", 102), point("plc1", 105)])
    spans = [(one.read.address, one.read.count) for one in plan(of)[0].reads]
    assert spans == [(100, 3), (105, 1)]


@pytest.mark.parametrize("code", [2, 3, 4])
def test_a_refused_merged_read_is_asked_one_by_one_from_then_on(caplog: pytest.LogCaptureFixture, code: int) -> None:
    class Patchy(DataHandler):
        """Knows three registers and refuses whatever asks for others beside them; with a code of its own."""

        def read_i_regs(self, address: int, count: int, _: object) -> object:
            wanted = range(address, address + count)
            if not {10, 11, 14} >= set(wanted):
                return DataHandler.Return(exp_code=code)
            return DataHandler.Return(exp_code=EXP_NONE, data=[a * 3 for a in wanted])

    port = free_port()
    server = ModbusServer(HOST, port, no_block=True, data_hdl=Patchy())
    server.start()
    try:
        of = rig([made("plc1", host=HOST, port=port)], [point("plc1", 10), point("plc1", 11), point("plc1", 14)])

        async def test() -> None:
            found = await samples(of, 3)
            assert set(found[0].status[:3]) == {Status.EXCEPTION | code}
            assert set(found[1].status[:3]) == {Status.OK}
            assert words(found[2])[:3] == [30, 33, 42]

        run(test())
        assert [record.message for record in caplog.records if "one by one" in record.message]
    finally:
        server.stop()


def test_a_refusal_that_passes_splits_a_read_only_for_a_while(monkeypatch: pytest.MonkeyPatch) -> None:
    class Starting(DataBank):
        """Refuses all but single registers until it has started, and notes what it was asked for."""

        asked: list[int]
        started = False

        def get_input_registers(self, address: int, number: int = 1, *_: object) -> list[int] | None:
            self.asked.append(number)
            return [a * 3 for a in range(address, address + number)] if self.started or number == 1 else None

    monkeypatch.setattr(group, "FIRST_TRIAL_S", 0.1)
    bank = Starting()
    bank.asked = []
    port = free_port()
    server = ModbusServer(HOST, port, no_block=True, data_bank=bank)
    server.start()
    try:
        of = rig([made("plc1", host=HOST, port=port)], [point("plc1", 10), point("plc1", 11)])

        async def test() -> None:
            source = PolledSource(of, OwnDevice(of, {}), period_s=0.02)
            number = 0
            async for sample in source.samples():
                number += 1
                if number > 1:  # the first meets the refusal; no trial shows
                    assert set(sample.status[:2]) == {Status.OK}
                    assert words(sample)[:2] == [30, 33]
                if not bank.started and bank.asked.count(2) == 2:  # refused in a trial too
                    bank.started = True
                if bank.asked[-3:] == [2, 2, 2]:
                    break
                assert number < 1000
            await source.close()

        run(test())
    finally:
        server.stop()


def test_a_device_whose_requests_take_longer_than_its_timeout_together_is_called_slow() -> None:
    """It answers each: whoever reads "no answer" would look for a cable."""

    async def test() -> None:
        async with FaultServer() as server:
            server.script.extend([Fault("late", 0.6)] * 100)
            of = rig(
                [made("plc1", host=HOST, port=server.port, timeout="1 s", gap=0)],
                [point("plc1", 10), point("plc1", 30), point("plc1", 50)],
            )
            found = [sample.status[:3] for sample in await samples(of, 4)]
            assert all(Status.SLOW in row and Status.OK in row for row in found[1:])
            assert not any(Status.SILENT in row for row in found)

    run(test())


def test_trials_of_a_refused_read_grow_rare() -> None:
    of = rig([made("plc1", host=HOST)], [point("plc1", 10), point("plc1", 11)])
    (whole,) = plan(of)[0].reads
    one = group.Group(1, [whole])
    one.split(whole, 0.0)
    assert [planned.read.count for planned, _ in one.reads] == [1, 1]
    now, pauses = 0.0, []
    for _ in range(9):
        split = one.to_try(now + 1e6)
        assert split is not None
        assert one.to_try(split.at - 0.001) is None
        pauses.append(split.at - now)
        now = split.at
        split.refused(now)
    assert pauses == [10, 20, 40, 80, 160, 320, 600, 600, 600]
    one.join(split)
    assert [planned for planned, _ in one.reads] == [whole]
    assert one.to_try(1e9) is None


def test_two_devices_behind_one_gateway_share_its_connection(program: Path) -> None:
    with foreign(program) as port:
        of = rig(
            [made("plc1", host=HOST, port=port, unit=1), made("plc2", host=HOST, port=port, unit=2)],
            [point("plc1", 100), point("plc2", 300)],
        )

        async def test() -> None:
            source = PolledSource(of, OwnDevice(of, {}), period_s=0.02)
            assert source.links["plc1"] is source.links["plc2"]
            async for sample in source.samples():
                assert words(sample)[:2] == [100, 300]
                break
            await source.close()
            await asyncio.sleep(0)

        run(test())


def test_each_device_behind_a_gateway_is_told_of_by_its_own_answers() -> None:
    """What one of them does wrong is not said of the others; that their line broke over it is."""

    async def test() -> None:
        async with FaultServer() as server:
            server.faulty[2] = Fault("other-transaction")
            of = rig(
                [made("plc1", host=HOST, port=server.port, unit=1), made("plc2", host=HOST, port=server.port, unit=2)],
                [point("plc1", 100), point("plc2", 300)],
            )
            source = PolledSource(of, OwnDevice(of, {}), period_s=0.02)
            count = 0
            async for _ in source.samples():
                count += 1
                if count == 10:
                    break
            one, other = source.asked["plc1"], source.asked["plc2"]
            await source.close()
            assert set(one.by_status) <= {Status.OK, Status.ABSENT}
            assert one.by_status[Status.OK] >= 5
            assert one.trouble in ("", "its line broke over unit 2: answer to another request")
            assert Status.OK not in other.by_status
            assert other.by_status[Status.MISMATCH] >= PATIENCE
            assert other.trouble == "answer to another request"
            assert one.requests + other.requests == source.links["plc1"].requests
            assert other.requests >= PATIENCE

    run(test())


def test_neighbouring_requests_of_a_serial_line_differ_in_length_where_they_can() -> None:
    keys = {"transport": "rtu", "serial": "/dev/null", "gap": 0}
    addresses = [0, 10, 20, 21, 30, 31]
    of = rig([made("rio1", **keys)], [point("rio1", address) for address in addresses])
    assert [one.read.count for one in plan(of)[0].reads] in ([2, 1, 2, 1], [1, 2, 1, 2])
    assert Table.INPUT is plan(of)[0].reads[0].read.table
