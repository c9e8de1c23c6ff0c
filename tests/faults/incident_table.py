"""What a set of incidents and quiet hours comes to, as a table."""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from functools import reduce
from statistics import median
from typing import Final

from scipy.stats import beta, chi2

from brakewater_sim.faults import FAULTS
from brakewater_sim.leading import leading

from .incident_rows import Rows
from .told import WORST, Told, plain

HEAD = "cause                n told right silent limit late  median lead  leads"


def counts(one: Told) -> bool:
    """Whether an incident must be told: it passed a limit, raised something, or had no right to be silent."""
    return bool(one.limit or one.lead or not leading()[one.incident.cause].silent)


def late(one: Told) -> bool:
    """A limit was passed, and no accepted alarm had left the time to respond to it."""
    return bool(one.limit) and (one.lead_time_s is None or one.lead_time_s < one.wanted_s)


def lower_bound(right: int, of: int) -> float:
    """Lower 95 % bound of a share (Clopper and Pearson, one-sided)."""
    return float(beta.ppf(0.05, right, of - right + 1)) if right else 0.0


def upper_rate(count: int, hours: float) -> float:
    """Upper 95 % bound of a Poisson rate per 100 h (by chi squared, one-sided)."""
    return float(chi2.ppf(0.95, 2 * (count + 1))) / 2.0 / hours * 100.0


def rows(found: Sequence[Told]) -> Iterator[str]:
    """One line a cause that was drawn."""
    by_cause: dict[str, list[Told]] = defaultdict(list)
    for one in found:
        by_cause[one.incident.cause].append(one)
    yield HEAD
    for cause in FAULTS:
        if some := by_cause.get(cause):
            yield _row(cause, some)


def _row(cause: str, some: Sequence[Told]) -> str:
    told, right, silent = (
        sum(bool(one.lead) for one in some), sum(one.accepted for one in some), sum(not counts(one) for one in some)
    )  # fmt: skip
    limits, too_late = sum(bool(one.limit) for one in some), sum(late(one) for one in some)
    times = [one.lead_time_s for one in some if one.lead_time_s is not None]
    lead = f"{median(times):.0f} s" if times else ""
    names = Counter(plain(one.lead) or "-" for one in some).most_common()
    leads = ", ".join(f"{name} {count}" for name, count in names)
    numbers = f"{len(some):>3} {told:>4} {right:>5} {silent:>6} {limits:>5} {too_late:>4}"
    return f"{cause:<18} {numbers}  {lead:>11}  {leads}"


def table(got: Rows, seed: int) -> Iterator[str]:
    """The whole report."""
    found, quiet = got.incidents(), got.hours()
    incidents, hours = len(found), len(quiet)
    yield f"Incidents, {datetime.now(UTC):%Y-%m-%d}, seed {seed}: {incidents}, and {hours} h of fault-free tripping"
    yield f"Command: python -m tests.faults.incidents --incidents {incidents} --hours {hours} --seed {seed} --write"
    yield f"Code: incidents {got.by_code('incident')}; hours {got.by_code('hour')}"
    yield "told: something was raised; right: its first alarm is an accepted one; silent: rightly nothing, not counted;"
    yield "limit: bearing, outlet or rotor limit passed, nobody acting"
    yield "late: no accepted alarm came with its own time to respond left"
    yield ""
    yield from rows(found)
    yield ""
    yield from _sums(found, quiet)
    yield ""
    yield from _silences(found)
    yield ""
    for one in found:
        if (counts(one) and not one.accepted) or late(one):
            yield f"incident {one.incident.number}: {_said(one)}"
    yield from [alarm for hour in quiet for alarm in hour]
    yield from _early(found)


