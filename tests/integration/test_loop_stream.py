"""The loop with real journal and engine: order, identity, blocks, answers, outputs; and what a defect does."""

import asyncio
import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from brakewater.engine import Engine
from brakewater.loop import Loop
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.record.verify import verify
from brakewater.review.replay import Tally, compare, replayed
from brakewater.stream import Answer, Block, Command, Event, Gap, Input, Outcome, Picture, Request, Sample, Start
from field_rigs import Played, SteppedClock, run, samples_of, until
from streams import GPM, demo, scans

pytestmark = pytest.mark.integration

RIG = demo()
KEPT = Path(__file__).parents[1] / "records"
CALM = samples_of(scans(RIG, 1))[0]
DRY = samples_of(scans(RIG, 1, values={"aux-flow": 0.0}))[0]
TICK_NS = 200_000_000


class Noted(Journal):
    """A journal that notes what it is given at once."""

    def __init__(self, folder: Path) -> None:
        self.given: list[tuple[Input, tuple[Event, ...]]] = []
        super().__init__(folder, bound=10**6)

    def append(self, item: Block | Command | Gap, events: tuple[Event, ...] = ()) -> None:
        self.given.append((item, events))
        super().append(item, events)


class Shown:
    """An output that keeps every picture."""

    def __init__(self) -> None:
        self.pictures: list[Picture] = []

    def show(self, picture: Picture) -> None:
        self.pictures.append(picture)


class Parts:
    """A loop with its parts, begun."""

    def __init__(self, folder: Path, *also: Any) -> None:
        self.engine, self.journal, self.clock, self.shown = Engine(), Noted(folder), SteppedClock(), Shown()
        self.loop = Loop(
            engine=self.engine,
            journal=self.journal,
            clock=self.clock,
            latest=(*also, self.shown),
            again=lambda _: pytest.fail("nothing was lost"),
        )
        self.loop.begin(Start(run=1, t_ns=0, utc_ns=0, boot="test@0", version="0", rig_toml=RIG.text, own=RIG.own))

    def ask(self, number: int, do: str = "acknowledge", **args: Any) -> "asyncio.Future[Answer]":
        return self.loop.ask(Request(id=f"c{number}", actor="driller", do=do, args=args or {"alarm": "all"}))

    async def settled(self) -> None:
        """Wait until every input had its turn."""
        await until(lambda: not self.loop._scheduled)


@pytest.fixture
def parts(tmp_path: Path) -> Iterator[Parts]:
    made = Parts(tmp_path)
    yield made
    made.journal.close()


def numbers(item: Input) -> list[int]:
    return item.input.tolist() if isinstance(item, Block) else [item.input]


def times(item: Input) -> list[int]:
    return item.t_ns.tolist() if isinstance(item, Block) else [item.t_ns]


def marked(number: int) -> Sample:
    """A sample that tells its number in its first word."""
    return Sample(words=number.to_bytes(2, "little") + CALM.words[2:], status=CALM.status, age_ns=CALM.age_ns)


# ---- order and identity


def test_every_input_once_in_order_though_the_clock_steps_back(parts: Parts, tmp_path: Path) -> None:
    chance, asked = random.Random(5), dict[int, "asyncio.Future[Answer]"]()
    admitted: list[int | str] = []

    async def before(number: int) -> None:
        parts.clock.t_ns += chance.choice((TICK_NS, TICK_NS, 0, -3 * TICK_NS))
        for _ in range(chance.choice((0, 0, 0, 1, 2))):
            asked[len(asked)] = parts.ask(len(asked))
            admitted.append(f"c{len(asked) - 1}")
        admitted.append(number)
        if chance.random() < 0.2:
            await asyncio.sleep(chance.choice((0, 0.001, 0.021)))

    async def test() -> None:
        await parts.loop.watch(Played(map(marked, range(600)), before))
        await parts.settled()
        assert all(future.done() and future.result().id == f"c{k}" for k, future in asked.items())

    run(test())
    parts.journal.close()
    found = list(Record(tmp_path).inputs())
    assert [n for item in found for n in numbers(item)] == list(range(1 + len(admitted)))
    stamps = [t for item in found for t in times(item)]
    assert stamps == sorted(stamps)
    told: list[int | str] = []
    for item in found[1:]:
        told += item.words[:, 0].tolist() if isinstance(item, Block) else [item.request.id]  # type: ignore[union-attr]
    assert told == admitted
    assert len(asked) > 100


