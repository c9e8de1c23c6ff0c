"""A replayed record thinned to about one sample a second, with totals that lose nothing in between.

Totals run over every scan as integers (mJ, ns), so that they are the same however the record is cut into blocks. A scan
counts for the time until the next one, at most three scans: a longer hole is a gap and counts for nothing.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from brakewater.engine import Engine
from brakewater.quality import is_bad
from brakewater.record.reader import Record
from brakewater.review.ceiling import Plateau, Plateaus
from brakewater.review.replay import Tally, replayed
from brakewater.rig import Brake, Rig
from brakewater.stream import Block, BookNow, Command, Event, Floats, Gap, Ints, Outcome

HOLD_SCANS: Final = 3
EVERY_NS: Final = 1_000_000_000
TOTALS: Final = (
    "heat_mj", "heat_std_mj", "known_ns", "inlet_over_ns", "outlet_over_ns", "flow_under_ns", "level_over_ns",
)  # fmt: skip
"""Running totals; mJ is millijoules."""
VALUES: Final = (
    "load_n", "block_m", "heat_w", "margin", "inlet_degc", "outlet_degc", "flow_m3_s", "level_m", "tank_degc",
    "rotor_degc", "torque_index", "torque_index_std", "duty_w", "excitation", "coil_a", "coil_v",
    "coil_most_a",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Samples:
    """One brake's record: [n] each, NaN where bad or absent; totals count from the record's begin."""

    t_ns: Ints
    utc_ns: Ints
    run: Ints
    input: Ints
    values: dict[str, Floats]
    totals: dict[str, Ints]
    plateaus: tuple[Plateau, ...] = ()
    """Where the coil's current stayed while more was asked for, in order of time."""
    step_s: float = 1.0
    """Time from one to the next: about a second, as so many scans make it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sampled:
    """What a record gives to its ledger of trips."""

    rig: Rig
    brakes: dict[str, Samples]
    events: list[Event]
    tally: Tally
    surveys: tuple[tuple[int, str, float], ...] = ()
    """Air gaps as they were entered: when, of which brake, the mean in m with the scale added."""
    changes: tuple[tuple[int, str, str], ...] = ()
    """Parts as they were changed: since when, of which brake, which."""
    of: Mapping[str, Brake] = field(default_factory=dict)
    """Each brake as the newest rig file that has it says: one may be gone from the newest of all, or renamed."""

    def since_ns(self, brake: str, *parts: str) -> int | None:
        """When the newest of a brake's parts (default: any) came: what was measured before says nothing of after."""
        return max((at for at, of, part in self.changes if of == brake and part in (parts or (part,))), default=None)


def sampled(record: Record, from_run: int = 0) -> Sampled | None:
    """Every brake's samples from a run on; None where the record holds no scan."""
    engine, tally = Engine(), Tally()
    events: list[Event] = []
    surveys = Surveys()
    changes: list[tuple[int, str, str]] = []
    makers: dict[str, _Maker] = {}
    brakes: dict[str, Brake] = {}
    for item, outcome in replayed(record, engine, tally, from_run):
        events += outcome.events
        if isinstance(item, Block):
            brakes |= {brake.name: brake for brake in engine.rig.brakes}
            for brake in engine.rig.brakes:
                makers.setdefault(brake.name, _Maker(brake)).feed(item, engine.rig, brake, outcome)
        elif isinstance(item, Command) and item.request.do == "log-round" and outcome.answers[0].ok:
            surveys.entered(engine.book(), item)
        elif isinstance(item, Command) and item.request.do == "change-part":
            changes += _changes(engine)
        elif isinstance(item, Gap):
            for maker in makers.values():
                maker.break_off()
    if not makers:
        return None
    return Sampled(
        rig=engine.rig, brakes={name: maker.samples() for name, maker in makers.items()}, events=events, tally=tally,
        surveys=surveys.all(), changes=tuple(dict.fromkeys(changes)), of=brakes,
    )  # fmt: skip


