"""Alarm performance figures of a record: its events as turns, and the window they stand in."""

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from brakewater.alarms.lifecycle import UNSEEN, State, shown_of
from brakewater.alarms.performance import Turn, figures
from brakewater.errors import DamagedRecordError
from brakewater.record.reader import Record
from brakewater.record.undamaged import undamaged
from brakewater.record.walltime import plausible
from brakewater.review.replay import recorded
from brakewater.stream import TESTED, Block, Command, Event, Input, Ints, Start


def of_record(
    record: Record, window: tuple[int, int] | None = None, damage: list[str] | None = None
) -> dict[str, Any] | None:
    """The figures from the first scan to the last, by wall time, of what is whole; None where nothing was scanned.

    Args:
        record: what to look through.
        window: begin and end by wall time, ns; the whole record where None.
        damage: gets what could not be read.
    """

    def tell(_run: int, error: DamagedRecordError) -> None:
        if damage is not None and str(error) not in damage:
            damage.append(str(error))

    watched = Watched()
    ends = _ends(record, watched, tell) if window is None else (window[0] / 1e9, window[1] / 1e9)
    if ends is None:
        return None
    turns = [turn for event in recorded(record, tell) if (turn := turn_of(event)) is not None]
    within, untimed = timed(turns, ends)
    if window is not None:
        return figures(within, *ends)
    return figures(within, *ends, watched.total_s) | {"untimed": untimed}


def timed(turns: Sequence[Turn], ends: tuple[float, float]) -> tuple[list[Turn], int]:
    """Those of a window, and how many alarms lie beyond it, since the clock was wrong when they came."""
    within = [turn for turn in turns if ends[0] <= turn.t_s <= ends[1]]
    return within, sum(turn.new for turn in turns) - sum(turn.new for turn in within)


class Ends:
    """From the first scan to the last by wall time, which may have been set back, or have been 1970 for a while."""

    def __init__(self) -> None:
        self._plausible: list[int] = []
        self._any: list[int] = []

    def see(self, utc_ns: Ints) -> None:
        """Some more scans."""
        for kept, some in ((self._plausible, utc_ns[plausible(utc_ns)]), (self._any, utc_ns)):
            if len(some):
                kept[:] = [min([int(some.min()), *kept]), max([int(some.max()), *kept])]

    @property
    def seconds(self) -> tuple[float, float] | None:
        """By the times that can be right, where there are any; None for less than two scans."""
        found = self._plausible or self._any
        return (found[0] / 1e9, found[1] / 1e9) if found and found[1] > found[0] else None


def inputs_only(record: Record) -> bool:
    """No event was ever recorded, as in a record of the simulator: there are none to count, not none at all."""

    def unread(_run: int, _error: DamagedRecordError) -> None:
        """What cannot be read is told by the figures."""

    boots = {item.boot for item in undamaged(record, (0, -1), 8192, unread) if isinstance(item, Start)}
    return all(boot.startswith("simulated") for boot in boots) and next(recorded(record, unread), None) is None


def turn_of(event: Event) -> Turn | None:
    """What the figures need of an event; None for a test, which is no alarm."""
    if event.why == TESTED:
        return None
    was, now = shown_of(event.was), shown_of(event.now)
    return Turn(
        t_s=event.utc_ns / 1e9,
        key=event.key,
        priority=event.priority,
        new=now is State.UNACKNOWLEDGED and was is not State.UNACKNOWLEDGED and event.why != "re-alarm",
        acknowledged=was in UNSEEN and now not in UNSEEN and event.why == "command",
        active=event.active,
    )


class Watched:
    """How long scans were recorded: months without a watch make no quiet alarms. As ``Ends``, by which alarms count."""

    def __init__(self) -> None:
        self._plausible_ns = self._any_ns = 0
        self._last_ns: int | None = None

    def see(self, item: Input) -> None:
        """One more."""
        if not isinstance(item, Block):
            self._last_ns = self._last_ns if isinstance(item, Command) else None
            return
        steps_ns = np.diff(item.t_ns, prepend=item.t_ns[0] if self._last_ns is None else self._last_ns)
        self._last_ns = int(item.t_ns[-1])
        self._any_ns += int(steps_ns.sum())
        self._plausible_ns += int(steps_ns[plausible(item.utc_ns)].sum())

    @property
    def total_s(self) -> float:
        """Of the scans whose time can be right, where there are any."""
        return (self._plausible_ns or self._any_ns) * 1e-9


def _ends(
    record: Record, watched: Watched, tell: Callable[[int, DamagedRecordError], None]
) -> tuple[float, float] | None:
    ends = Ends()
    for item in undamaged(record, (0, -1), 8192, tell):
        watched.see(item)
        if isinstance(item, Block):
            ends.see(item.utc_ns)
    return ends.seconds
