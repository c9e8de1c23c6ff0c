"""When each round was last done, and how much of its interval is used up since: the same for the alarms and the page.

What makes a round due is counted by the brakes (``engine.worked``); this holds only where the counts stood when the
round was done.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from typing import Any, Final

import numpy as np

from brakewater.engine.worked import Totals, Worked
from brakewater.stream import Floats, Ints, RoundNow
from brakewater.trips.rounds import Round, shares

_MOST_DONE: Final = 4
"""Entries of a round that its due date may fall back to when the newest is corrected away."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """A round as it was done: which entry says so, when, and where the counts stood."""

    entry: str
    utc_ns: int
    totals: Totals


class Due:
    """The rounds of one rig."""

    def __init__(self, rounds: Sequence[Round]) -> None:
        self.rounds: dict[str, Round] = {one.name: one for one in rounds}
        self._done: dict[str, list[Done]] = {}
        self._since: dict[str, tuple[Totals, int]] = {}
        """By round: from when it counts that nobody has logged yet, by the counts and by wall time."""

    def begin(self, t_ns: int, utc_ns: int, worked: Mapping[str, Worked]) -> None:
        """Rounds that are new count from here."""
        for name, one in self.rounds.items():
            if name not in self._since:
                self._since[name] = worked[one.brake].now(t_ns), utc_ns

    def go_on(self, t_ns: int, worked: Mapping[str, Worked], before: Totals | None) -> None:
        """Rounds whose brake counts anew go on with what they had used up: rather too early than too late.

        Args:
            t_ns: steady time.
            worked: by brake.
            before: where the counts of the rig's one brake stood under another name; None where it kept its name.
        """
        for name, one in self.rounds.items():
            now = worked[one.brake].now(t_ns)
            if name in self._since:
                base, utc_ns = self._since[name]
                self._since[name] = _moved(base, now, before), utc_ns
            done = self._done.get(name, [])
            done[:] = [replace(entry, totals=_moved(entry.totals, now, before)) for entry in done]

    def done(self, name: str, done: Done) -> None:
        """It was done; the newest by the time of the work counts."""
        kept = self._done.setdefault(name, [])
        kept.append(done)
        kept.sort(key=lambda one: one.totals.t_ns)
        del kept[:-_MOST_DONE]

    def strike(self, entry: str) -> None:
        """That entry counts no more."""
        for kept in self._done.values():
            kept[:] = [one for one in kept if one.entry != entry]

    def columns(self, t_ns: Ints, counts: Mapping[str, tuple[Floats, Floats]]) -> dict[str, Floats]:
        """[n] share of each round's interval that is used up.

        Args:
            t_ns: [n] steady time.
            counts: brake -> [n] running hours in s, and [n] trips.
        """
        found = {}
        for name, one in self.rounds.items():
            base, (running_s, trips) = self._base(name)[0], counts[one.brake]
            parts = shares(one, running_s - base.running_ns / 1e9, trips - base.trips, _floats(t_ns - base.t_ns))
            found[name] = reduce(np.maximum, parts.values(), np.zeros(len(t_ns)))
        return found

    def now(self, t_ns: int, utc_ns: int, worked: Mapping[str, Worked]) -> tuple[RoundNow, ...]:
        """How they stand."""
        return tuple(self._round(one, worked[one.brake].now(t_ns), utc_ns) for one in self.rounds.values())

    def _round(self, one: Round, counts: Totals, utc_ns: int) -> RoundNow:
        (base, since_utc_ns), done = self._base(one.name), self._done.get(one.name)
        lasted_ns = counts.t_ns - base.t_ns
        running_s, trips = counts.running_ns / 1e9 - base.running_ns / 1e9, counts.trips - base.trips
        parts = shares(one, running_s, float(trips), float(lasted_ns))
        by, share = max(parts.items(), key=lambda item: item[1], default=("never", 0.0))
        return RoundNow(
            round=one.name,
            brake=one.brake,
            share=share,
            by=by,
            running_s=running_s,
            trips=trips,
            due_utc_ns=None if one.days_ns is None else utc_ns - lasted_ns + one.days_ns,
            done_utc_ns=since_utc_ns if done else None,
            since_utc_ns=since_utc_ns,
        )

    def _base(self, name: str) -> tuple[Totals, int]:
        """Where the counts of a round stood when it was last done, and when that was by wall time."""
        done = self._done.get(name)
        return (done[-1].totals, done[-1].utc_ns) if done else self._since[name]

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "since": {name: [*kept(totals), str(utc_ns)] for name, (totals, utc_ns) in self._since.items()},
            "done": {
                name: [[one.entry, str(one.utc_ns), *kept(one.totals)] for one in done]
                for name, done in self._done.items()
            },
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Go on from a snapshot: whatever the rig file says of intervals now, what was done was done."""
        for name, (*totals, utc) in state.get("since", {}).items():
            self._since[name] = _restored(totals), int(utc)
        for name, done in state.get("done", {}).items():
            self._done[name] = [
                Done(entry=entry, utc_ns=int(utc), totals=_restored(totals)) for entry, utc, *totals in done
            ]


def _moved(base: Totals, now: Totals, before: Totals | None) -> Totals:
    """The base from which counts that began anew say what was used up since; the calendar has not begun anew."""
    if before is None and base.running_ns <= now.running_ns and base.trips <= now.trips:
        return base
    was = base if before is None else before
    return Totals(
        t_ns=base.t_ns,
        running_ns=now.running_ns - max(0, was.running_ns - base.running_ns),
        trips=now.trips - max(0, was.trips - base.trips),
        energy_mj=now.energy_mj - max(0, was.energy_mj - base.energy_mj),
    )


def _floats(x: Ints) -> Floats:
    found: Floats = x.astype(np.float64)
    return found


def kept(one: Totals) -> list[Any]:
    """Counts as a snapshot keeps them."""
    return [str(one.t_ns), str(one.running_ns), one.trips, str(one.energy_mj)]


def _restored(kept: list[Any]) -> Totals:
    t_ns, running, trips, energy = kept
    return Totals(t_ns=int(t_ns), running_ns=int(running), trips=trips, energy_mj=int(energy))
