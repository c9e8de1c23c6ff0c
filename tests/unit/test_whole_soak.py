"""The soak of a whole watch would notice: its plan, and what it holds a record and a broker to."""

import asyncio
import tempfile
from contextlib import nullcontext
from pathlib import Path

import numpy as np
import pytest

from brakewater.quality import Status
from brakewater.record.journal import Journal
from brakewater.rig import Rig, load
from brakewater.stream import Block, Event, Gap, Start
from faults.whole import sides
from faults.whole.ends import told
from faults.whole.held import Held, Steps, boot_ns
from faults.whole.looks import _JUDGED_S, _SETTLED_S
from faults.whole.plan import KILLING, LIVES, SIDES, drawn, is_calm, is_killing
from faults.whole.rig import MIRRORED, rig_file, shown
from faults.whole.told import INVARIANTS, LASTING, LASTING_S, RARE, Tally

S = 1_000_000_000
WORDS, BARE = "words genuine and of the request of their own scan", "no words where nothing was answered"
OUT, CAUSE = "no flow in two scans, or unknown for 3 s: cooling lost is out", "cooling lost comes only with cause"
APART, LABELS = "between two scans, beyond what stopped it, under 2 s", "labels tell the wall clock as it was"
TOLD = "broker took every event, in order, the same each time"


class Requests:
    """As ``Noted``, of a device that was asked in every scan."""

    def __init__(self, at: list[int]) -> None:
        self.at = at


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Rig:
    file = tmp_path_factory.mktemp("rig") / "rig.toml"
    rig_file(file, tcp=1502, line=Path("/dev/x"), foreign=1503, broker=1883, mirror="http://127.0.0.1", every_s=1)
    return load(str(file))


class Story:
    """Scans 0.2 s apart that all are well, until a test changes one."""

    def __init__(self, rig: Rig, scans: int = 30) -> None:
        self.rig, self.n, self.now = rig, scans, boot_ns()
        self.t_ns = np.arange(1, scans + 1) * S // 5
        self.words = np.zeros((scans, rig.words), np.uint16)
        self.status = np.zeros((scans, len(rig.points)), np.uint8)
        for at in range(scans):
            for slot in rig.slots:
                if slot.point.device in ("plc1", "rio1"):
                    self.words[at, slot.column] = shown(slot.point.address, at + 1)
                elif slot.point.device == "far1":
                    self.words[at, slot.column] = slot.point.address if slot.point.address % 2 == 0 else at + 1
        self.asked = [self.now + int(t) - 50_000_000 for t in self.t_ns]
        self.events: dict[int, tuple[Event, ...]] = {}
        self.steps, self.labels = Steps(), np.zeros(scans, np.int64)
        self.tally = Tally()

    def column(self, name: str) -> int:
        return next(slot.column for slot in self.rig.slots if slot.point.name == name)

    def silent(self, first: int, last: int) -> None:
        """The device of the flow does not answer."""
        for slot in self.rig.slots:
            if slot.point.device == "plc1":
                self.words[first:last, slot.column] = 0
                self.status[first:last, slot.index] = Status.SILENT

    def dry(self, first: int, last: int) -> None:
        """As if its cycle had come there: counts go on from a dry one."""
        ahead = 200 - (first + 1)
        for at in range(first, self.n):
            for slot in self.rig.slots:
                if slot.point.device == "plc1":
                    self.words[at, slot.column] = shown(slot.point.address, at + 1 + ahead)
        self.asked[first:first] = [self.asked[first] - 1000] * ahead
        assert last - first <= 30

    def alarm(self, number: int, n: int, *, active: bool = True) -> None:
        was, now = ("normal", "unacknowledged") if active else ("unacknowledged", "returned-unacknowledged")
        self.events[number] = (
            Event(
                run=1, input=number, n=n, utc_ns=0, rig="rig-4", brake="aux", alarm="cooling-lost", was=was, now=now,
                priority="critical", value=None, reason=0, setpoint=None, why="condition", actor=None, first_out=True,
                active=active,
            ),
        )  # fmt: skip

    def looked(self, folder: Path, stopped: tuple[int, int] | None = None) -> Tally:
        wall = self.steps._ahead_ns
        start = Start(
            run=1,
            t_ns=0,
            utc_ns=self.now + wall,
            boot=f"b@{self.now}",
            version="0",
            rig_toml=self.rig.text,
            own=self.rig.own,
        )
        spans = [] if stopped is None else [(self.now + stopped[0], self.now + stopped[1])]
        with Journal(folder, bound=10**4) as journal:
            journal.begin(start, wait_s=30)
            block = Block(
                run=1, input=np.arange(1, self.n + 1), t_ns=self.t_ns, utc_ns=self.now + self.t_ns + wall + self.labels,
                words=self.words, status=self.status, age_ns=np.zeros((self.n, len(self.rig.groups)), np.int64),
            )  # fmt: skip
            journal.append(block, tuple(event for events in self.events.values() for event in events))
        noted = {"plc1": Requests(self.asked), "rio1": Requests([self.now + int(t) - 50_000_000 for t in self.t_ns])}
        held = Held(folder, self.rig, self.tally, noted, self.steps, spans)  # type: ignore[arg-type]
        held.look()
        assert held.why_not == ""
        return self.tally


