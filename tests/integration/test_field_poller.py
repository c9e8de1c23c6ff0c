"""The poller against foreign devices (libmodbus), dead ones and ones that misbehave."""

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import aclosing
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from statistics import median

import pytest

from brakewater.field import poller
from brakewater.field.own import OwnDevice
from brakewater.field.polled import PATIENCE
from brakewater.field.poller import PolledSource
from brakewater.quality import Status
from brakewater.rig import Point, Rig, Table
from brakewater.signals.words import RegisterKind
from brakewater.stream import Sample
from faults.fault_server import Fault, FaultServer, bit
from field_rigs import built, device, foreign, free_port, point, rig, run, until

pytestmark = pytest.mark.integration

PATIENT_S = 5.0  # a timeout that must not pass
FOREVER = 10_000


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built(tmp_path_factory.mktemp("device"))


@dataclass(frozen=True, slots=True)
class Seen:
    """One sample, by point."""

    words: dict[str, list[int]]
    status: dict[str, int]
    age_ns: dict[str, int]

    def of(self, name: str) -> set[int]:
        """Statuses of a device's points."""
        return {status for point_name, status in self.status.items() if point_name.startswith(f"{name}-")}


def seen(of: Rig, sample: Sample) -> Seen:
    numbers = memoryview(sample.words).cast("H").tolist()
    assert (len(numbers), len(sample.status), len(sample.age_ns)) == (of.words, len(of.points), len(of.device_names))
    return Seen(
        words={slot.point.name: numbers[slot.column :][: slot.point.count] for slot in of.slots},
        status={slot.point.name: sample.status[slot.index] for slot in of.slots},
        age_ns=dict(zip(of.device_names, sample.age_ns, strict=True)),
    )


def polled(of: Rig, period_s: float) -> PolledSource:
    return PolledSource(of, OwnDevice(of, {"self.queued": lambda: 70_000}), period_s=period_s)


async def take(source: PolledSource, of: Rig, count: int) -> AsyncIterator[Seen]:
    """So many samples, then the source is closed."""
    try:
        async with aclosing(source.samples()) as samples:  # type: ignore[type-var]
            for _ in range(count):
                yield seen(of, await anext(samples))
    finally:
        await source.close()


def assert_genuine(points: Sequence[Point], sample: Seen) -> list[int]:
    """Words of points that were read are of their addresses, all others 0; returns the request numbers seen."""
    numbers = set()
    for one in points:
        words, addresses = sample.words[one.name], range(one.address, one.address + one.count)
        if sample.status[one.name] != Status.OK:
            assert words == [0] * one.count
        elif one.table.is_bits:
            assert words == [bit(a) for a in addresses]
        else:
            assert [w for w, a in zip(words, addresses, strict=True) if a % 2 == 0] == [
                a for a in addresses if not a % 2
            ]
            numbers |= {w for w, a in zip(words, addresses, strict=True) if a % 2}
    return sorted(numbers)


def spread(name: str) -> list[Point]:
    """Points that take five reads: three of registers, two of bits, in no order."""
    return [
        point(name, 4001, kind=RegisterKind.FLOAT64),
        point(name, 11, table=Table.HOLDING, kind=RegisterKind.UINT32),
        point(name, 3),
        point(name, 4000),
        point(name, 6, kind=RegisterKind.FLOAT32),
        point(name, 900, table=Table.COIL),
        point(name, 905, table=Table.COIL),
        point(name, 1, table=Table.DISCRETE),
    ]


# ---- a foreign device: no reading of another address, none older than it says


def test_no_word_is_of_another_address_or_an_earlier_scan(program: Path) -> None:
    async def test(port: int) -> None:
        points = spread("plc1")
        of = rig([device("plc1", port, timeout_s=PATIENT_S)], points)
        before = 0
        async for sample in take(polled(of, 0), of, 200):
            assert set(sample.status.values()) == {Status.OK}
            assert sample.words["self.queued"] == [1, 70_000 - 65_536]
            numbers = assert_genuine(points, sample)
            assert len(numbers) == 3  # one a read of registers
            assert before < numbers[0]
            assert numbers[-1] <= before + 5  # all of this scan's five requests
            before += 5

    with foreign(program) as port:
        run(test(port))


