"""A year in the book: a bearing fails, scale builds, one month is skipped; each shows before the failure, in trips.

The year is this test's own, simpler than the simulator, which wears nothing out: a trip of 12 running hours every two
days, readings with a feeler gauge's step and a clumsy hand, one wild reading. Invented rates; what is tested is that
the book, fed only with what a mechanic would enter, speaks first.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pytest

import streams
from book_parts import Watch
from brakewater.physics.gap import NOMINAL_M, torque_share

pytestmark = pytest.mark.long

RIG = streams.parse(streams.demo().text + "\n[upkeep]\n")
TRIP_S, REST_S = 12 * 3600.0, 36 * 3600.0
TRIPS_A_MONTH = 15
IN = 0.0254
NEW_M = sum(NOMINAL_M) / 2
TOUCH_M = 0.0005 * IN
"""Closer, and the rotor rubs: the bearing's failure."""
WEAK = 0.45
"""Of its torque, and the brake does not hold the pace: the failure by scale and wear of the faces."""


@dataclass
class Year:
    """What really happens to the brake, by trips done; m."""

    shift: Callable[[int], float] = lambda _: 0.0
    """How far the rotor sits off its middle."""
    growth: Callable[[int], float] = lambda _: 0.0
    """By how much the magnetic gap has grown all around; half of it is scale that the gauge does not see."""
    skipped: tuple[int, ...] = ()
    first: dict[str, int] = field(default_factory=dict)

    def failed(self, trip: int) -> bool:
        return NEW_M - self.shift(trip) < TOUCH_M or torque_share(NEW_M + self.growth(trip), NEW_M) < WEAK

    def readings(self, trip: int, rng: np.random.Generator) -> dict[str, str]:
        found = {}
        for plug in range(1, 5):
            for side, sign in (("left", 1.0), ("right", -1.0)):
                gap = NEW_M + sign * self.shift(trip) + 0.5 * self.growth(trip) + rng.normal(0.0, 0.0002 * IN)
                found[f"plug-{plug}-{side}"] = f"{max(0.0, round(gap / IN * 2000) / 2000):.4f} in"
        if trip == 3 * TRIPS_A_MONTH:  # one is read wrong by far
            found["plug-2-left"] = f"{float(found['plug-2-left'].split()[0]) + 0.001:.4f} in"
        found["scale"] = f"{0.5 * self.growth(trip) / IN:.4f} in"
        return found


def lived(year: Year) -> tuple[int | None, dict[str, int]]:
    """The trip of the failure, None without one, and the first trip at which each of the book's alarms stood."""
    watch, rng = Watch(RIG), np.random.default_rng(8)
    for trip in range(1, 12 * TRIPS_A_MONTH + 1):
        watch.run(2)
        watch.t_ns += round(TRIP_S * 1e9)  # not watched, but the brake ran before it: it counts as running
        watch.run(2)
        watch.run(2, aux_in_service=0.0)
        watch.t_ns += round(REST_S * 1e9)
        watch.run(2, aux_in_service=0.0)
        month, of_month = divmod(trip, TRIPS_A_MONTH)
        names = {"grease"} if trip % 2 == 0 else set()
        names |= {"breathers", "outlets", "strainer"} if trip % 3 == 0 else set()
        names |= {"coils", "water", "air-gap"} if of_month == 0 else set()
        for name in sorted(names if month not in year.skipped else ()):
            values = year.readings(trip, rng) if name == "air-gap" else {}
            said = watch.do("log-round", round=name, **({"values": values} if values else {}))
            assert said.ok, said.says
        watch.run(2, aux_in_service=0.0)
        for alarm in watch.picture().alarms:
            if alarm.alarm.startswith(("round-due", "air-gap")) and alarm.active:
                year.first.setdefault(alarm.alarm, trip)
        if year.failed(trip):
            return trip, year.first
    return None, year.first


def worn(trip: int) -> float:
    """Slow for three months, then ever faster: 4 mil after nine."""
    return 0.004 * IN * max(0.0, (trip - 45) / 90) ** 2


def scaled(trip: int) -> float:
    return 0.0025 * IN * trip / 150


def test_a_good_year_alarms_nothing_that_was_done_in_time() -> None:
    failure, first = lived(Year())
    assert failure is None
    assert "air-gap-drifting:aux" not in first
    # A month here is fifteen trips, just 30 days; what is done with the last of them is due the very moment.
    assert set(first) <= {"round-due:grease", "round-due:air-gap", "round-due:coils", "round-due:water"}


CASES = {
    "bearing failing": (Year(shift=worn), "air-gap-drifting:aux", 15),
    "scale building": (Year(growth=scaled), "air-gap-drifting:aux", 30),
    "a month skipped, bearing failing": (Year(shift=worn, skipped=(6,)), "round-due:strainer", 20),
}


@pytest.mark.parametrize("case", CASES)
def test_the_book_speaks_before_the_failure(case: str) -> None:
    year, alarm, least = CASES[case]
    failure, first = lived(year)
    said = ", ".join(f"{name} at trip {trip}" for name, trip in sorted(first.items(), key=lambda item: item[1]))
    print(f"{case}: failure at trip {failure}; {said}")
    assert failure is not None
    assert failure - first[alarm] >= least