SHOWS: Final[dict[str, tuple[str, ...]]] = {
    **dict.fromkeys(
        ("strainer-plugging", "filter-plugging", "pump-wear", "air-in-line"), ("inlet-flow", "supply-pressure")
    ),
    "valve-opened": ("brake-level",),
    "leaking-supply": ("return-flow",),
    "tank-leak": ("tank-level", "inlet-temperature"),
    **dict.fromkeys(("cooler-fan-off", "hot-day", "small-tank"), ("inlet-temperature", "outlet-temperature")),
    "too-fast": ("inlet-temperature", "outlet-temperature"),
    **dict.fromkeys(("scaled-rotor", "widening-gap", "weak-excitation"), ("outlet-temperature", "rotor")),
}
"""Cause -> the plant's quantities by which it would show."""
UNITS: Final = {
    **dict.fromkeys(("inlet-flow", "return-flow"), ("gal/min", 6.30902e-5)),
    **dict.fromkeys(("brake-level", "tank-level"), ("m", 1.0)),
    "supply-pressure": ("psi", 6894.757),
}
LIMITS: Final = (
    "limits of the rigs: inlet 37.8 degC, outlet 71.1 degC, rotor 250 degC, level 0.45 m, tank 1.5 m, pressure 34 psi,"
    " flow 75 or 150 gal/min"
)


def _silences(found: Sequence[Told]) -> Iterator[str]:
    """Why nothing was told, by cause, with the worst that the plant came to while it was watched."""
    yield f"Rightly silent, and why ({LIMITS}):"
    for cause in FAULTS:
        some = [one for one in found if one.incident.cause == cause and not counts(one)]
        if some:
            yield f"  {cause} {len(some)}: {leading()[cause].silent}{_worst(cause, some)}"


def _worst(cause: str, some: Sequence[Told]) -> str:
    said = []
    for name in SHOWS.get(cause, ()):
        unit, size = UNITS.get(name, ("degC", 1.0))
        worse, classes = WORST[name], defaultdict(list)
        for one in some:
            if name in one.passed:
                classes[one.incident.brake if "flow" in name else ""].append(one.passed[name] / size)
        for brake, values in sorted(classes.items()):
            bound = "at most" if worse is max else "at least"
            said.append(f"{name}{f' of the {brake} class' if brake else ''} {bound} {reduce(worse, values):.4g} {unit}")
    return "; " + ", ".join(said) if said else ""


def _early(found: Sequence[Told]) -> list[str]:
    return [f"{alarm} before incident {one.incident.number}" for one in found for alarm in one.early]


def _sums(found: Sequence[Told], quiet: Sequence[Sequence[str]]) -> Iterator[str]:
    must = [one for one in found if counts(one)]
    if must:
        right = sum(one.accepted for one in must)
        bound = lower_bound(right, len(must))
        share = f"{right} of {len(must)} ({right / len(must):.1%})"
        yield f"leading alarm accepted: {share}, lower 95 % bound {bound:.3f} (wanted 0.90)"
    damaging = [one for one in found if one.limit]
    in_time = sum(not late(one) for one in damaging)
    yield f"damaging: {len(damaging)}, told before the limit with time to respond: {in_time}"
    if quiet:
        false = sum(len(hour) for hour in quiet)
        rate, most = 100.0 * false / len(quiet), upper_rate(false, len(quiet))
        yield f"false alarms: {rate:.1f} in 100 h ({false} in {len(quiet)}), upper 95 % bound {most:.1f} (wanted 1)"
    yield f"alarms before anything was wrong: {len(_early(found))}"


def _said(one: Told) -> str:
    """One exception in words."""
    incident = one.incident
    where = f" of {incident.role}" if incident.role else ""
    lead = f"led by {one.lead} after {one.after_s:.0f} s" if one.lead else "nothing told"
    limit = ""
    if one.limit:
        left = f"{one.lead_time_s:.0f} s left of {one.wanted_s:.0f} s" if one.lead_time_s is not None else "untold"
        limit = f"; {one.limit} limit passed, {left}"
    return f"{incident.cause}{where}, severity {incident.severity}, {incident.brake}: {lead}{limit}"