def test_an_age_is_never_less_than_the_answer_was_held_back(program: Path) -> None:
    held_ms, every = 15, 7

    async def test(port: int) -> None:
        points = spread("plc1")
        of = rig([device("plc1", port, timeout_s=PATIENT_S)], points)
        late = 0
        async for sample in take(polled(of, 0), of, 40):
            if any(number % every == 0 for number in assert_genuine(points, sample)):
                late += 1
                assert sample.age_ns["plc1"] >= held_ms * 1_000_000
            assert sample.age_ns["self"] == 0
        assert late > 5

    with foreign(program, delay_ms=held_ms, every=every) as port:
        run(test(port))


def test_an_age_reaches_back_to_before_the_first_question_came(monkeypatch: pytest.MonkeyPatch) -> None:
    closed: list[int] = []

    def now() -> int:
        closed.append(time.monotonic_ns())
        return closed[-1]

    monkeypatch.setattr(poller, "monotonic_ns", now)

    class Timed(FaultServer):
        """Notes when each question came."""

        came: list[int]

        async def _misbehave(self, *args: object) -> bool:
            self.came.append(time.monotonic_ns())
            return await super()._misbehave(*args)  # type: ignore[arg-type]

    async def test() -> None:
        async with Timed() as server:
            server.came = []
            server.script.extend([Fault(), Fault("late", 0.02)] * 5)
            of = rig([device("plc1", server.port, timeout_s=PATIENT_S)], [point("plc1", 1), point("plc1", 501)])
            async for sample in take(polled(of, 0), of, 10):
                assert sample.of("plc1") == {Status.OK}
                numbers = [sample.words[f"plc1-input-{address}"][0] for address in (1, 501)]
                assert closed[-1] - sample.age_ns["plc1"] <= server.came[numbers[0] - 1] < server.came[numbers[1] - 1]

    run(test())


def test_late_answers_are_never_taken(program: Path) -> None:
    async def test(port: int) -> None:
        points = [point("plc1", 1), point("plc1", 2), point("plc1", 401), point("plc1", 402)]
        of = rig([device("plc1", port, timeout_s=0.04)], points)
        before, good, bad = 0, 0, 0
        async for sample in take(polled(of, 0.05), of, 30):
            numbers = assert_genuine(points, sample)
            assert all(number > before for number in numbers)
            before = max([before, *numbers])
            good, bad = good + (sample.of("plc1") == {Status.OK}), bad + (len(numbers) < 2)
            assert sample.of("plc1") <= {Status.OK, Status.SILENT, Status.SLOW}
        assert good >= 5
        assert bad >= 5

    with foreign(program, delay_ms=60, every=6) as port:
        run(test(port))


# ---- cadence


def test_the_cadence_does_not_drift(program: Path) -> None:
    period_s, ticks = 0.02, 75

    async def test(port: int) -> None:
        of = rig([device("plc1", port, timeout_s=PATIENT_S)], [point("plc1", 1)])
        source, errors = polled(of, period_s), []
        began = time.monotonic()
        async for sample in take(source, of, ticks):
            tick = len(errors) + source.skipped
            errors.append(time.monotonic() - began - tick * period_s)
            assert sample.of("plc1") == {Status.OK}
        # Every answer takes 5 ms: pauses of one period would have run 250 ms late from the first third to the last.
        # The least late tick of each: a busy machine makes some late, a drift makes all.
        assert min(errors[-25:]) - min(errors[:25]) < 5 * period_s

    with foreign(program, delay_ms=5) as port:
        run(test(port))


def test_ticks_that_cannot_be_met_are_skipped_and_counted() -> None:
    period_s = 0.05

    async def test() -> None:
        of = rig([], [])
        source, began = polled(of, period_s), time.monotonic()
        times = []
        async for _ in take(source, of, 8):
            times.append(time.monotonic() - began)
            if len(times) == 3:
                time.sleep(5.5 * period_s)  # noqa: ASYNC251 the whole process hangs
                assert source.skipped == 0
            if len(times) == 4:
                assert source.skipped >= 4
                assert source.lateness_ns > 0
        assert times[-1] + 1e-3 >= (7 + source.skipped) * period_s  # none was made up for

    run(test())