class Surveys:
    """Air gaps as they were entered, without those that were struck out since."""

    def __init__(self) -> None:
        self._stood: dict[str, tuple[int, float]] = {}
        """By brake: how many surveys there are, and the newest mean."""
        self._found: list[tuple[str, int, str, float]] = []
        """Entry, when, brake, mean in m."""

    def entered(self, book: BookNow | None, command: Command) -> None:
        """After a round was taken into the book."""
        if book is None:
            return
        corrected = str(command.request.args.get("corrects", ""))
        self._found = [one for one in self._found if one[0] != corrected]
        for gap in book.gaps:
            before, after = self._stood.get(gap.brake, (0, 0.0)), (gap.surveys, gap.mean_m)
            if after != before and after[0] >= before[0]:
                self._found.append((book.entries[-1].id, command.utc_ns, gap.brake, gap.mean_m))
        self._stood = {gap.brake: (gap.surveys, gap.mean_m) for gap in book.gaps}

    def all(self) -> tuple[tuple[int, str, float], ...]:
        """When, of which brake, mean in m."""
        return tuple((utc_ns, brake, mean_m) for _, utc_ns, brake, mean_m in self._found)


def _changes(engine: Engine) -> list[tuple[int, str, str]]:
    """Every part that is in there now: one that was refused adds none."""
    book = engine.book()
    return [] if book is None else [(part.since_utc_ns, part.brake, part.part) for part in book.parts]


class _Maker:
    """Thins one brake's scans."""

    def __init__(self, brake: Brake) -> None:
        self._plateaus = Plateaus(brake)
        self._last_ns: int | None = None
        self._rates: dict[str, int] = {}
        """What the last scan adds to each total, a second, until the next one comes."""
        self._sums = dict.fromkeys(TOTALS, 0)
        self._step_s = 1.0
        self._most_a = np.nan
        """Coil current since the last sample."""
        self._parts: list[dict[str, Any]] = []

    def break_off(self) -> None:
        """Scans were lost: the last one counts no further."""
        self._last_ns, self._most_a = None, np.nan

    def feed(self, block: Block, rig: Rig, brake: Brake, outcome: Outcome) -> None:
        """One more block."""
        values = _values(rig, brake, outcome)
        rates = _rates(brake, values)
        hold_ns = HOLD_SCANS * rig.scan_ns
        lasts = self._lasts_ns(block, hold_ns)
        self._plateaus.feed(block.t_ns, lasts, values["coil_a"], values["asked_a"])
        part: dict[str, Any] = {}
        every = max(1, round(EVERY_NS / rig.scan_ns))
        self._step_s = every * rig.scan_ns / 1e9
        keep = np.flatnonzero((block.input - 1) % every == 0)
        for name, rate in rates.items():
            before = np.concatenate([[self._rates.get(name, 0)], rate[:-1]])
            grown = before * lasts if name.endswith("_ns") else _energy_mj(before, lasts)
            total = self._sums[name] + np.cumsum(grown)
            self._sums[name], self._rates[name] = int(total[-1]), rate[-1].item()
            part[name] = total[keep]
        values["coil_most_a"] = self._most(values["coil_a"], keep)
        part |= {name: values[name][keep] for name in VALUES}
        part |= {name: getattr(block, name)[keep] for name in ("t_ns", "utc_ns", "input")}
        part["run"] = np.full(len(keep), block.run)
        self._parts.append(part)

    def _most(self, amps: Floats, keep: Ints) -> Floats:
        """For each kept scan the highest since the one kept before, at its place among all [n]; NaN elsewhere."""
        most = np.full(len(amps), np.nan)
        begins = np.concatenate(([0], keep + 1))
        peaks = np.fmax.reduceat(amps, begins[begins < len(amps)])
        peaks[0] = np.fmax(peaks[0], self._most_a)
        most[keep] = peaks[: len(keep)]
        self._most_a = peaks[-1] if len(peaks) > len(keep) else np.nan
        return most

    def _lasts_ns(self, block: Block, hold_ns: int) -> Ints:
        """For each scan how long the one before it was in force."""
        first = block.t_ns[0] if self._last_ns is None else self._last_ns
        since = np.diff(np.concatenate([[first], block.t_ns]))
        self._last_ns = int(block.t_ns[-1])
        return np.where(since <= hold_ns, since, 0)

    def samples(self) -> Samples:
        """All of it."""
        joined = {name: np.concatenate([part[name] for part in self._parts]) for name in self._parts[0]}
        return Samples(
            t_ns=joined["t_ns"],
            utc_ns=joined["utc_ns"],
            run=joined["run"],
            input=joined["input"],
            values={name: joined[name] for name in VALUES},
            totals={name: joined[name] for name in TOTALS},
            plateaus=tuple(self._plateaus.found),
            step_s=self._step_s,
        )


