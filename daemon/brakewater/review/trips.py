"""The ledger of trips: what each trip found in a record was, and what it cost the brake."""

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import sqrt
from typing import Final

import numpy as np

from brakewater.errors import StorageError
from brakewater.record.reader import Record
from brakewater.review.alarm_figures import turn_of
from brakewater.review.outside import Hoisted, laid_over, proposed
from brakewater.review.replay import Tally
from brakewater.review.samples import Sampled, Samples, sampled
from brakewater.review.stands import stands_of
from brakewater.review.stored import TO_AIR, Held, held
from brakewater.review.torque import Torque, torque
from brakewater.rig import Rig
from brakewater.stream import Event, Floats
from brakewater.trips.grouping import Trip, trips
from brakewater.trips.ton_miles import TON_MILE_J

SETTLES_NS: Final = 600_000_000_000
"""So long after its last stand a trip's heat still comes out of the rotor, unless the next trip has begun."""
_SLICE = 10
"""Samples over which a peak of heat is meant: the thermometer's noise is no peak."""
_STEP_S: Final = 2.0
"""A wall clock that is off by less has not been set, for all that its labels tell."""
_SLEW: Final = 1e-3
"""Faster than this no time service slews a clock (Linux: 500 ppm, adjtimex(2))."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TripLine:
    """One line of the ledger, in SI."""

    number: int
    brake: str
    lowered: bool
    found_by: str
    """``hoist`` where any of its stands was, else ``heat``."""
    from_utc_ns: int
    to_utc_ns: int
    run: int
    from_input: int
    lasts_s: float
    stands: int
    way_m: float | None
    stands_per_hour: float
    pauses: int
    pauses_s: float
    energy_j: float
    """Carried off by the water, with what came out of the rotor within ten minutes after."""
    energy_std_j: float
    """Standard uncertainty: the sensors' errors last through a trip, so they add up and do not average out."""
    stored_j: float | None
    """What rotor and housing hold more then than when it began; None where the rig file has no rotor."""
    put_in_j: float | None
    """Carried off and stored."""
    put_in_std_j: float | None
    """Of the sensors, the rotor's masses, and of what went into the air instead."""
    mean_heat_w: float
    peak_heat_w: float
    outlet_max_degc: float | None
    flow_min_m3_s: float | None
    worst_margin: float | None
    inlet_over_s: float
    outlet_over_s: float
    flow_under_s: float
    level_over_s: float
    warmed_k: float | None
    """Of the tank, or of the inlet where there is no tank thermometer."""
    torque: Torque | None
    """None where the rig file lacks what it needs, or for fewer than two stands lowered."""
    ton_miles: float | None
    """Hook load times way of the block, all moves."""
    known: float
    """Part of the trip in which the heat was known."""
    alarms: tuple[tuple[str, int], ...]
    """Raised in the trip: name and how often, in the order they came."""

    @property
    def heat_share(self) -> tuple[float, float] | None:
        """Part of the hoist's work that the water carried off, and its standard uncertainty; None without the hoist."""
        if not self.ton_miles:
            return None
        work_j = self.ton_miles * TON_MILE_J
        return self.energy_j / work_j, self.energy_std_j / work_j

    @property
    def stepped_s(self) -> float:
        """By how much the wall clock was set on (back: below zero) in it; 0.0 for one that was only slewed."""
        off_s = (self.to_utc_ns - self.from_utc_ns) / 1e9 - self.lasts_s
        return off_s if abs(off_s) > max(_STEP_S, _SLEW * self.lasts_s) else 0.0

    @property
    def window(self) -> tuple[int, int]:
        """Wall time in ns that every scan of it falls into, the end itself not included.

        Where the clock was set in it, scans from around it fall into that too: those that were given the same times.
        """
        lasts_ns = round(self.lasts_s * 1e9) if self.stepped_s else 0
        if not lasts_ns:
            return self.from_utc_ns, self.to_utc_ns + 1
        begin, end = self.to_utc_ns - lasts_ns, self.from_utc_ns + lasts_ns
        return min(self.from_utc_ns, begin), max(self.to_utc_ns, end) + 1


@dataclass(frozen=True, slots=True, kw_only=True)
class TripLedger:
    """All trips of a record."""

    rig: Rig
    lines: tuple[TripLine, ...]
    tally: Tally
    notes: tuple[str, ...] = ()
    """What was assumed on the way."""
    since_ns: Mapping[str, int] = field(default_factory=dict)
    """Brake -> when one of its parts was changed last (``change-part``), where one was."""

    def since_change(self, brake: str) -> tuple[TripLine, ...]:
        """A brake's trips since then, all of them where nothing was changed: those that may be compared."""
        since_ns = self.since_ns.get(brake, 0)
        return tuple(line for line in self.lines if line.brake == brake and line.from_utc_ns >= since_ns)


