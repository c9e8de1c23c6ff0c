"""Alarm performance figures of a record: its events as turns, and the window they stand in."""

from typing import Any

from brakewater.alarms.lifecycle import UNSEEN, State, shown_of
from brakewater.alarms.performance import Turn, figures
from brakewater.record.reader import Record
from brakewater.stream import TESTED, Block, Event


def of_record(record: Record, window: tuple[int, int] | None = None) -> dict[str, Any] | None:
    """The figures from the first scan to the last, by wall time; None where nothing was scanned.

    Args:
        record: what to look through.
        window: begin and end by wall time, ns; the whole record where None.
    """
    ends = _ends(record) if window is None else (window[0] / 1e9, window[1] / 1e9)
    if ends is None:
        return None
    turns = [turn for committed in record.events() if (turn := turn_of(committed.event)) is not None]
    from_s, to_s = ends
    return figures([turn for turn in turns if from_s <= turn.t_s <= to_s], from_s, to_s)


def turn_of(event: Event) -> Turn | None:
    """What the figures need of an event; None for a test, which is no alarm."""
    if event.why == TESTED:
        return None
    was, now = shown_of(event.was), shown_of(event.now)
    return Turn(
        t_s=event.utc_ns / 1e9,
        key=f"{event.brake or 'rig'}.{event.alarm}",
        priority=event.priority,
        new=now is State.UNACKNOWLEDGED and was is not State.UNACKNOWLEDGED and event.why != "re-alarm",
        acknowledged=was in UNSEEN and now not in UNSEEN and event.why == "command",
        active=event.active,
    )


def _ends(record: Record) -> tuple[float, float] | None:
    first = last = None
    for item in record.inputs():
        if isinstance(item, Block):
            least, most = int(item.utc_ns.min()), int(item.utc_ns.max())  # the clock may have been set back
            first, last = min(least, first or least), max(most, last or most)
    return None if first is None or last is None or last <= first else (first / 1e9, last / 1e9)