def broken(tally: Tally) -> set[str]:
    return set(tally.broken)


def test_all_well_breaks_nothing(rig: Rig, tmp_path: Path) -> None:
    tally = Story(rig).looked(tmp_path)
    assert broken(tally) == set(), tally.told
    assert tally.checked[WORDS] == 90


def test_a_wrong_word_and_a_word_of_no_answer_are_told(rig: Rig, tmp_path: Path) -> None:
    story = Story(rig)
    story.words[7, story.column("aux-outlet")] ^= 1
    story.silent(9, 11)
    story.words[10, story.column("aux-level")] = 300
    assert broken(story.looked(tmp_path)) == {WORDS, BARE}


def test_an_answer_to_the_request_before_is_told(rig: Rig, tmp_path: Path) -> None:
    """It is whole and later than the last: only when it was asked for gives it away."""
    story = Story(rig)
    story.silent(9, 10)
    for slot in rig.slots:
        if slot.point.device == "plc1":
            story.words[10, slot.column] = shown(slot.point.address, 10)
    tally = story.looked(tmp_path)
    assert broken(tally) == {WORDS}
    assert tally.broken[WORDS] == 1


def test_no_flow_without_the_alarm_is_told_and_with_it_is_not(rig: Rig, tmp_path: Path) -> None:
    missed = Story(rig)
    missed.dry(10, 30)
    assert broken(missed.looked(tmp_path / "missed")) == {OUT}
    out = Story(rig)
    out.dry(10, 30)
    out.alarm(12, 1)
    assert broken(out.looked(tmp_path / "out")) == set()


def test_unknown_flow_must_be_out_after_three_seconds(rig: Rig, tmp_path: Path) -> None:
    story = Story(rig, 40)
    story.silent(8, 40)
    tally = story.looked(tmp_path)
    assert broken(tally) == {OUT}
    assert tally.broken[OUT] == 40 - 8 - 15


def test_an_alarm_out_of_nothing_is_told(rig: Rig, tmp_path: Path) -> None:
    story = Story(rig, 60)
    story.alarm(50, 1)
    assert broken(story.looked(tmp_path)) == {CAUSE}


def test_a_long_way_between_scans_is_told_unless_the_watch_was_stopped(rig: Rig, tmp_path: Path) -> None:
    for name, stopped, breaks in (("late", None, {APART}), ("stopped", (2 * S, 5 * S), set())):
        story = Story(rig)
        story.t_ns[10:] += 3 * S
        story.asked = [story.now + int(t) - 50_000_000 for t in story.t_ns]
        assert broken(story.looked(tmp_path / name, stopped)) == breaks


def test_labels_follow_the_clock_and_nothing_else(rig: Rig, tmp_path: Path) -> None:
    for name, off_ns, breaks in (("stepped", 3600 * S, set()), ("odd", 3599 * S, {LABELS})):
        story = Story(rig)
        story.steps.stepped(story.now + int(story.t_ns[10]) - 100_000_000, 3600 * S)
        story.labels[10:] = off_ns
        assert broken(story.looked(tmp_path / name)) == breaks