def test_without_a_cadence_nothing_is_late(program: Path) -> None:
    async def test(port: int) -> None:
        of = rig([device("plc1", port, timeout_s=PATIENT_S)], [point("plc1", 1)])
        source, began = polled(of, 0), time.monotonic_ns()
        lateness = [source.lateness_ns async for _ in take(source, of, 50)]
        assert max(lateness) < (time.monotonic_ns() - began) / 2  # it grew from the first scan on
        assert source.skipped == 0

    with foreign(program) as port:
        run(test(port))


# ---- dead devices


@dataclass
class Tick:
    """A sample and how long its scan took."""

    sample: Seen
    took_s: float


async def timed(source: PolledSource, of: Rig, period_s: float, count: int) -> AsyncIterator[Tick]:
    began, number = time.monotonic(), 0
    async with aclosing(take(source, of, count)) as samples:  # type: ignore[type-var]
        async for sample in samples:
            yield Tick(sample, time.monotonic() - began - (number + source.skipped) * period_s)
            number += 1


def test_dead_devices_hold_up_nobody_and_join_again(program: Path) -> None:
    period_s, timeout_s = 0.1, 0.09

    async def test(ports: tuple[int, int]) -> None:
        refused = FaultServer()
        refused.port = free_port()
        async with FaultServer() as silent:
            silent.script.extend([Fault("silent")] * FOREVER)
            where = {"one": ports[0], "silent": silent.port, "refused": refused.port, "two": ports[1]}
            of = rig(
                [device(name, port, timeout_s=timeout_s) for name, port in where.items()],
                [point(name, 2 * k + 1) for name in where for k in range(3)],
            )
            source, ticks = polled(of, period_s), []
            async with aclosing(timed(source, of, period_s, 80)) as samples:  # type: ignore[type-var]
                async for tick in samples:
                    ticks.append(tick)
                    if len(ticks) == 14:
                        silent.script.clear()
                        await refused.start()
                    if tick.sample.of("silent") == tick.sample.of("refused") == {Status.OK}:
                        break
            await source.close()
            await refused.stop()
        check_living(ticks)
        dead = ticks[:14]
        assert [tick.sample.of("silent") for tick in dead] == [{Status.SILENT}] * 14
        assert [tick.sample.of("refused") for tick in dead] == [{Status.REFUSED}] * 14  # also while waiting to connect
        assert all(set(tick.sample.words[f"silent-input-{a}"]) == {0} for tick in dead for a in (1, 3, 5))
        assert median(tick.took_s for tick in dead[:PATIENCE]) > timeout_s / 2
        assert median(tick.took_s for tick in dead[PATIENCE:]) < timeout_s / 2
        assert ticks[-1].sample.of("silent") == ticks[-1].sample.of("refused") == {Status.OK}

    with foreign(program) as one, foreign(program) as two:
        run(test((one, two)))


def check_living(ticks: list[Tick]) -> None:
    """Both were asked once on every tick, and answered."""
    for name in ("one", "two"):
        assert all(tick.sample.of(name) == {Status.OK} for tick in ticks)
        numbers = [tick.sample.words[f"{name}-input-1"][0] for tick in ticks]
        assert all(b - a == 1 for a, b in pairwise(numbers))


def test_all_silent_gives_a_sample_a_tick() -> None:
    period_s = 0.05

    async def test() -> None:
        async with FaultServer() as server:
            server.script.extend([Fault("silent")] * FOREVER)
            of = rig(
                [device(name, server.port, timeout_s=0.04) for name in ("a", "b")],
                [point(name, address) for name in ("a", "b") for address in (1, 501)],
            )
            ticks = [tick async for tick in timed(polled(of, period_s), of, period_s, 12)]
        assert all(tick.sample.of(name) == {Status.SILENT} for tick in ticks for name in ("a", "b"))
        assert all(tick.sample.words["self.queued"] == [1, 70_000 - 65_536] for tick in ticks)
        assert all(tick.sample.status["self.queued"] == Status.OK for tick in ticks)
        assert median(tick.took_s for tick in ticks[PATIENCE:]) < 0.02

    run(test())