def test_a_start_is_never_before_the_last_input(parts: Parts) -> None:
    async def test() -> None:
        parts.clock.t_ns = 50 * TICK_NS
        await parts.loop.watch(Played([CALM] * 3))
        await parts.settled()
        parts.clock.t_ns = 0
        parts.loop.begin(Start(run=2, t_ns=0, utc_ns=0, boot="test@0", version="0", rig_toml=RIG.text, own=RIG.own))
        assert parts.engine.picture().t_ns >= 50 * TICK_NS

    run(test())


def test_what_an_older_version_left_that_does_not_go_on_is_told(parts: Parts, caplog: pytest.LogCaptureFixture) -> None:
    old = next(item for item in Record(KEPT / "1-before-layouts").others(2) if isinstance(item, Start))
    parts.loop.begin(replace(old, own=None))
    (told,) = (one.message for one in caplog.records if "begin anew" in one.message)
    assert told.startswith("brake aux: energy, forecasts and what else is worked out once a second")
    assert {one.alarm for one in parts.engine.alarms() if one.state == "acknowledged"} >= {"cooling-lost"}


# ---- blocks


def test_what_waits_becomes_one_block(parts: Parts) -> None:
    async def test() -> None:
        await parts.loop.watch(Played([CALM] * 500))  # never hands over, so all of it waits
        await parts.settled()

    run(test())
    assert [len(item) for item, _ in parts.journal.given if isinstance(item, Block)] == [1, 499]  # the first at once


def test_an_idle_loop_takes_each_sample_at_once(parts: Parts) -> None:
    async def before(number: int) -> None:
        await until(lambda: len(parts.shown.pictures) == number)
        await asyncio.sleep(0.021)

    async def test() -> None:
        await parts.loop.watch(Played([CALM] * 10, before))
        await parts.settled()

    run(test())
    assert [len(item) for item, _ in parts.journal.given if isinstance(item, Block)] == [1] * 10


def test_a_command_cuts_the_block(parts: Parts) -> None:
    async def before(number: int) -> None:
        if number == 7:
            parts.ask(1)

    async def test() -> None:
        await parts.loop.watch(Played([CALM] * 10, before))
        await parts.settled()

    run(test())
    assert [numbers(item) for item, _ in parts.journal.given] == [[1], [*range(2, 8)], [8], [*range(9, 12)]]


# ---- events, answers, outputs


async def ticking(parts: Parts) -> None:
    parts.clock.t_ns += TICK_NS
    await asyncio.sleep(0.001)


def test_items_come_with_their_events_and_replay_to_the_same(parts: Parts, tmp_path: Path) -> None:
    async def before(number: int) -> None:
        await ticking(parts)
        if number == 60:
            await parts.settled()
            answer = await parts.ask(1, alarm="aux.cooling-lost")
            assert answer.ok, answer.says

    async def test() -> None:
        await parts.loop.watch(Played([CALM] * 20 + [DRY] * 50 + [CALM] * 80, before))
        await parts.settled()

    run(test())
    parts.journal.close()
    given = [(item, events) for item, events in parts.journal.given if events]
    assert all({event.input for event in events} <= set(numbers(item)) for item, events in given)
    moves = [(event.alarm, event.now) for _, events in given for event in events]
    assert ("cooling-lost", "acknowledged") in moves
    assert moves.count(("cooling-lost", "normal")) == 1
    assert [one.event for one in Record(tmp_path).events()] == [event for _, events in given for event in events]
    assert verify(tmp_path).verdict == "consistent"
    assert_identical(tmp_path)