def ledger(
    record: Record, hoist: tuple[Hoisted, float | None] | None = None, *, from_run: int = 0
) -> TripLedger | None:
    """Every trip, brake by brake and in order of time; None where the record holds no scan; see ``examined``."""
    found = examined(record, hoist, from_run=from_run)
    return None if found is None else found[1]


def examined(
    record: Record, hoist: tuple[Hoisted, float | None] | None = None, *, from_run: int = 0
) -> tuple[Sampled, TripLedger] | None:
    """What a record gave, and its ledger; None where the record holds no scan.

    Args:
        record: what to look through.
        hoist: another system's hook load and block position, used instead of the record's own, and the offset of its
            clock in s, or None for the one that is proposed.
        from_run: the first run looked through; trips are numbered from there.

    Raises:
        StorageError: no offset was given and none can be told.
    """
    found = sampled(record, from_run)
    if found is None:
        return None
    notes: list[str] = []
    if hoist is not None:
        found, notes = _laid_over(found, *hoist)
    return found, ledger_of(found, notes)


def ledger_of(found: Sampled, notes: Sequence[str] = ()) -> TripLedger:
    """Every trip of what a record gave."""
    lines = [line for name, samples in found.brakes.items() for line in _lines(name, samples, found)]
    lines.sort(key=lambda line: (line.run, line.from_input, line.brake))  # the wall clock may be set back
    numbered = tuple(_numbered(line, at) for at, line in enumerate(lines, 1))
    changed = {name: at for name in found.brakes if (at := found.since_ns(name)) is not None}
    return TripLedger(rig=found.rig, lines=numbered, tally=found.tally, notes=tuple(notes), since_ns=changed)


def _laid_over(found: Sampled, hoisted: Hoisted, offset_s: float | None) -> tuple[Sampled, list[str]]:
    brakes, notes = {}, []
    for name, samples in found.brakes.items():
        by_s = offset_s
        if by_s is None:
            told = proposed(samples, hoisted)
            if told is None or not told.clear:
                likely = "" if told is None else f": {told.offset_s} s fits {told.likeness:.2f}"
                likely += "" if told is None else f", another {told.next_best:.2f}"
                raise StorageError(f"{name}: cannot tell the offset of the other system's clock{likely}; give --offset")
            by_s = float(told.offset_s)
            fit = f"fits {told.likeness:.2f}, next best {told.next_best:.2f}"
            notes.append(f"{name}: the other system's times moved by {told.offset_s} s ({fit}); --offset sets another")
        brakes[name] = laid_over(samples, hoisted, by_s)
    return replace(found, brakes=brakes), notes


def line_of(record: Record, number: int) -> TripLine:
    """One trip.

    Raises:
        StorageError: the record holds no such trip.
    """
    found = ledger(record)
    lines = found.lines if found is not None else ()
    if not 1 <= number <= len(lines):
        allowed = f"1 to {len(lines)}" if lines else "nothing: no trip was found in this record"
        raise StorageError(f"trip {number}; allowed: {allowed} (brakewater trips RECORD shows them)")
    return lines[number - 1]


def _numbered(line: TripLine, number: int) -> TripLine:
    fields = {name: getattr(line, name) for name in TripLine.__slots__}
    return TripLine(**{**fields, "number": number})


def _lines(brake: str, samples: Samples, found: Sampled) -> list[TripLine]:
    holds = held(found.of[brake], samples)
    one_by_one = list(trips(stands_of(samples)))
    lines = []
    for at, trip in enumerate(one_by_one):
        until_ns = trip.stands[-1].end_ns + SETTLES_NS
        for after in one_by_one[at + 1 : at + 2]:
            until_ns = min(until_ns, after.stands[0].begin_ns)
        lines.append(_line(brake, trip, (until_ns, holds), samples, found))
    return lines


