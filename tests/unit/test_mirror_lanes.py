"""What a server is owed, in stretches: each has its lines once, cursors know them, and none is lost at a cut."""

import sqlite3
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from brakewater.record.batches import Batches
from brakewater.record.cursors import FOR_EVER, Cursors
from brakewater.record.lanes import MOST_OWED, Lane, Lanes
from mirror_parts import SECOND, incident, write
from streams import UTC

BEGIN = (0, -1)
LAST = {1: 611, 2: 311}
"""The last input of each run."""
WHOLE = (((0, -1), FOR_EVER),)


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("lanes")
    first, later = incident(600, utc0=UTC), incident(300, run=2, t0=400 * SECOND, utc0=UTC + 400 * SECOND)
    write(folder, [*first, *later])
    return folder


def drained(batches: Batches) -> list[bytes]:
    lines: list[bytes] = []
    while (batch := batches.next()) is not None:
        lines += batch.lines
    return lines


def sent(lane: Lane) -> list[bytes]:
    lines: list[bytes] = []
    while (parcel := lane.next()) is not None:
        lines += parcel.lines
        lane.taken()
    return lines


def test_in_a_hurry_less_is_made_at_once_and_the_lines_are_the_same(record: Path) -> None:
    calm, hurried = (Batches(record, 0, BEGIN, to=(1, 600), block=20) for _ in range(2))
    first, early = calm.next(), hurried.next(lambda: True)
    assert first is not None
    assert early is not None
    assert early.full, "the rest may follow at once"
    assert len(early.lines) <= 2 * 20 < len(first.lines)
    lines = early.lines
    while (batch := hurried.next(lambda: True)) is not None:
        lines += batch.lines
    assert lines == first.lines + drained(calm)


@given(run=st.integers(1, 2), number=st.integers(-1, 700), every=st.sampled_from([0, SECOND]))
@example(run=1, number=305, every=0)  # an off-delay is running there
@settings(max_examples=8, deadline=None)
def test_two_stretches_have_the_lines_of_one(record: Path, run: int, number: int, every: int) -> None:
    at = (run, number)
    whole = drained(Batches(record, every, BEGIN))
    before = Batches(record, every, BEGIN, to=at, block=256)
    after = Batches(record, every, at)
    early, late = drained(before), drained(after)
    assert sorted(early + late) == sorted(whole)
    assert before.ended or number > LAST[run]  # further than the run goes
    skipping = Batches(record, every, BEGIN)
    if run == 1:
        skipping.skip_to(at)
        assert sorted(drained(skipping)) == sorted(late)


def test_a_stretch_ends_where_its_run_is_gone(record: Path) -> None:
    batches = Batches(record, SECOND, (1, 700), to=(1, 900))
    assert drained(batches) == []
    assert batches.ended


def test_a_cut_leaves_what_is_owed_behind_and_loses_nothing(record: Path) -> None:
    whole = drained(Batches(record, 0, BEGIN))
    lanes = Lanes(record, 0, 15 * SECOND, WHOLE)
    parcel = lanes.live.next()
    assert parcel is not None
    lanes.live.taken()
    first = lanes.live
    lanes.cut((2, 300))
    assert (lanes.next_owed(), lanes.owed) == (first, 1)
    live = sent(lanes.live)
    assert 0 < len(live) < 40
    assert sorted(parcel.lines + sent(first) + live) == sorted(whole)
    assert first.done
    assert [to for _, to in lanes.spans] == [(2, 300), FOR_EVER]
    assert lanes.next_owed() is first  # the server may yet lose its last lines
    assert lanes.spans[0][0] < (2, 300)