def assert_identical(folder: Path) -> list[Event]:
    tally = Tally()
    events = [event for _, outcome in replayed(Record(folder), Engine(), tally) for event in outcome.events]
    found = compare(Record(folder), events, tally)
    assert (found.differences, found.not_comparable) == ([], [])
    return events


def test_an_answer_comes_after_its_input_is_in_the_journal(parts: Parts) -> None:
    async def test() -> None:
        answer = await parts.ask(1, do="dance")
        assert (answer.ok, answer.id) == (False, "c1")
        assert [numbers(item) for item, _ in parts.journal.given] == [[1]]
        gone = parts.ask(2)
        gone.cancel()
        assert (await parts.ask(3)).id == "c3"
        assert [numbers(item) for item, _ in parts.journal.given] == [[1], [2], [3]]

    run(test())


def test_outputs_get_the_newest_picture(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    class Broken:
        def show(self, _: Picture) -> None:
            raise RuntimeError("no lamp")

    parts = Parts(tmp_path, Broken())

    async def test() -> None:
        await parts.loop.watch(Played([CALM] * 30 + [DRY] * 30, lambda _: ticking(parts)))
        await parts.settled()

    run(test())
    parts.journal.close()
    assert parts.shown.pictures[-1] is parts.loop.picture
    assert parts.shown.pictures[-1].input == 60
    shown = [picture.input for picture in parts.shown.pictures]
    assert shown == sorted(set(shown))
    assert any(alarm.state == "unacknowledged" for alarm in parts.shown.pictures[-1].alarms)
    assert [one.message for one in caplog.records] == ["an output fails; the others go on: Broken"]


# ---- what must not be admitted


def deep(levels: int) -> list[Any]:
    made: list[Any] = []
    for _ in range(levels):
        made = [made]
    return made


@pytest.mark.parametrize(
    "request_",
    [
        Request(id="c1", actor="a", do="acknowledge", args={"alarm": {1, 2}}),
        Request(id="c1", actor="a", do="acknowledge", args={"alarm": deep(700)}),
        Request(id="c1", actor="a", do="acknowledge", args={"alarm": deep(20)}),
        Request(id="\ud800", actor="a", do="acknowledge", args={"alarm": "all"}),
    ],
    ids=["no-json", "deep", "nested", "surrogate"],
)
def test_what_cannot_be_recorded_is_refused_and_harms_nothing(parts: Parts, request_: Request) -> None:
    async def test() -> None:
        answer = await parts.loop.ask(request_)
        assert not answer.ok
        assert "cannot be recorded" in answer.says
        assert parts.journal.given == []
        await parts.loop.watch(Played([CALM] * 3))
        assert (await parts.ask(2, do="dance")).id == "c2"

    run(test())


@pytest.mark.parametrize(
    "args", [{"alarm": "\ud800"}, {"n": 2**80}, {"x": float("nan")}, {"a": {"b": [1, {"c": [2]}]}}]
)
def test_odd_arguments_are_admitted(parts: Parts, args: dict[str, Any]) -> None:
    async def test() -> None:
        assert not (await parts.ask(1, **args)).ok
        assert (await parts.ask(2, do="dance")).id == "c2"

    run(test())


# ---- a defect of ours


def breaking(engine: Engine, on: Callable[[Input], bool]) -> None:
    """Have the engine break once."""
    feed, broken = engine.feed, list[Input]()

    def raising(item: Input) -> Outcome:
        if not broken and on(item):
            broken.append(item)
            raise ZeroDivisionError("ours")
        return feed(item)

    engine.feed = raising  # type: ignore[method-assign]


def test_a_defect_is_recorded_and_ends_the_watch_at_once(parts: Parts, tmp_path: Path) -> None:
    breaking(parts.engine, lambda item: isinstance(item, Block) and 5 in item.input)

    async def before(number: int) -> None:
        await ticking(parts)
        if number == 5:
            await asyncio.sleep(3600)  # the next sample would be long in coming

    async def test() -> None:
        with pytest.raises(ZeroDivisionError, match="ours"):
            await asyncio.wait_for(parts.loop.watch(Played([CALM] * 9, before)), 10)
        answer = await parts.ask(1)
        assert (answer.ok, answer.says) == (False, "the watch has ended on a defect of the program; see its log")

    run(test())
    parts.journal.close()
    assert max(n for item in Record(tmp_path).inputs() for n in numbers(item)) == 5
    assert verify(tmp_path).verdict == "consistent"


def test_a_defect_in_a_command_leaves_nobody_waiting(parts: Parts, tmp_path: Path) -> None:
    breaking(parts.engine, lambda item: isinstance(item, Command))

    async def test() -> None:
        asked = [parts.ask(1), parts.ask(2)]
        watching = asyncio.create_task(parts.loop.watch(Played([CALM] * 9, lambda _: asyncio.sleep(0.02))))
        answers = await asyncio.wait_for(asyncio.gather(*asked), 10)
        assert [(one.id, one.ok) for one in answers] == [("c1", False), ("c2", False)]
        with pytest.raises(ZeroDivisionError):
            await watching

    run(test())
    parts.journal.close()
    assert [type(item) for item in Record(tmp_path).inputs()] == [Start, Command]


def test_a_cancelled_watch_is_cancelled(parts: Parts) -> None:
    async def test() -> None:
        watching = asyncio.create_task(parts.loop.watch(Played([CALM] * 9, lambda _: asyncio.sleep(3600))))
        await asyncio.sleep(0)
        watching.cancel()
        with pytest.raises(asyncio.CancelledError):
            await watching

    run(test())


def test_calm_is_calm(parts: Parts) -> None:
    async def test() -> None:
        await parts.loop.watch(Played([CALM] * 50, lambda _: ticking(parts)))
        await parts.settled()

    run(test())
    assert [events for _, events in parts.journal.given if events] == []
    assert DRY.words != CALM.words
    assert GPM > 0


# ---- a new segment each day


def test_a_segment_ends_at_its_time_with_the_live_state(parts: Parts, tmp_path: Path) -> None:
    """Each new run goes on where the one before stood, and no input is missing or doubled."""
    begun: list[int] = []

    def again(engine: Engine) -> Start:
        begun.append(engine.picture().run + 1)
        state, t_ns = engine.state(), parts.clock.t_ns
        return Start(
            run=begun[-1],
            t_ns=t_ns,
            utc_ns=t_ns,
            boot="test@0",
            version="0",
            rig_toml=RIG.text,
            own=RIG.own,
            snapshot=state,
        )

    parts.loop._again = again
    parts.loop.segment_ns = 60_000_000_000
    parts.loop.begin(
        Start(run=2, t_ns=0, utc_ns=45_000_000_000, boot="test@0", version="0", rig_toml=RIG.text, own=RIG.own)
    )

    async def test() -> None:
        for second in range(1, 150):
            parts.clock.t_ns = second * 1_000_000_000
            await parts.loop.watch(Played([CALM]))
            await parts.settled()

    run(test())
    parts.journal.close()
    assert begun == [3, 4, 5]
    shown = parts.shown.pictures
    assert [(one.run, one.input) for one in shown if not one.input] == [(3, 0), (4, 0), (5, 0)]
    for one in shown:  # to a PLC, values that are not there are bad
        assert (set(one.readings), set(one.derived)) == (set(shown[0].readings), set(shown[0].derived))
        assert one.readings["aux-flow"] == shown[0].readings["aux-flow"]
        assert one.status == shown[0].status != {}
    starts = {one.run: one.t_ns // 10**9 for one in Record(tmp_path).inputs() if isinstance(one, Start)}
    assert {run: t_s for run, t_s in starts.items() if run > 2} == {3: 15, 4: 60, 5: 120}
    tally = Tally()
    engine = Engine()
    for _ in replayed(Record(tmp_path), engine, tally):
        pass
    assert (tally.scans, engine.drifted) == (149, [])
