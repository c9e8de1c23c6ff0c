"""The event follower against a session that the test acknowledges by hand: order, cursor, repeats, damage."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any, cast

import pytest

from brakewater.errors import StorageError
from brakewater.notify.follower import CURSOR, WINDOW, EventFollower, Sources
from brakewater.record.documents import event_doc
from brokers import until
from rig_parts import InMemory, MemoryCursors, MemoryRecord, demo_rig, event

RIG = demo_rig()


@dataclass
class Info:
    """Stands for the library's message information."""

    state: str = "on its way"


@dataclass
class HandSession:
    """Takes publications; the test says what becomes of them."""

    alive: bool = True
    trouble: str = "Not authorized"
    sent: list[tuple[str, Any, Info]] = field(default_factory=list)

    def publish(self, topic: str, body: bytes, *, qos: int) -> Info:
        assert qos == 1
        self.sent.append((topic, json.loads(body), Info()))
        return self.sent[-1][2]

    def delivered(self, info: Info) -> bool:
        return info.state == "acknowledged"

    def refused(self, info: Info) -> bool:
        return info.state == "refused"

    @property
    def numbers(self) -> list[tuple[int, int]]:
        return [(body["run"], body["n"]) for _, body, _ in self.sent]


class Scene:
    """A follower with its record, cursors and session."""

    def __init__(self, record: MemoryRecord, place: tuple[int, int] | None = None) -> None:
        self.record, self.cursors, self.session = record, MemoryCursors(), HandSession()
        if place is not None:
            self.cursors.places[CURSOR] = place
        sources = Sources(record=record, cursors=self.cursors, document=event_doc)
        self.follower = EventFollower(sources, rig=lambda: RIG, session=cast("Any", lambda: self.session))

    def acknowledge(self, *positions: int, state: str = "acknowledged") -> None:
        for at in positions:
            self.session.sent[at][2].state = state
        self.follower.wake()

    def sent(self, count: int) -> None:
        until(lambda: len(self.session.sent) >= count, f"{count} events; sent {self.session.numbers}")
        assert len(self.session.sent) == count


@contextmanager
def following(record: MemoryRecord, place: tuple[int, int] | None = None) -> Iterator[Scene]:
    scene = Scene(record, place)
    scene.follower.start()
    try:
        yield scene
    finally:
        scene.follower.stop()


def run_of(count: int, run: int = 1) -> MemoryRecord:
    return MemoryRecord({run: [event(n, run=run) for n in range(1, count + 1)]})


def test_events_go_out_rendered_and_with_their_hash() -> None:
    with following(run_of(1)) as scene:
        scene.sent(1)
        topic, body, _ = scene.session.sent[0]
    assert topic == "brakewater/rig-4/aux/event"
    assert body["text"] == "Cooling water low: 61.2 gal/min, set at 75 gal/min."
    assert body["hash"] == "ab" * 32


def test_it_goes_on_from_its_cursor() -> None:
    record = run_of(3)
    record.events_of[2] = [event(1, run=2)]
    with following(record, place=(1, 2)) as scene:
        scene.sent(2)
        assert scene.session.numbers == [(1, 3), (2, 1)]


def test_no_more_than_a_window_is_on_its_way() -> None:
    with following(run_of(3 * WINDOW)) as scene:
        scene.sent(WINDOW)
        scene.acknowledge(0, 1, 2)
        scene.sent(WINDOW + 3)
        assert scene.session.numbers == [(1, n) for n in range(1, WINDOW + 4)]


def test_the_cursor_waits_for_the_oldest() -> None:
    with following(run_of(4)) as scene:
        scene.sent(4)
        scene.acknowledge(1, 2)
        scene.record.events_of[1].append(event(5))
        scene.follower.wake(committed=True)
        scene.sent(5)  # it has had its turn
        assert scene.cursors.get(CURSOR) is None
        scene.acknowledge(0)
        until(lambda: scene.cursors.get(CURSOR) == (1, 3), "the cursor moves")
        assert scene.cursors.history == [(1, 3)]