def test_what_is_owed_survives_a_restart(record: Path, tmp_path: Path) -> None:
    whole = drained(Batches(record, SECOND, BEGIN))
    spans = (((1, 40), (1, 90)), ((1, 200), (2, 7)), ((2, 100), FOR_EVER))
    with Cursors(tmp_path) as cursors:
        cursors.set("mirror.a", (1, 40), spans)
        cursors.set("mirror.b", (1, 1))
    with Cursors(tmp_path) as cursors:
        assert cursors.get("mirror.a") == (1, 40)
        assert cursors.spans("mirror.a") == spans
        assert cursors.spans("mirror.b") == ()
        lanes = Lanes(record, SECOND, 0, cursors.spans("mirror.a"))
        cursors.set("mirror.a", (2, 100))
    assert lanes.spans == spans
    lines = [line for lane in lanes for line in sent(lane)]
    assert len(lines) == len(set(lines))
    assert set(lines) < set(whole)
    for lane in lanes:
        lane.answered()
    assert lanes.next_owed() is None
    assert [to for _, to in lanes.spans] == [FOR_EVER]
    with Cursors(tmp_path) as cursors:
        assert cursors.spans("mirror.a") == ()


def test_a_store_of_an_earlier_version_is_taken_over(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "cursors.sqlite3") as base:
        base.execute("CREATE TABLE cursors (name TEXT PRIMARY KEY, run INTEGER NOT NULL, number INTEGER NOT NULL)")
        base.execute("INSERT INTO cursors VALUES ('mirror.a', 3, 4)")
    base.close()
    with Cursors(tmp_path) as cursors:
        assert (cursors.get("mirror.a"), cursors.spans("mirror.a")) == ((3, 4), ())


def test_however_often_it_is_cut_the_lanes_stay_few(record: Path) -> None:
    lanes = Lanes(record, 0, 0, WHOLE)
    for number in range(10, 10 + 20 * (MOST_OWED + 5), 20):
        lanes.cut((1, number))
    assert lanes.owed == MOST_OWED
    lines = [line for lane in lanes for line in sent(lane)]
    assert set(lines) == set(drained(Batches(record, 0, BEGIN)))


class Steady:
    def __init__(self) -> None:
        self.ns = 10**12

    def monotonic_ns(self) -> int:
        return self.ns


def test_going_back_reaches_the_margin_before_the_last_word(record: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    steady = Steady()
    monkeypatch.setattr("brakewater.record.lanes.time", steady)
    monkeypatch.setattr("brakewater.record.batches.ENOUGH", 1)
    lane = Lane(record, SECOND, 15 * SECOND, (0, -1), to=(2, 250))
    taken: list[tuple[int, tuple[int, int], list[bytes]]] = []
    while (parcel := lane.next()) is not None:
        steady.ns += (len(taken) % 7) * SECOND
        assert lane.next() is parcel
        lane.taken()
        if parcel.lines:
            lane.answered()
            taken.append((steady.ns, parcel.place, parcel.lines))
        # As strict as can be: a server that keeps nothing of the last margin before its last answer.
        kept = max((place for at, place, _ in taken if at <= steady.ns - 15 * SECOND), default=(0, -1))
        assert lane.span[0] == kept
    assert len(taken) > 4
    assert lane.done
    assert not lane.settled
    steady.ns += 1000 * SECOND  # no word from the server in all that time: it may have died at the beginning of it
    safe = lane.span[0]
    lane.go_back()
    assert (lane.at_risk, lane.going_back, lane.done, lane.kept_bytes) == (False, True, False, 0)
    assert sent(lane) == [line for _, place, lines in taken for line in lines if place > safe]
    assert (lane.going_back, lane.at_risk) == (False, True)
    steady.ns += 15 * SECOND
    lane.answered()
    assert lane.settled
    assert lane.span == ((2, 250), (2, 250))


def test_trouble_with_the_record_loses_and_repeats_nothing(record: Path) -> None:
    whole = drained(Batches(record, 0, BEGIN))
    lane, lines = Lane(record, 0, 15 * SECOND, BEGIN), []
    for turn in range(3):
        parcel = lane.next()
        assert parcel is not None
        if turn == 1:
            lane.read_again()
            assert lane.next() is parcel
        lines += parcel.lines
        lane.taken()
        lane.read_again()
    assert sorted(lines + sent(lane)) == sorted(whole)