def _energy_mj(rate_w: Ints, lasts_ns: Ints) -> Ints:
    """Whole millijoules: W held as whole mW times ns would not fit, so the time goes in as whole microseconds."""
    return rate_w * (lasts_ns // 1000) // 1_000_000


def _values(rig: Rig, brake: Brake, outcome: Outcome) -> dict[str, Floats]:
    def point(role: str, of: str | None) -> Floats:
        found = rig.all_of_role(role, of)
        if not found:
            return np.full(length, np.nan)
        column = outcome.readings[found[0].name]
        return np.where(is_bad(column.codes), np.nan, column.values)

    def derived(name: str) -> Floats:
        if (brake.name, name) not in outcome.derived:  # the rig file lacks what it needs
            return np.full(length, np.nan)
        column = outcome.derived[brake.name, name]
        return np.where(is_bad(column.codes), np.nan, column.values)

    length = len(outcome.derived[brake.name, "heat_w"].values)
    return {
        "load_n": point("hook-load", None),
        "block_m": point("block-position", None),
        "heat_w": derived("heat_w"),
        "heat_std_w": derived("heat_std_w"),
        "margin": derived("cooling_margin"),
        "inlet_degc": point("inlet-temperature", brake.name),
        "outlet_degc": point("outlet-temperature", brake.name),
        "flow_m3_s": point("inlet-flow", brake.name),
        "level_m": point("brake-level", brake.name),
        "tank_degc": point("tank-temperature", None),
        "rotor_degc": derived("rotor_temperature_degc"),
        "duty_w": derived("duty_w"),
        "excitation": derived("excitation_share"),
        "torque_index": derived("torque_index"),
        "torque_index_std": derived("torque_index_std"),
        "coil_a": point("coil-current", brake.name),
        "coil_v": point("coil-voltage", brake.name),
        "asked_a": point("coil-commanded", brake.name),
        "in_service": point("in-service", brake.name),
    }


def _rates(brake: Brake, values: dict[str, Floats]) -> dict[str, Ints]:
    """What each scan adds to the totals while it lasts: mW as integers, or 0 and 1."""
    heat, service = values["heat_w"], values["in_service"] != 0.0  # unknown counts as in service
    return {
        "heat_mj": _milliwatts(heat),
        "heat_std_mj": _milliwatts(values["heat_std_w"]),
        "known_ns": (~np.isnan(heat)).astype(np.int64),
        "inlet_over_ns": (values["inlet_degc"] > brake.inlet_limit).astype(np.int64),
        "outlet_over_ns": (values["outlet_degc"] > brake.outlet_limit).astype(np.int64),
        "flow_under_ns": ((values["flow_m3_s"] < brake.least_flow) & service).astype(np.int64),
        "level_over_ns": (values["level_m"] > brake.bearing_level).astype(np.int64),
    }


def _milliwatts(watts: Floats) -> Ints:
    return np.rint(np.clip(np.nan_to_num(watts), -1e9, 1e9) * 1e3).astype(np.int64)
