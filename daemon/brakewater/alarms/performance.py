"""Alarm performance figures, and the targets published for them.

Targets and criteria are those of ANSI/ISA-18.2-2016 clause 16 and EEMUA 191 as TRADE holds them: from memory, but for
chattering (a trade article). They are meant per operating position and over 30 days or more.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

from brakewater.alarms.catalogue import CHATTER_NS, CHATTER_RISES

TEN_S: Final = 600
HOUR_S: Final = 3_600
DAY_S: Final = 86_400
SAMPLE_S: Final = 30 * DAY_S
"""Shorter than this the figures are a glance, no assessment."""
FLOOD_BEGINS_ABOVE: Final = 10
FLOOD_ENDS_BELOW: Final = 5
TARGETS: Final[dict[str, str]] = {
    "per_day": "about 150, at most 300",
    "per_hour": "about 6, at most 12",
    "per_10_min": "about 1, at most 2",
    "peak_10_min": "at most 10",
    "hours_over_30_share": "below 1 %",
    "ten_min_over_10_share": "below 1 %",
    "flood_share": "below 1 %",
    "top_10_share": "1 % to 5 %",
    "chattering": "none",
    "stale": "fewer than 5 on any day",
    "priority_share": "80 % low, 15 % medium, 5 % high, below 1 % critical",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """One recorded transition, reduced to what the figures need."""

    t_s: float
    key: str
    priority: str
    new: bool
    """It asks for a response now and did not before: an alarm, as the standards count them."""
    acknowledged: bool
    """By a person."""
    active: bool
    """Its condition holds after it."""


def figures(turns: Sequence[Turn], from_s: float, to_s: float, watched_s: float | None = None) -> dict[str, object]:
    """The figures of a window.

    Args:
        turns: in the order they came, all within the window; the wall clock may have been set back between them.
        from_s: the window's begin, s.
        to_s: its end, above ``from_s``.
        watched_s: how much of it was watched: months without a watch make no quiet alarms; None: all of it.
    """
    lasted_s = to_s - from_s
    seen_s = watched_s or lasted_s
    new = [turn for turn in turns if turn.new]
    per = len(new) / seen_s
    tens, hours = (_slots(new, from_s, lasted_s, width_s) for width_s in (TEN_S, HOUR_S))
    seen_tens, seen_hours = (max(1, int(-(-seen_s // width_s))) for width_s in (TEN_S, HOUR_S))
    often = Counter(turn.key for turn in new).most_common()
    return {
        "from_s": from_s,
        "to_s": to_s,
        "watched_s": seen_s,
        "alarms": len(new),
        "per_day": per * DAY_S,
        "per_hour": per * HOUR_S,
        "per_10_min": per * TEN_S,
        "peak_10_min": max(tens),
        "hours_over_30_share": min(1.0, sum(n > 30 for n in hours) / seen_hours),
        "ten_min_over_10_share": min(1.0, sum(n > FLOOD_BEGINS_ABOVE for n in tens) / seen_tens),
        "flood_share": min(1.0, _flooded(tens) / seen_tens),
        "top_10_share": sum(n for _, n in often[:10]) / len(new) if new else 0.0,
        "most_frequent": [{"alarm": key, "count": n} for key, n in often[:10]],
        "chattering": sorted(_chattering(new)),
        "stale": sorted(_stale(turns, to_s)),
        "priority_share": {
            priority: sum(turn.priority == priority for turn in new) / len(new) if new else 0.0
            for priority in ("critical", "high", "medium", "low")
        },
        "acknowledged_after_s": _acknowledged_after(turns),
        "long_enough": seen_s >= SAMPLE_S,
    }


def _slots(new: Iterable[Turn], from_s: float, lasted_s: float, width_s: int) -> list[int]:
    """Alarms in each slot of a width from the begin on; at least one slot."""
    counts = [0] * max(1, int(-(-lasted_s // width_s)))
    for turn in new:
        counts[min(int((turn.t_s - from_s) // width_s), len(counts) - 1)] += 1
    return counts


def _flooded(tens: list[int]) -> int:
    """Ten-minute slots in a flood: from the first above ten to the first below five."""
    on, flooded = False, 0
    for count in tens:
        on = count > FLOOD_BEGINS_ABOVE or (on and count >= FLOOD_ENDS_BELOW)
        flooded += on
    return flooded


def _chattering(new: Iterable[Turn]) -> set[str]:
    """As often within as short a time as the engine goes by."""
    came: defaultdict[str, list[float]] = defaultdict(list)
    for turn in new:
        came[turn.key].append(turn.t_s)
    return {
        key
        for key, at in came.items()
        if any(0.0 <= c - a <= CHATTER_NS * 1e-9 for a, c in zip(at, at[CHATTER_RISES - 1 :], strict=False))
    }


def _stale(turns: Iterable[Turn], to_s: float) -> set[str]:
    """Its condition held for more than a day without a break."""
    since: dict[str, float] = {}
    found: set[str] = set()
    for turn in turns:
        if turn.active:
            since.setdefault(turn.key, turn.t_s)
        elif turn.t_s - since.pop(turn.key, turn.t_s) > DAY_S:
            found.add(turn.key)
    return found | {key for key, begun in since.items() if to_s - begun > DAY_S}


def _acknowledged_after(turns: Iterable[Turn]) -> dict[str, float | int | None]:
    waiting: dict[str, float] = {}
    took: list[float] = []
    for turn in turns:
        if turn.new:
            waiting.setdefault(turn.key, turn.t_s)
        elif turn.acknowledged and turn.key in waiting:
            took_s = turn.t_s - waiting.pop(turn.key)
            took += [took_s] if took_s >= 0.0 else []  # the clock was set back meanwhile: nobody can tell
    return {
        "count": len(took),
        "median": median(took) if took else None,
        "longest": max(took, default=None),
        "never": len(waiting),
    }
