"""The mechanic's book as the engine keeps it: when each round was last done, gaps, water, parts, the newest entries.

Entries come as commands, so they are in the record, and a replay comes to the same due dates. What makes a round due is
counted by the brakes (``engine.worked``); this holds only where the counts stood when the round was done. A corrected
entry keeps its place and its first wording; the correction names it. The full book is in the record's commands; what
is kept here is bounded, so that a snapshot stays small.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

import numpy as np

from brakewater.engine.worked import Totals, Worked
from brakewater.physics.gap import HORIZON_S, Outlook, Survey, outlook, survey, torque_share
from brakewater.quality import Reason
from brakewater.rig import Rig
from brakewater.stream import BookNow, Column, EntryNow, GapNow, Ints, PartNow, RoundNow, WaterNow
from brakewater.trips.rounds import GAP, Round, Used, share

PARTS: Final = ("brake", "rotor", "bearing", "coil", "inlet-rtd", "outlet-rtd", "meter")
"""What is changed by its serial number and begins a new baseline."""
_MOST_DONE: Final = 4
"""Entries of a round that its due date may fall back to when the newest is corrected away."""
_MOST_ENTRIES: Final = 40
_MOST_SURVEYS: Final = 24
_MOST_SAMPLES: Final = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """A round as it was done: which entry says so, when, and where the counts stood."""

    entry: str
    utc_ns: int
    totals: Totals


class Book:
    """Of one rig."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self.rounds: dict[str, Round] = {one.name: one for one in rig.rounds}
        self._done: dict[str, list[Done]] = {}
        self._since: dict[str, Totals] = {}
        """By round: from when it counts that nobody has logged yet."""
        self._since_utc: dict[str, int] = {}
        self._surveys: dict[str, list[tuple[str, Survey]]] = {}
        self._outlooks: dict[str, Outlook | None] = {}
        self._parts: dict[tuple[str, str], PartNow] = {}
        self._samples: list[WaterNow] = []
        self.entries: list[EntryNow] = []

    # ------------------------------------------------------------------ due

    def begin(self, t_ns: int, utc_ns: int, worked: Mapping[str, Worked]) -> None:
        """Rounds that are new count from here."""
        for name, one in self.rounds.items():
            if name not in self._since:
                self._since[name] = worked[one.brake].now(t_ns)
                self._since_utc[name] = utc_ns

    def base(self, name: str) -> Totals:
        """Where the counts of a round stood when it was last done."""
        done = self._done.get(name)
        return done[-1].totals if done else self._since[name]

    def columns(self, t_ns: Ints, seen: Mapping[str, Mapping[str, Column]]) -> dict[str, Column]:
        """What the book's alarms look at, by the name of their quantity: [n] shares of what is allowed.

        Args:
            t_ns: [n] steady time.
            seen: brake -> quantity -> column, with the counts of ``engine.worked``.
        """
        n, found = len(t_ns), {}
        good = np.full(n, Reason.GOOD, np.uint8)
        for name, one in self.rounds.items():
            base, counts = self.base(name), seen[one.brake]
            parts = [np.zeros(n)]
            if one.running_ns is not None:
                ran_s = counts["running_s"].values - base.running_ns / 1e9
                parts.append(ran_s / (one.running_ns / 1e9))
            if one.trips is not None:
                parts.append((counts["trips_worked"].values - base.trips) / one.trips)
            if one.days_ns is not None:
                parts.append((t_ns - base.t_ns) / one.days_ns)
            values = parts[0]
            for part in parts[1:]:
                values = np.maximum(values, part)
            found[f"book.round.{name}"] = Column(values=values, codes=good)
        if self._rig.upkeep is not None:
            for brake in self._rig.brakes:
                ahead = self._outlooks.get(brake.name)
                values = np.full(n, ahead.share if ahead is not None else 0.0)
                found[f"book.gap.{brake.name}"] = Column(values=values, codes=good)
        return found

    # -------------------------------------------------------------- entries

    def sample(self, sample: WaterNow) -> None:
        """Keep a water sample among the newest."""
        self._samples.append(sample)
        self._samples.sort(key=lambda one: one.done_utc_ns)
        del self._samples[:-_MOST_SAMPLES]

    def enter(self, entry: EntryNow, totals: Totals, readings: Mapping[str, float], scale_m: float) -> None:
        """Take an entry that has been checked; one that corrects another takes its place in what is due."""
        one = self.rounds[entry.round]
        if entry.corrects is not None:
            self._strike(entry)
        if not entry.void:
            done = self._done.setdefault(entry.round, [])
            done.append(Done(entry=entry.id, utc_ns=entry.done_utc_ns, totals=totals))
            done.sort(key=lambda item: item.totals.t_ns)
            del done[:-_MOST_DONE]
            if one.kind == GAP and readings:
                surveys = self._surveys.setdefault(one.brake, [])
                surveys.append((entry.id, survey(totals.t_ns / 1e9, readings, scale_m)))
                surveys.sort(key=lambda item: item[1].t_s)
                del surveys[:-_MOST_SURVEYS]
        self._look_ahead(one.brake)
        self.entries.append(entry)
        del self.entries[:-_MOST_ENTRIES]

    def _strike(self, entry: EntryNow) -> None:
        """What is corrected counts no more; it stays to be read."""
        self.entries = [
            replace(old, corrected_by=entry.id) if old.id == entry.corrects else old for old in self.entries
        ]
        for done in self._done.values():
            done[:] = [old for old in done if old.entry != entry.corrects]
        self._samples = [old for old in self._samples if old.entry != entry.corrects]
        for surveys in self._surveys.values():
            surveys[:] = [old for old in surveys if old[0] != entry.corrects]

    def found(self, entry: str) -> EntryNow | None:
        """An entry that may be corrected: one of the newest, not corrected yet."""
        return next((one for one in self.entries if one.id == entry and one.corrected_by is None), None)

    def change(self, part: PartNow) -> None:
        """A part with another serial number; a new brake, rotor or bearing begins the gap's baseline anew."""
        self._parts[part.brake, part.part] = part
        if part.part in ("brake", "rotor", "bearing"):
            self._surveys.pop(part.brake, None)
            self._look_ahead(part.brake)

    def _look_ahead(self, brake: str) -> None:
        assert self._rig.upkeep is not None
        surveys = [one for _, one in self._surveys.get(brake, ())]
        self._outlooks[brake] = outlook(surveys, self._rig.upkeep.limits)

    # ---------------------------------------------------------------- shown

    def now(self, t_ns: int, utc_ns: int, worked: Mapping[str, Worked]) -> BookNow:
        """How it stands."""
        rounds = []
        for name, one in self.rounds.items():
            counts, base, done = worked[one.brake].now(t_ns), self.base(name), self._done.get(name)
            used = Used(
                running_ns=counts.running_ns - base.running_ns,
                trips=counts.trips - base.trips,
                lasted_ns=t_ns - base.t_ns,
            )
            part, by = share(one, used)
            rounds.append(
                RoundNow(
                    round=name,
                    brake=one.brake,
                    share=part,
                    by=by,
                    running_s=used.running_ns / 1e9,
                    trips=used.trips,
                    due_utc_ns=None if one.days_ns is None else utc_ns - used.lasted_ns + one.days_ns,
                    done_utc_ns=done[-1].utc_ns if done else None,
                    since_utc_ns=done[-1].utc_ns if done else self._since_utc[name],
                )
            )
        return BookNow(
            rounds=tuple(rounds),
            parts=tuple(self._parts.values()),
            gaps=tuple(gap for brake in worked if (gap := self._gap_now(brake)) is not None),
            water=tuple(self._samples),
            worked=tuple(
                (brake, one.running_ns / 1e9, one.trips, one.energy_mj / 1e3)
                for brake, one in ((brake, counts.now(t_ns)) for brake, counts in worked.items())
            ),
            entries=tuple(self.entries),
            by_trip=tuple(one for counts in worked.values() for one in counts.by_trip.shown()),
        )

    def _gap_now(self, brake: str) -> GapNow | None:
        surveys, ahead = self.gap(brake)
        if not surveys or ahead is None or self._rig.upkeep is None:
            return None
        newest, mean = surveys[-1], ahead.mean
        at_s = newest.t_s + HORIZON_S
        interval = None if mean is None else mean.interval(at_s)
        return GapNow(
            brake=brake,
            surveys=len(surveys),
            mean_m=newest.mean_m,
            least_m=newest.least_m,
            most_m=newest.most_m,
            spread_m=newest.spread_m,
            torque_share=torque_share(newest.mean_m, self._rig.upkeep.gap_nominal),
            share=ahead.share,
            mean_ahead_m=None if mean is None or interval is None else (interval[0], mean.at(at_s), interval[1]),
            drifts=any(one is not None and one.is_sure for one in (ahead.mean, ahead.most, ahead.least)),
        )

    def gap(self, brake: str) -> tuple[tuple[Survey, ...], Outlook | None]:
        """The gap's surveys since its baseline, and where they lead."""
        return tuple(one for _, one in self._surveys.get(brake, ())), self._outlooks.get(brake)

    # ---------------------------------------------------------------- state

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "since": {name: [*_totals(one), str(self._since_utc[name])] for name, one in self._since.items()},
            "done": {
                name: [[one.entry, str(one.utc_ns), *_totals(one.totals)] for one in done]
                for name, done in self._done.items()
            },
            "gaps": {
                brake: [[entry, *asdict(one).values()] for entry, one in surveys]
                for brake, surveys in self._surveys.items()
            },
            "parts": [_kept(one) for one in self._parts.values()],
            "water": [_kept(one) for one in self._samples],
            "entries": [_kept(one) for one in self.entries],
        }

    def restore(self, kept: Mapping[str, Any]) -> None:
        """Go on from a snapshot: whatever the rig file says of intervals now, what was done was done."""
        for name, (*totals, utc) in kept.get("since", {}).items():
            self._since[name], self._since_utc[name] = _restored(totals), int(utc)
        for name, done in kept.get("done", {}).items():
            self._done[name] = [
                Done(entry=entry, utc_ns=int(utc), totals=_restored(totals)) for entry, utc, *totals in done
            ]
        for brake, surveys in kept.get("gaps", {}).items():
            fields = Survey.__slots__
            self._surveys[brake] = [
                (entry, Survey(**dict(zip(fields, numbers, strict=True)))) for entry, *numbers in surveys
            ]
        for part in kept.get("parts", ()):
            one = PartNow(**_numbers(part))
            self._parts[one.brake, one.part] = one
        self._samples = [WaterNow(**_numbers(one)) for one in kept.get("water", ())]
        self.entries = [EntryNow(**_numbers(one)) for one in kept.get("entries", ())]
        if self._rig.upkeep is not None:
            for brake in self._surveys:
                self._look_ahead(brake)


def _totals(one: Totals) -> list[Any]:
    return [str(one.t_ns), str(one.running_ns), one.trips, str(one.energy_mj)]


def _restored(kept: list[Any]) -> Totals:
    t_ns, running, trips, energy = kept
    return Totals(t_ns=int(t_ns), running_ns=int(running), trips=trips, energy_mj=int(energy))


def _kept(one: EntryNow | PartNow | WaterNow) -> dict[str, Any]:
    """Nanoseconds as text, as everywhere in a snapshot; the rest as it is, nothing that is None."""
    return {
        name: str(value) if name.endswith(("_ns", "_mj")) else value
        for name, value in asdict(one).items()
        if value is not None
    }


def _numbers(kept: Mapping[str, Any]) -> dict[str, Any]:
    return {name: int(value) if name.endswith(("_ns", "_mj")) else value for name, value in kept.items()}