@pytest.mark.parametrize("period_s", [0.0, 0.01])
def test_a_device_without_points_holds_up_nobody(period_s: float) -> None:
    async def test() -> None:
        of = rig([device("idle", free_port())], [])
        source, samples = polled(of, period_s), []

        async def taking() -> None:
            async for sample in source.samples():
                samples.append(seen(of, sample))  # noqa: PERF401 it is looked at on the way

        task = asyncio.create_task(taking())
        await asyncio.sleep(0.1)  # came never back while such a source never waited
        assert len(samples) > 1
        assert samples[-1].age_ns == {"idle": 0, "self": 0}
        await source.close()
        await task

    run(test())


# ---- faults of one read


def test_a_refusal_of_one_read_is_of_its_points_alone(program: Path) -> None:
    async def test(port: int) -> None:
        points = [point("plc1", 9990), point("plc1", 9993), point("plc1", 10_050), point("plc1", 10_051)]
        of = rig([device("plc1", port, timeout_s=PATIENT_S)], points)
        async for sample in take(polled(of, 0), of, 20):
            assert [sample.status[one.name] for one in points] == [0, 0, 0x82, 0x82]
            assert len(assert_genuine(points, sample)) == 1

    with foreign(program) as port:
        run(test(port))


def test_a_device_that_only_refuses_is_waited_for(program: Path) -> None:
    async def test(port: int) -> None:
        of = rig([device("plc1", port, timeout_s=PATIENT_S)], [point("plc1", 10_050)])
        source = polled(of, 0)
        async for sample in take(source, of, 3 * PATIENCE):
            assert sample.of("plc1") == {0x82}
        assert source.links["plc1"].requests == 3 * PATIENCE

    with foreign(program) as port:
        run(test(port))


@pytest.mark.parametrize("code", [10, 11])
def test_what_a_gateway_answers_for_the_dead_behind_it_holds_up_nobody(code: int) -> None:
    """Else each dead unit would cost the others its gateway's patience in every scan, for ever."""
    period_s, patience_s = 0.1, 0.05

    async def test() -> None:
        async with FaultServer() as server:
            server.nobody = {unit: Fault(str(code), patience_s) for unit in (2, 3, 4)}
            units = [device(f"u{unit}", server.port).model_copy(update={"unit": unit}) for unit in (1, 2, 3, 4)]
            of = rig(units, [point(one.name, 1) for one in units])
            source, ticks = polled(of, period_s), []
            async with aclosing(timed(source, of, period_s, 120)) as samples:  # type: ignore[type-var]
                async for tick in samples:
                    ticks.append(tick)
                    if len(ticks) == 20:
                        server.nobody.clear()
                    if tick.sample.of("u2") == tick.sample.of("u3") == tick.sample.of("u4") == {Status.OK}:
                        break
        dead = ticks[:20]
        assert all(tick.sample.of(f"u{unit}") == {Status.EXCEPTION | code} for tick in dead for unit in (2, 3, 4))
        assert median(tick.took_s for tick in dead[:PATIENCE]) > 3 * patience_s
        assert median(tick.took_s for tick in dead[PATIENCE:]) < patience_s
        assert all(tick.sample.of("u1") == {Status.OK} for tick in ticks)
        assert len(ticks) < 120  # each is back, two seconds after the other

    run(test())


TWO_READS = [
    (("silent",), [Status.SILENT, Status.SILENT]),  # no time is left for the second
    ((None, "silent"), [Status.OK, Status.SILENT]),
    (("short",), [Status.SHORT, Status.OK]),
    ((None, "transaction-0"), [Status.OK, Status.MISMATCH]),
    ((None, "reset"), [Status.OK, Status.OK]),  # asked once more
    (("exception",), [0x80 | 2, Status.OK]),
]