def test_events_are_held_against_what_the_broker_took() -> None:
    def event(n: int) -> Event:
        return Event(
            run=1, input=n, n=n, utc_ns=0, rig="rig-4", brake="aux", alarm="cooling-lost", was="normal", now="normal",
            priority="high", value=None, reason=0, setpoint=None, why="condition", actor=None, first_out=False,
        )  # fmt: skip

    from brakewater.record.documents import canonical, event_doc  # noqa: PLC0415

    events = [event(1), event(2), event(3)]
    sent = [canonical(event_doc(one)) for one in events]
    for taken, whole in (
        (sent, True),
        ([sent[0], sent[1], sent[1], sent[2]], True),
        (sent[:2], False),
        ([sent[1], sent[0], sent[2]], False),
        ([*sent, canonical({**event_doc(events[2]), "why": "other"})], False),
        ([sent[0], sent[1], canonical({**event_doc(events[2]), "to": "other"})], False),
    ):
        tally = Tally()
        told(taken, events, tally)
        assert (not tally.broken[TOLD]) == whole


def test_the_plan_is_the_seeds_and_leaves_the_calms_alone() -> None:
    plan = drawn(7, 7200)
    assert plan == drawn(7, 7200) != drawn(8, 7200)
    assert {harm.side for harm in plan} == SIDES.keys()
    assert not [harm for harm in plan if is_calm(harm.at_s) or is_calm(harm.at_s + harm.for_s)]
    assert all(is_killing(harm.at_s, 7200) for harm in plan if harm.side == "watch")


def test_a_gap_must_name_what_is_missing(rig: Rig, tmp_path: Path) -> None:
    story = Story(rig, 5)
    story.looked(tmp_path)
    with Journal(tmp_path) as journal:
        start = Start(run=2, t_ns=2 * S, utc_ns=0, boot=f"b@{story.now}", version="0", rig_toml=rig.text, own=rig.own)
        journal.begin(start, wait_s=30)
        gap = Gap(run=2, input=1, t_ns=2 * S, utc_ns=0, lost_run=1, lost_first=9, lost_last=12, why="test")
        journal.append(gap)
    tally = Tally()
    held = Held(tmp_path, rig, tally, {}, story.steps, [])
    held._device = lambda *_: None  # type: ignore[method-assign,assignment]
    held.look()
    assert "a gap names what was lost" in tally.broken


def test_an_invariant_that_nobody_looked_at_is_told() -> None:
    tally = Tally()
    for name in INVARIANTS:
        if name not in (*RARE, *LASTING):
            tally.check(name, holds=True)
    assert tally.unlooked(300) == []
    assert tally.unlooked(LASTING_S) == [*LASTING]
    assert Tally().unlooked(300) == [name for name in INVARIANTS if name not in (*RARE, *LASTING)]
    # The watch is left alone for long enough in a run of so long, its first seconds and looks apart.
    assert LASTING_S / LIVES * (1 - KILLING) - _SETTLED_S > _JUDGED_S


@pytest.mark.integration
@pytest.mark.parametrize("how", ["well", "broken", "raised"])
def test_the_record_of_a_run_that_broke_something_is_kept(
    how: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setattr(sides, "small_disk", lambda folder, _size: nullcontext(folder.mkdir()))
    tally = Tally()

    async def run() -> None:
        async with sides.standing(1, 1.0, 0, tally) as standing:
            (standing.folder / "watch.log").write_text("said")
            (standing.record / "hot").mkdir()
            (standing.record / "hot" / "1.sqlite3").write_text("run 1")
            (standing.record / "ballast").write_text("full")
            tally.check("never ends by itself", how != "broken")
            if how == "raised":
                raise OSError("of the soak itself")

    with pytest.raises(OSError, match="of the soak itself") if how == "raised" else nullcontext():
        asyncio.run(run())
    found = {str(file.relative_to(place)) for place in tmp_path.iterdir() for file in place.rglob("*.*")}
    assert found == (set() if how == "well" else {"watch.log", "rig.toml", "record/hot/1.sqlite3"})
    assert ("kept in" in capsys.readouterr().err) == (how != "well")


def test_every_invariant_is_printed_and_points_have_their_fields(rig: Rig) -> None:
    assert all(name in Tally().table() for name in INVARIANTS)
    assert {point.name for point in rig.points} >= {name for _, name in MIRRORED}
