"""Windows that are kept open, and what the driller saw: the same however they were come to."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from brakewater.errors import NothingThereError
from brakewater.panel.opened import Windows
from brakewater.panel.player import Player
from brakewater.record.reader import Record
from brakewater.review.charts import Charts, charts
from daemons import events
from day_record import rig, scans, start
from record_growing import Growing
from trip_record import write_trip

pytestmark = pytest.mark.timeout(180)
S = 1_000_000_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_trip(tmp_path_factory.mktemp("opened"))


def same(one: Charts, other: Charts, from_ns: int, to_ns: int, count: int) -> None:
    mine, theirs = one.stretches(from_ns, to_ns, count), other.stretches(from_ns, to_ns, count)
    assert np.array_equal(mine.utc_ns, theirs.utc_ns)
    assert mine.most.keys() == theirs.most.keys()
    for key in mine.most:
        assert np.array_equal(mine.least[key], theirs.least[key], equal_nan=True)
        assert np.array_equal(mine.most[key], theirs.most[key], equal_nan=True)


def test_a_window_within_an_open_one_is_that_of_a_replay_of_its_own(folder: Path) -> None:
    record = Record(folder)
    span = record.spans()[0]
    begin, end = span.from_utc_ns + 60 * S, span.from_utc_ns + 200 * S
    same(Windows(record).charts(begin, end), charts(record, begin, end), begin, end, 300)


def test_a_window_that_grows_is_that_of_a_replay_of_the_whole(tmp_path: Path) -> None:
    with Growing(tmp_path / "grows") as growing:
        of = rig()
        growing.write(start(of), scans(of, 1, 3000))
        windows = Windows(growing.record)
        span = growing.record.spans()[0]
        begin, end = span.from_utc_ns, span.from_utc_ns + 3600 * S
        windows.charts(begin, end)
        for first in (3001, 3002, 5000):
            growing.write(scans(of, first, {3001: 1, 3002: 1998, 5000: 9000}[first]))
            same(windows.charts(begin, end), charts(growing.record, begin, end), begin, end, 500)


def test_pictures_tell_each_alarm_at_its_second(folder: Path) -> None:
    record = Record(folder)
    player = Player(record, Windows(record))
    told = [one for one in events(folder) if one.why == "condition"]
    assert len(told) >= 3
    for event in told:
        before, after = player.pictures([event.utc_ns - 1, event.utc_ns])
        states = [{one["alarm"]: one["state"] for one in page["alarms"]} for page in (before, after)]
        assert states[0].get(event.alarm, "normal") == event.was
        assert states[1].get(event.alarm, "normal") == event.now


def test_stepping_jumping_and_going_back_show_the_same(folder: Path) -> None:
    record = Record(folder)
    span = record.spans()[0]
    windows = Windows(record)
    moments = [span.from_utc_ns + second * S for second in (70, 100, 181, 182, 300)]
    fresh = [Player(record, windows).pictures([at])[0] for at in moments]
    player = Player(record, windows)
    assert player.pictures(moments) == fresh
    windows.charts(span.from_utc_ns, span.to_utc_ns)  # engines are kept now
    assert [player.pictures([at])[0] for at in reversed(moments)] == list(reversed(fresh))


def test_before_the_record_there_was_nothing(folder: Path) -> None:
    record = Record(folder)
    with pytest.raises(NothingThereError):
        Player(record, Windows(record)).pictures([record.spans()[0].from_utc_ns - 3600 * S])
    with pytest.raises(NothingThereError):
        Windows(record).charts(0, S)


def test_a_clock_that_was_far_ahead_once_leaves_the_newest_day_where_the_watch_is_now(tmp_path: Path) -> None:
    """Set back within the run: the newest hour is that of the last scan, not of the latest label."""
    with Growing(tmp_path / "set-back") as growing:
        of, ahead_ns = rig(), 30 * 24 * 3600 * S
        wrong = scans(of, 1, 300)
        begun = start(of)
        growing.write(
            replace(begun, utc_ns=begun.utc_ns + ahead_ns),
            replace(wrong, utc_ns=wrong.utc_ns + ahead_ns),
            scans(of, 301, 300),
        )
        span, last_ns = growing.record.spans()[0], int(scans(of, 600, 1).utc_ns[0])
        assert (span.last_utc_ns, span.to_utc_ns) == (last_ns, begun.utc_ns + ahead_ns)
        windows = Windows(growing.record)
        windows.charts(last_ns - 10 * S, last_ns + 1)
        assert windows.before(last_ns) is not None
        assert len(windows._others) == 0  # it is the one that grows with the record
