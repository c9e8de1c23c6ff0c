"""Years in the upkeep book: brakes that wear as the simulator draws it, and when the book speaks.

    cd tests && python -m faults.years --years 20            prints the table
    cd tests && python -m faults.years --years 20 --write    and keeps it as tests/results/DATE-upkeep-years.txt

A year is 180 trips of 12 running hours, one every two days. The mechanic does every round in time, or skips one month
as told. Wear and readings are drawn by ``brakewater_sim/wear.py`` from kind and seed; the book is given only what a
mechanic would enter. It speaks where an alarm of the book stands.
"""

import argparse
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from statistics import median

import streams
from book_parts import Watch
from brakewater_sim import wear

RESULTS = Path(__file__).parents[1] / "results"
RIG = streams.parse(streams.demo().text + "\n[upkeep]\n")
TRIP_H, REST_H = 12.0, 36.0
TRIPS_A_MONTH = 15
MONTHS = 12
TRIP_J = 1.2e10
"""Heat of a trip: 280 kW over its 12 hours; invented."""
GAP = "air-gap-drifting:aux"
CASES: dict[str, tuple[str, bool]] = {
    "sound": ("sound", False),
    "bearing failing": ("bearing", False),
    "scale building": ("scale", False),
    "bearing failing, a month skipped": ("bearing", True),
}
"""Case -> (kind of wear, whether a month is skipped)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Year:
    """What came of one."""

    case: str
    seed: int
    failed: int | None
    """Trip at which the brake failed."""
    first: dict[str, int]
    """Alarm of the book -> the first trip at which it stood."""
    skipped: int | None
    """Month in which nothing was done."""

    @property
    def before(self) -> int | None:
        """Trips from the gap's alarm to the failure; None without a failure, negative never: it then counts as 0."""
        if self.failed is None:
            return None
        return self.failed - self.first[GAP] if GAP in self.first else 0

    @property
    def found_out(self) -> int | None:
        """Trips from the end of the skipped month's first unserved due date to the first round overdue."""
        if self.skipped is None:
            return None
        due = [trip for alarm, trip in self.first.items() if alarm.startswith("round-due") and "grease" not in alarm]
        return min(due) - self.skipped * TRIPS_A_MONTH if due else None


def lived(case: str, seed: int) -> Year:
    """One year, until the brake fails."""
    kind, skips = CASES[case]
    worn, draw = wear.drawn(kind, seed), Random(f"{seed}:{case}:hand")
    skipped = draw.randrange(3, 8) if skips else None
    watch, first, failed = Watch(RIG), dict[str, int](), None
    for trip in range(1, MONTHS * TRIPS_A_MONTH + 1):
        _trip(watch)
        month, of_month = divmod(trip, TRIPS_A_MONTH)
        if month != skipped:
            _rounds(watch, trip, of_month, wear.feeler(worn, trip * TRIP_H, trip * TRIP_J, draw))
        watch.run(2, aux_in_service=0.0)
        for alarm in watch.picture().alarms:
            if alarm.alarm.startswith(("round-due", "air-gap")) and alarm.active:
                first.setdefault(alarm.alarm, trip)
        if worn.has_failed(trip * TRIP_H, trip * TRIP_J):
            failed = trip
            break
    return Year(case=case, seed=seed, failed=failed, first=first, skipped=skipped)


def _trip(watch: Watch) -> None:
    """Seen at both ends only; what lies between counts by them."""
    watch.run(2)
    watch.t_ns += round(TRIP_H * 3.6e12)
    watch.run(2)
    watch.run(2, aux_in_service=0.0)
    watch.t_ns += round(REST_H * 3.6e12)
    watch.run(2, aux_in_service=0.0)


def _rounds(watch: Watch, trip: int, of_month: int, readings: Mapping[str, float]) -> None:
    names = {"grease"} if trip % 2 == 0 else set()
    names |= {"breathers", "outlets", "strainer"} if trip % 3 == 0 else set()
    names |= {"coils", "water", "air-gap"} if of_month == 0 else set()
    for name in sorted(names):
        more = {"values": {key: f"{1e3 * m:.6f} mm" for key, m in readings.items()}} if name == "air-gap" else {}
        said = watch.do("log-round", round=name, **more)
        assert said.ok, said.says


def table(years: Sequence[Year]) -> list[str]:
    """The table."""
    lines = [f"{'case':34} years failed told trips before (median)  gap alarm in years that did not fail"]
    for case in CASES:
        own = [one for one in years if one.case == case]
        failed = [one for one in own if one.failed is not None]
        before = sorted(one.before or 0 for one in failed)
        told = sum(1 for one in before if one > 0)
        span = f"{before[0]} to {before[-1]} ({median(before):g})" if before else "-"
        quiet = [one for one in own if one.failed is None]
        spoke = sum(GAP in one.first for one in quiet)
        lines.append(f"{case:34} {len(own):5} {len(failed):6} {told:4} {span:22} {spoke} of {len(quiet)}")
    skipped = [one.found_out for one in years if one.skipped is not None]
    known = [one for one in skipped if one is not None]
    late = f"{min(known)} to {max(known)}" if known else "-"
    lines += ["", f"skipped month: {len(known)} of {len(skipped)} found out, {late} trips after it began"]
    lines += ["", "each year that failed: case, seed, trip of the failure, first alarms"]
    for one in years:
        if one.failed is not None:
            said = ", ".join(f"{name} {trip}" for name, trip in sorted(one.first.items(), key=lambda item: item[1]))
            lines.append(f"{one.case}, {one.seed}: {one.failed}; {said or 'nothing'}")
    return lines


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(description="Years in the upkeep book, as a table.")
    parser.add_argument("--years", type=int, default=20, help="of each case")
    parser.add_argument("--seed", type=int, default=1, help="the first of them")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--write", action="store_true", help="keep it in tests/results")
    args = parser.parse_args()
    asked = [(case, seed) for case in CASES for seed in range(args.seed, args.seed + args.years)]
    with ProcessPoolExecutor(args.jobs) as pool:
        years = list(pool.map(lived, *zip(*asked, strict=True)))
    head = [
        f"Years in the upkeep book, {datetime.now(UTC):%Y-%m-%d}; seeds {args.seed} to {args.seed + args.years - 1}",
        f"Command: cd tests && python -m faults.years --years {args.years} --seed {args.seed}",
        "",
    ]
    text = "\n".join([*head, *table(years)]) + "\n"
    print(text, end="")
    if args.write:
        (RESULTS / f"{datetime.now(UTC):%Y-%m-%d}-upkeep-years.txt").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
