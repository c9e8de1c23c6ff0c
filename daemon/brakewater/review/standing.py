"""What stood already when a window begins: an alarm that never moves in it has no event there, and is told of too."""

from collections.abc import Iterable
from typing import Final

from brakewater.alarms.lifecycle import shown_of
from brakewater.engine import Engine
from brakewater.record.reader import Record
from brakewater.stream import Event, Start

HOLDS: Final = frozenset({"unacknowledged", "acknowledged"})
"""As people see a state in which the condition is told to hold."""


def standing(record: Record, window: tuple[int, int], events: Iterable[Event] | None = None) -> dict[str, int]:
    """Key of each alarm that held when a window begins, or its first run does -> since when, UTC in ns.

    Args:
        record: what to read.
        window: begin and end by wall time, ns.
        events: those of that run; the recorded ones where None.

    Raises:
        StorageError: that run's Start cannot be read.
        DamagedRecordError: one of its events cannot.
    """
    run = next((span.run for span in record.spans(*window)), None)
    if run is None:
        return {}
    start = next(iter(record.others(run)), None)
    if not isinstance(start, Start):
        return {}
    engine, found = Engine(), dict[str, int]()
    engine.feed(start)
    for alarm in engine.alarms():  # those that the run before left it
        _take(found, alarm.key, alarm.state, alarm.since_utc_ns)
    for event in (one.event for one in record.events((run, 0), run)) if events is None else events:
        if event.run == run and event.utc_ns < window[0]:
            follow(found, event)
    return found


def follow(found: dict[str, int], event: Event) -> None:
    """What stands after one more event, from what stood before it: key of each alarm -> since when, UTC in ns."""
    _take(found, event.key, event.now, event.utc_ns)


def _take(found: dict[str, int], key: str, state: str, t_ns: int) -> None:
    if shown_of(state) in HOLDS:
        found.setdefault(key, t_ns)
    else:
        found.pop(key, None)
