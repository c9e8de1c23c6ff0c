"""What a brake has really done: running hours, trips and energy since the watch first counted, for the upkeep book.

Once a second, in integers, so that the counts are the same however the stream is cut. The brake runs while its drum
turns; without that signal while it is in service; without either while the water carries heat. What is not known counts
as running: a round comes due rather too early than too late. A stretch that nobody watched counts as running where the
brake ran before it or after it.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from brakewater.engine.by_trip import ByTrip
from brakewater.engine.contact import Contact
from brakewater.engine.held import Held
from brakewater.engine.hoisting import Duty
from brakewater.engine.lag_free import Recovered
from brakewater.engine.seconds import BAD, GOOD, Groups
from brakewater.quality import Reason
from brakewater.stream import Floats, Ints
from brakewater.trips.counted import TripCount
from brakewater.trips.stands import LEAST_PULSE_W

QUANTITIES: Final = ("running_s", "trips_worked", "worked_j")
_TURNS_RAD_S: Final = 0.5
"""Slower is standing still, or noise: five turns a minute; an assumption."""
_DAY_NS: Final = 86_400_000_000_000
_DAYS: Final = 45
"""Days whose totals are remembered, so that work entered afterwards counts from its day; then from the earliest."""
_LONGEST_STEPS: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """Where the counts stood."""

    t_ns: int
    running_ns: int = 0
    trips: int = 0
    energy_mj: int = 0


class Worked:
    """Of one brake."""

    def __init__(self, step_s: float, *, brake: str = "", by_hoist: bool) -> None:
        self._step_ns = round(step_s * 1e9)
        self._by_hoist = by_hoist
        self._count = TripCount(by_hoist=by_hoist)
        self._last_ns: int | None = None
        self._ran = False
        self._running_ns = self._energy_mj = 0
        self._days: deque[Totals] = deque(maxlen=_DAYS)
        self.by_trip = ByTrip(brake)
        self._contact = Contact(step_s)

    def now(self, t_ns: int) -> Totals:
        """The counts after the last whole second."""
        return Totals(t_ns=t_ns, running_ns=self._running_ns, trips=self._count.trips, energy_mj=self._energy_mj)

    def at(self, t_ns: int, now: Totals) -> Totals:
        """The counts at an earlier time: those of the last midnight of steady time before it, or the earliest."""
        before = [one for one in self._days if one.t_ns <= t_ns]
        found = before[-1] if before else self._days[0] if self._days else now
        return Totals(t_ns=t_ns, running_ns=found.running_ns, trips=found.trips, energy_mj=found.energy_mj)

    def feed(self, groups: Groups, heat_mj: Ints) -> dict[str, Held]:
        """The three counts after each of [m] groups.

        Args:
            groups: [m], with ``heat`` among them.
            heat_mj: [m] heat that each added.
        """
        ran = _runs(groups)
        before = groups.t_ns[0] - self._step_ns if self._last_ns is None else self._last_ns
        dt = groups.t_ns - np.concatenate(([before], groups.t_ns[:-1]))
        earlier = np.concatenate(([self._ran], ran[:-1]))
        unseen = dt > _LONGEST_STEPS * self._step_ns
        running = self._running_ns + np.cumsum(np.where(ran | (unseen & earlier), dt, 0))
        energy = self._energy_mj + np.cumsum(heat_mj)
        trips = self._trips(groups)
        for at in self._midnights(groups.t_ns, before).tolist():
            self._days.append(
                Totals(
                    t_ns=int(groups.t_ns[at]),
                    running_ns=int(running[at]),
                    trips=int(trips[at]),
                    energy_mj=int(energy[at]),
                )
            )
        self._last_ns, self._ran = int(groups.t_ns[-1]), bool(ran[-1])
        self._running_ns, self._energy_mj = int(running[-1]), int(energy[-1])
        good = np.full(len(ran), Reason.GOOD, np.uint8)
        columns: tuple[Floats, ...] = (running / 1e9, trips.astype(np.float64), energy / 1e3)
        return {name: Held(values=column, codes=good) for name, column in zip(QUANTITIES, columns, strict=True)}

    def stands(
        self, told: Mapping[str, Held], duty: Duty, water: Recovered, modelled_w: Floats | None, starts: Sequence[int]
    ) -> None:
        """What the stands of [m] groups said, for the book's trips.

        Args:
            told: share and torque index of the last stand that is over, and the trips counted.
            duty: [m].
            water: [m].
            modelled_w: [m] heat that the rig file's rotor would give the water; None where it has none.
            starts: groups at which a stand begins.
        """
        if modelled_w is not None:
            told = {**told, "rotor_to_water": self._contact.feed(duty, water, modelled_w, starts)}
        self.by_trip.feed(told)

    def _midnights(self, t_ns: Ints, before: int) -> Ints:
        """Groups with which a day of steady time begins; the very first group is one."""
        day = t_ns // _DAY_NS
        earlier = np.concatenate(([before // _DAY_NS if self._last_ns is not None else -1], day[:-1]))
        found: Ints = np.arange(len(day))[day != earlier]
        return found

    def _trips(self, groups: Groups) -> Ints:
        found, count = [], self._count
        sound = groups.worst("hook", "block") if self._by_hoist else groups.grades["heat"]
        first = groups.means["hook" if self._by_hoist else "heat"].tolist()
        block = groups.means["block"].tolist() if self._by_hoist else first
        for t_ns, grade, one, two in zip(groups.t_ns.tolist(), sound.tolist(), first, block, strict=True):
            if grade != BAD and self._by_hoist:
                count.hoisted(t_ns, one, two)
            elif grade != BAD:
                count.heated(t_ns, one)
            found.append(count.trips)
        return np.array(found, np.int64)

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        days = [[str(one.t_ns), str(one.running_ns), one.trips, str(one.energy_mj)] for one in self._days]
        return {
            "last": None if self._last_ns is None else str(self._last_ns),
            "ran": self._ran,
            "running": str(self._running_ns),
            "energy": str(self._energy_mj),
            "trips": self._count.state(),
            "days": days,
            "by-trip": self.by_trip.state(),
            "contact": self._contact.state(),
        }

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot, whatever the rig file says of sensors now: hours worked stay worked."""
        self._last_ns = None if kept["last"] is None else int(kept["last"])
        self._ran, self._running_ns, self._energy_mj = kept["ran"], int(kept["running"]), int(kept["energy"])
        self._count.restore(kept["trips"])
        self._days.extend(
            Totals(t_ns=int(t), running_ns=int(running), trips=trips, energy_mj=int(energy))
            for t, running, trips, energy in kept["days"]
        )
        if "by-trip" in kept:  # a record of before there was one
            self.by_trip.restore(kept["by-trip"])
        if "contact" in kept:
            self._contact.restore(kept["contact"])

    @property
    def shown(self) -> dict[str, tuple[float, int]]:
        """The counts as they stand, before the first group of a run."""
        good = int(Reason.GOOD)
        values = (self._running_ns / 1e9, float(self._count.trips), self._energy_mj / 1e3)
        return {name: (value, good) for name, value in zip(QUANTITIES, values, strict=True)}


def _runs(groups: Groups) -> NDArray[np.bool_]:
    """[m] whether the brake runs, or may."""
    runs: NDArray[np.bool_]
    if "drum" in groups.means:
        runs = (groups.grades["drum"] == BAD) | (np.abs(groups.means["drum"]) > _TURNS_RAD_S)
    elif "service" in groups.means:
        runs = (groups.grades["service"] != GOOD) | (groups.means["service"] >= 0.5)
    else:
        runs = (groups.grades["heat"] == BAD) | (groups.means["heat"] > LEAST_PULSE_W)
    return runs


def kept_totals(kept: Mapping[str, Any], t_ns: int) -> Totals:
    """Where the counts of a brake stood, out of what a snapshot keeps of it."""
    running, energy = int(kept["running"]), int(kept["energy"])
    return Totals(t_ns=t_ns, running_ns=running, trips=kept["trips"]["trips"], energy_mj=energy)


def heat_mj(added: Ints) -> Ints:
    """[m] heat of each group out of ``Energy.feed``'s [4, m]; a refrigerating brake is garbage, and counts nothing."""
    carried: Ints = np.maximum(added[0], 0)
    return carried
