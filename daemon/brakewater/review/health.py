"""A record's brakes, each with what its trips in tell of it: gathers for ``why`` what ledger, samples and book know."""

from bisect import bisect_right
from collections.abc import Sequence

import numpy as np

from brakewater.engine.book import OF_GAP
from brakewater.engine.excitation import least_a
from brakewater.physics.gap import Limits
from brakewater.review.ceiling import ceiling
from brakewater.review.contact import contact
from brakewater.review.samples import Sampled, Samples
from brakewater.review.torque import AS_NEW, share_trend, trend
from brakewater.review.trips import SETTLES_NS, TripLedger, TripLine
from brakewater.review.why import OF_CURRENT, OF_TORQUE, Condition, Told, condition, delay_of
from brakewater.rig import Brake
from brakewater.stream import Floats
from brakewater.wording import ENGLISH, Wording

_MOST_CONTACTS = 8
"""Trips whose contact is worked out, the first and the last among them: it takes a tenth of a second each."""
_AFTER_NS = SETTLES_NS // 2
"""So long after its last stand the heat of a trip still tells how it comes out of the rotor."""


def conditions(found: Sampled, ledger: TripLedger) -> dict[str, Condition]:
    """Brake -> what its trips in say together."""
    return {brake.name: _of(brake, found, ledger) for brake in found.of.values()}


def brake_lines(told: Condition, lines: Sequence[TripLine], words: Wording = ENGLISH) -> list[tuple[int, str]]:
    """What a brake's trips say of its torque and its current, and why where that can be told.

    Args:
        told: of the same brake.
        lines: its trips, in order of time.
        words: the language.

    Returns:
        Sentences, each with the number of trips that its torque index was taken from; 0 where it is of something else.
    """
    trips = [line.torque for line in lines if line.torque is not None]
    shares = [line.heat_share for line in lines if line.lowered and line.heat_share is not None]
    findings = {one.cause: one.says_so(words) for one in told.findings if one.cause != "hot-rotor"}
    incidents = [one.says_so(words) for one in told.findings if one.cause == "hot-rotor"]
    weak = next((findings.pop(cause) for cause in OF_TORQUE if cause in findings), None)
    short = next((findings.pop(cause) for cause in OF_CURRENT if cause in findings), None)
    unknown = findings.pop("unknown", None)
    found: list[tuple[int, str]] = [(len(trips), weak or trend(trips, words))] if trips else []
    share = share_trend(shares, trips, short or "")
    if unknown is not None and not (trips and trips[-1].verdict == AS_NEW):  # else ``share`` says more
        share = unknown
    if share or short:
        found.append((0, share or short or ""))
    return found + [(0, says) for says in (*findings.values(), *incidents)]


def _of(brake: Brake, found: Sampled, ledger: TripLedger) -> Condition:
    lines = [line for line in ledger.since_change(brake.name) if line.lowered]
    wanted = {round(at) for at in np.linspace(0, len(lines) - 1, min(_MOST_CONTACTS, len(lines)))}
    ends = [line.from_utc_ns for line in lines[1:]]
    gaps = [_gap(brake, found, until) for until in [*ends, None]]
    told = [
        _told(brake, line, found, gap_m, with_contact=at in wanted)
        for at, (line, gap_m) in enumerate(zip(lines, gaps, strict=False))
    ]
    limits = found.rig.upkeep.limits if found.rig.upkeep is not None else Limits()
    rotor, delay = brake.rotor, None
    if rotor is not None:
        delay = delay_of(rotor.surface, rotor.core, rotor.still + rotor.flowing)
    return condition(told, limits.nominal_m, delay, found.rig.units)


def _gap(brake: Brake, found: Sampled, until_ns: int | None) -> float | None:
    """The newest survey before the next trip begins: the mechanic measures when the brake has cooled."""
    since_ns = found.since_ns(brake.name, *OF_GAP) or 0
    of = [
        gap_m
        for utc_ns, name, gap_m in found.surveys
        if name == brake.name and since_ns <= utc_ns < (until_ns or utc_ns + 1)
    ]
    return of[-1] if of else None


def _told(brake: Brake, line: TripLine, found: Sampled, gap_m: float | None, *, with_contact: bool) -> Told:
    samples = found.brakes[brake.name]
    first = int(np.flatnonzero((samples.run == line.run) & (samples.input == line.from_input))[0])
    times = samples.t_ns.tolist()  # steady: the wall clock may be set in a trip
    end_ns = times[first] + round(line.lasts_s * 1e9)
    within = slice(first, bisect_right(times, end_ns, first))
    settled = min(bisect_right(times, end_ns + _AFTER_NS, first), _run_ends(samples, first))
    lowering = np.nan_to_num(samples.values["duty_w"][within]) > 0.0
    coil, volts = (samples.values[name][within][lowering] for name in ("coil_a", "coil_v"))
    rated_a = brake.torque.current if brake.torque is not None else None
    carries, most_a = coil >= least_a(brake), _most(samples.values["coil_most_a"][within][lowering])
    stayed = [one for one in samples.plateaus if times[first] <= one.t_ns <= end_ns]
    return Told(
        number=line.number,
        at_s=line.from_utc_ns / 1e9,
        torque=line.torque,
        share=line.heat_share,
        contact=contact(brake, samples, (first, settled)) if with_contact else None,
        excitation=_middle(samples.values["excitation"][within][lowering]),
        most_a=most_a,
        ceiling=None if most_a is None else ceiling(stayed, most_a, rated_a),
        coil_ohm=_middle(volts[carries] / coil[carries]),
        gap_m=gap_m,
        dry_s=line.flow_under_s,
        rotor_max_degc=_most(samples.values["rotor_degc"][within]),
    )


def _run_ends(samples: Samples, first: int) -> int:
    """Place after the last sample of the run that a trip began in."""
    return bisect_right(samples.run.tolist(), int(samples.run[first]))


def _middle(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else None


def _most(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return float(known.max()) if len(known) else None