@pytest.mark.parametrize(("faults", "statuses"), TWO_READS, ids=lambda case: "-".join(map(str, case)))
def test_a_fault_of_one_read(faults: tuple[str | None, ...], statuses: list[int]) -> None:
    async def test() -> None:
        async with FaultServer() as server:
            of = rig([device("plc1", server.port, timeout_s=0.2)], [point("plc1", 2), point("plc1", 502)])
            server.script.extend([Fault(), Fault()] + [Fault(kind or "normal", 2) for kind in faults])
            told = [sample async for sample in take(polled(of, 0), of, 3)]
        names = ["plc1-input-2", "plc1-input-502"]
        assert [[sample.status[name] for name in names] for sample in told] == [[0, 0], statuses, [0, 0]]
        for sample in told:
            assert_genuine(of.points[:2], sample)

    run(test())


@pytest.mark.parametrize("address", [2, 502, 1002])
def test_what_a_device_never_answers_takes_its_other_readings_with_it_once(address: int) -> None:
    async def test() -> None:
        async with FaultServer() as server:
            of = rig([device("plc1", server.port, timeout_s=0.2)], [point("plc1", at) for at in (2, 502, 1002)])
            server.mute = {address}
            source = polled(of, 0)
            told = [sample async for sample in take(source, of, 8)]
        names = [f"plc1-input-{at}" for at in (2, 502, 1002) if at != address]
        for sample in told[1:]:
            assert_genuine(of.points[:3], sample)
            assert [sample.status[name] for name in names] == [Status.OK, Status.OK]
            assert sample.status[f"plc1-input-{address}"] == Status.SILENT

    run(test())


def test_a_lost_device_that_answers_anything_again_is_back() -> None:
    async def test() -> None:
        async with FaultServer() as server:
            of = rig([device("plc1", server.port, timeout_s=0.1)], [point("plc1", at) for at in (2, 502)])
            server.mute = range(1 << 16)
            source = polled(of, 0.05)
            async with asyncio.timeout(20), aclosing(take(source, of, 10_000)) as samples:  # type: ignore[type-var]
                async for sample in samples:
                    if not any(one.expected for line in source._lines for one in line.devices):
                        server.mute = {2}  # another device in its place, which does not know this one
                    if sample.status["plc1-input-502"] == Status.OK:
                        break
            assert sample.status["plc1-input-2"] == Status.SILENT

    run(test())


# ---- leaving


def with_silent(use: Callable[[PolledSource, FaultServer], object], names: Sequence[str]) -> None:
    """Run a use of a source whose devices never answer in time."""

    async def test() -> None:
        async with FaultServer() as server:
            server.script.extend([Fault("silent")] * FOREVER)
            of = rig([device(name, server.port, timeout_s=PATIENT_S) for name in names], [point(n, 1) for n in names])
            await use(polled(of, 0.01), server)  # type: ignore[misc]
            await until(lambda: len(asyncio.all_tasks()) <= 1 + len(server._tasks))

    run(test())


@pytest.fixture(params=[1, 2], ids=["one", "two"])
def names(request: pytest.FixtureRequest) -> list[str]:
    return ["a", "b"][: request.param]


def test_closing_in_mid_scan_ends_the_samples(names: list[str]) -> None:
    async def use(source: PolledSource, server: FaultServer) -> None:
        async def taking() -> list[Sample]:
            return [sample async for sample in source.samples()]

        task = asyncio.create_task(taking())
        await until(lambda: server.number == len(names))
        await source.close()
        assert await asyncio.wait_for(task, PATIENT_S / 2) == []  # our hanging up is no sample of the devices

    with_silent(use, names)


def test_a_cancel_in_mid_scan_passes(names: list[str]) -> None:
    async def use(source: PolledSource, server: FaultServer) -> None:
        task = asyncio.create_task(anext(source.samples()))  # type: ignore[arg-type]
        await until(lambda: server.number == len(names))
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        await source.close()

    with_silent(use, names)


def test_closing_ends_the_asking_in_the_background() -> None:
    async def test() -> None:
        async with FaultServer() as server:
            server.script.extend([Fault("silent")] * FOREVER)
            of = rig([device("a", server.port, timeout_s=0.02)], [point("a", 1)])
            source, asked = polled(of, 0.03), 0
            async for _ in take(source, of, PATIENCE + 3):
                asked += 1
            assert not any(task.get_name().startswith("probe") for task in asyncio.all_tasks())

    run(test())