def _line(brake: str, trip: Trip, ends: tuple[int, Held | None], samples: Samples, found: Sampled) -> TripLine:
    until_ns, holds = ends
    first, last = trip.stands[0].begin, trip.stands[-1].end
    settled = bisect_right(samples.t_ns.tolist(), until_ns) - 1
    within, after = slice(first, last + 1), slice(first, settled + 1)

    def total(name: str, end: int) -> int:
        return int(samples.totals[name][end] - samples.totals[name][first])

    energy, std = total("heat_mj", settled) / 1e3, total("heat_std_mj", settled) / 1e3
    stored, put_in, put_in_std = _put_in(energy, std, None if holds is None else holds.grown(first, settled))
    lasts_s = (samples.t_ns[last] - samples.t_ns[first]) / 1e9
    ways = [stand.way_m for stand in trip.stands if stand.way_m is not None]
    return TripLine(
        number=0,
        brake=brake,
        lowered=trip.lowered,
        found_by="hoist" if ways else "heat",
        from_utc_ns=int(samples.utc_ns[first]),
        to_utc_ns=int(samples.utc_ns[last]),
        run=int(samples.run[first]),
        from_input=int(samples.input[first]),
        lasts_s=float(lasts_s),
        stands=trip.count,
        way_m=sum(ways) if ways else None,
        stands_per_hour=trip.stands_per_hour,
        pauses=len(trip.pauses_ns),
        pauses_s=sum(trip.pauses_ns) / 1e9,
        energy_j=energy,
        energy_std_j=std,
        stored_j=stored,
        put_in_j=put_in,
        put_in_std_j=put_in_std,
        mean_heat_w=total("heat_mj", last) / 1e3 / lasts_s if lasts_s > 0 else 0.0,
        peak_heat_w=_peak(samples.values["heat_w"][after]),
        outlet_max_degc=_most(samples.values["outlet_degc"][within]),
        flow_min_m3_s=_least(samples.values["flow_m3_s"][within]),
        worst_margin=_least(samples.values["margin"][within]),
        inlet_over_s=total("inlet_over_ns", last) / 1e9,
        outlet_over_s=total("outlet_over_ns", last) / 1e9,
        flow_under_s=total("flow_under_ns", last) / 1e9,
        level_over_s=total("level_over_ns", last) / 1e9,
        warmed_k=_warmed(samples, within),
        torque=torque(samples.values["torque_index"][after], samples.values["torque_index_std"][after]),
        ton_miles=_ton_miles(samples, within),
        known=total("known_ns", last) / max(1, int(samples.t_ns[last] - samples.t_ns[first])),
        alarms=_alarms(brake, samples, (first, last), found.events),
    )


def _peak(heat: Floats) -> float:
    """Highest mean of ten samples."""
    known = heat[np.isfinite(heat)]
    if len(known) < _SLICE:
        return float(known.max()) if len(known) else 0.0
    sums = np.cumsum(np.concatenate([[0.0], known]))
    return float((sums[_SLICE:] - sums[:-_SLICE]).max() / _SLICE)


def _least(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return float(known.min()) if len(known) else None


def _most(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return float(known.max()) if len(known) else None


def _put_in(
    energy: float, std: float, grown: tuple[float, float] | None
) -> tuple[float | None, float | None, float | None]:
    """Stored, put in, and its standard uncertainty."""
    if grown is None:
        return None, None, None
    stored, stored_std = grown
    to_air = TO_AIR / sqrt(3.0) * (energy + stored)
    return stored, energy + stored, sqrt(std * std + stored_std * stored_std + to_air * to_air)


def _warmed(samples: Samples, within: slice) -> float | None:
    for name in ("tank_degc", "inlet_degc"):
        values = samples.values[name][within]
        known = values[np.isfinite(values)]
        if len(known) > 1:
            return float(known[-1] - known[0])
    return None


def _ton_miles(samples: Samples, within: slice) -> float | None:
    load, block = samples.values["load_n"][within], samples.values["block_m"][within]
    good = np.isfinite(load) & np.isfinite(block)
    if good.sum() < 2:
        return None
    load, block = load[good], block[good]
    steps = np.abs(np.diff(block))
    return float((0.5 * (load[1:] + load[:-1]) * np.where(steps > _STILL_M, steps, 0.0)).sum() / TON_MILE_J)


_STILL_M: Final = 0.02
"""A shorter step in a second is noise of the encoder."""


def _alarms(brake: str, samples: Samples, ends: tuple[int, int], events: list[Event]) -> tuple[tuple[str, int], ...]:
    keys = [(event.run, event.input) for event in events]
    begin, end = ((int(samples.run[at]), int(samples.input[at])) for at in ends)
    raised = [
        event.alarm
        for event in events[bisect_left(keys, begin) : bisect_right(keys, end)]
        if event.brake in (None, brake) and (turn := turn_of(event)) is not None and turn.new
    ]
    return tuple(Counter(raised).items())