def test_a_new_session_repeats_what_was_not_acknowledged() -> None:
    with following(run_of(3)) as scene:
        scene.sent(3)
        scene.acknowledge(0)
        until(lambda: scene.cursors.get(CURSOR) == (1, 1), "the cursor moves")
        lost, scene.session = scene.session, HandSession()
        lost.alive = False
        scene.follower.wake()
        scene.sent(2)
        assert scene.session.numbers == [(1, 2), (1, 3)]


def test_what_is_committed_later_goes_out_when_told() -> None:
    with following(run_of(1)) as scene:
        scene.sent(1)
        scene.record.events_of[1].append(event(2))
        scene.follower.wake(committed=True)
        scene.sent(2)


def test_a_refused_event_is_said_and_tried_again(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("brakewater.notify.follower._PAUSE_S", 0.01)
    with following(run_of(1)) as scene:
        scene.sent(1)
        scene.acknowledge(0, state="refused")
        until(lambda: len(scene.session.sent) == 2, "a second try")
        assert scene.cursors.get(CURSOR) is None
        scene.acknowledge(1)
        until(lambda: scene.cursors.get(CURSOR) == (1, 1), "the cursor moves")
    assert "access list" in caplog.text


def test_a_damaged_run_is_said_once_and_passed_over(caplog: pytest.LogCaptureFixture) -> None:
    record = run_of(2)
    record.events_of[3] = [event(1, run=3)]
    record.damaged = {1}
    with following(record) as scene:
        scene.sent(3)
        assert scene.session.numbers == [(1, 1), (1, 2), (3, 1)]
        scene.record.events_of[3].append(event(2, run=3))
        scene.follower.wake(committed=True)
        scene.sent(4)
    assert caplog.text.count("is damaged") == 1


def test_damage_right_behind_the_cursor_is_passed_over_too() -> None:
    record = MemoryRecord({2: [event(1, run=2)], 4: [event(1, run=4)]}, damaged={2})
    with following(record, (2, 1)) as scene:
        scene.sent(1)
        assert scene.session.numbers == [(4, 1)]


NEVER_S = 600.0
"""No look by the clock."""


def test_what_nobody_told_of_goes_out_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("brakewater.notify.follower._LOOK_S", 0.05)
    with following(run_of(1)) as scene:
        scene.sent(1)
        scene.record.events_of[1].append(event(2))
        scene.sent(2)


def test_a_long_record_goes_out_page_after_page_without_being_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("brakewater.notify.follower._LOOK_S", NEVER_S)
    monkeypatch.setattr("brakewater.notify.follower._PAGE", 4)
    with following(run_of(WINDOW)) as scene:
        scene.sent(WINDOW)
        assert scene.session.numbers == [(1, n) for n in range(1, WINDOW + 1)]


def test_behind_a_damaged_run_each_event_goes_out_once_and_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("brakewater.notify.follower._LOOK_S", NEVER_S)
    record = MemoryRecord({1: [event(1)], 2: [event(1, run=2), event(2, run=2)]}, damaged={1})
    with following(record) as scene:
        scene.sent(3)
        for number in (3, 4):
            scene.record.events_of[2].append(event(number, run=2))
            scene.follower.wake(committed=True)
            scene.sent(number + 1)
        assert scene.session.numbers == [(1, 1), (2, 1), (2, 2), (2, 3), (2, 4)]


def test_a_record_that_cannot_be_read_now_is_said_and_read_later(caplog: pytest.LogCaptureFixture) -> None:
    record = run_of(1)

    class Busy(MemoryRecord):
        def events(self, after: tuple[int, int] | None = None) -> Iterator[InMemory]:
            raise StorageError(f"the disk is away: {after}")

    with following(Busy(record.events_of)) as scene:
        until(lambda: "the disk is away" in caplog.text, "it is said")
        scene.follower._sources = replace(scene.follower._sources, record=record)
        scene.follower.wake(committed=True)
        scene.sent(1)
    assert "events cannot be read now: the disk is away" in caplog.text
    assert "following events failed" not in caplog.text


def test_trouble_of_any_kind_does_not_end_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("brakewater.notify.follower._PAUSE_S", 0.01)
    with following(MemoryRecord({1: [event(1, now="no-such-state")]})) as scene:
        scene.record.events_of[1] = [event(1)]
        scene.sent(1)
