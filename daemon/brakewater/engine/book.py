"""The mechanic's book as the engine keeps it: rounds done, gaps, water, parts, signatures, the newest entries.

Entries come as commands, so they are in the record, and a replay comes to the same due dates. A corrected entry keeps
its place and its first wording; the correction names it. The full book is in the record's commands; what is kept here
is bounded, so that a snapshot stays small. What is due is ``engine.book_due``, the gaps are ``engine.book_gaps``.
"""

from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import Any, Final, TypeVar

import numpy as np

from brakewater.engine.book_due import Done, Due
from brakewater.engine.book_gaps import Gaps
from brakewater.engine.worked import Totals, Worked
from brakewater.physics.gap import Limits, Outlook, Survey, survey
from brakewater.quality import Reason
from brakewater.rig import Rig
from brakewater.stream import BookNow, Column, EntryNow, FormerNow, Ints, PartNow, SignedNow, WaterNow
from brakewater.trips.rounds import GAP, Round

PARTS: Final = ("brake", "rotor", "bearing", "coil", "inlet-rtd", "outlet-rtd", "meter")
"""What is changed by its serial number and begins a new baseline."""
OF_GAP: Final = ("brake", "rotor", "bearing")
"""Those of them that begin the air gap's baseline anew."""
_MOST_ENTRIES: Final = 40
_MOST_SAMPLES: Final = 12
_MOST_FORMER: Final = 24
_MOST_SIGNED: Final = 12
_Kept = TypeVar("_Kept", EntryNow, PartNow, WaterNow, FormerNow, SignedNow)


class Book:
    """Of one rig."""

    def __init__(self, rig: Rig) -> None:
        self._brakes = [brake.name for brake in rig.brakes]
        self._due = Due(rig.rounds)
        self._gaps = Gaps(rig.upkeep.limits if rig.upkeep is not None else Limits())
        self._parts: dict[tuple[str, str], PartNow] = {}
        self._former: list[FormerNow] = []
        self._samples: list[WaterNow] = []
        self._signed: list[SignedNow] = []
        self.entries: list[EntryNow] = []

    @property
    def rounds(self) -> Mapping[str, Round]:
        """By name."""
        return self._due.rounds

    def begin(self, t_ns: int, utc_ns: int, worked: Mapping[str, Worked]) -> None:
        """Rounds that are new count from here."""
        self._due.begin(t_ns, utc_ns, worked)

    def go_on(self, t_ns: int, worked: Mapping[str, Worked], before: Totals | None) -> None:
        """Rounds whose brake counts anew go on with what they had used up (``Due.go_on``)."""
        self._due.go_on(t_ns, worked, before)

    def columns(self, t_ns: Ints, seen: Mapping[str, Mapping[str, Column]]) -> dict[str, Column]:
        """What the book's alarms look at, by the name of their quantity: [n] shares of what is allowed.

        Args:
            t_ns: [n] steady time.
            seen: brake -> quantity -> column, with the counts of ``engine.worked``.
        """
        n, counts = len(t_ns), {}
        for brake in self._brakes:
            counts[brake] = seen[brake]["running_s"].values, seen[brake]["trips_worked"].values
        found = {f"book.round.{name}": values for name, values in self._due.columns(t_ns, counts).items()}
        found |= {f"book.gap.{brake}": np.full(n, self._gaps.share(brake)) for brake in self._brakes}
        good = np.full(n, Reason.GOOD, np.uint8)
        return {name: Column(values=values, codes=good) for name, values in found.items()}

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
            self._strike(entry.corrects, entry.id)
        if not entry.void:
            self._due.done(entry.round, Done(entry=entry.id, utc_ns=entry.done_utc_ns, totals=totals))
            if one.kind == GAP and readings:
                self._gaps.add(one.brake, entry.id, survey(totals.t_ns / 1e9, readings, scale_m))
        self.entries.append(entry)
        del self.entries[:-_MOST_ENTRIES]

    def _strike(self, entry: str, by: str) -> None:
        """What is corrected counts no more; it stays to be read."""
        self.entries = [replace(old, corrected_by=by) if old.id == entry else old for old in self.entries]
        self._samples = [old for old in self._samples if old.entry != entry]
        self._due.strike(entry)
        self._gaps.strike(entry)

    def found(self, entry: str) -> EntryNow | None:
        """An entry that may be corrected: one of the newest, not corrected yet."""
        return next((one for one in self.entries if one.id == entry and one.corrected_by is None), None)

    def change(self, part: PartNow) -> None:
        """A part with another serial number; a new brake, rotor or bearing begins the gap's baseline anew."""
        before = self._parts.get((part.brake, part.part))
        if before is not None:
            self._former.append(_former(before, part))
            del self._former[:-_MOST_FORMER]
        self._parts[part.brake, part.part] = part
        if part.part in OF_GAP:
            self._gaps.begin_anew(part.brake)

    def sign(self, signed: SignedNow) -> None:
        """Someone has signed the book as it stands."""
        self._signed.append(signed)
        del self._signed[:-_MOST_SIGNED]

    # ---------------------------------------------------------------- shown

    def now(self, t_ns: int, utc_ns: int, worked: Mapping[str, Worked]) -> BookNow:
        """How it stands."""
        totals = {brake: counts.now(t_ns) for brake, counts in worked.items()}
        return BookNow(
            rounds=self._due.now(t_ns, utc_ns, worked),
            parts=tuple(self._parts.values()),
            former=tuple(self._former),
            gaps=tuple(gap for brake in worked if (gap := self._gaps.now(brake)) is not None),
            water=tuple(self._samples),
            worked=tuple(
                (brake, one.running_ns / 1e9, one.trips, one.energy_mj / 1e3) for brake, one in totals.items()
            ),
            entries=tuple(self.entries),
            by_trip=tuple(one for counts in worked.values() for one in counts.by_trip.shown()),
            signed=tuple(self._signed),
        )

    def gap(self, brake: str) -> tuple[tuple[Survey, ...], Outlook | None]:
        """The gap's surveys since its baseline, and where they lead."""
        return self._gaps.of(brake)

    # ---------------------------------------------------------------- state

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            **self._due.state(),
            "gaps": self._gaps.state(),
            "parts": [_kept(one) for one in self._parts.values()],
            "former": [_kept(one) for one in self._former],
            "water": [_kept(one) for one in self._samples],
            "entries": [_kept(one) for one in self.entries],
            "signed": [_kept(one) for one in self._signed],
        }

    def restore(self, kept: Mapping[str, Any]) -> None:
        """Go on from a snapshot; an older one lacks what there was not yet."""
        self._due.restore(kept)
        self._gaps.restore(kept.get("gaps", {}))
        self._parts = {(one.brake, one.part): one for one in _restored(PartNow, kept, "parts")}
        self._former = _restored(FormerNow, kept, "former")
        self._samples = _restored(WaterNow, kept, "water")
        self.entries = _restored(EntryNow, kept, "entries")
        self._signed = _restored(SignedNow, kept, "signed")


def _former(before: PartNow, after: PartNow) -> FormerNow:
    """What a part did until another took its place."""
    return FormerNow(
        brake=before.brake,
        part=before.part,
        serial=before.serial,
        since_utc_ns=before.since_utc_ns,
        until_utc_ns=after.since_utc_ns,
        running_ns=after.running_ns - before.running_ns,
        trips=after.trips - before.trips,
        energy_mj=after.energy_mj - before.energy_mj,
    )


def _kept(one: EntryNow | PartNow | WaterNow | FormerNow | SignedNow) -> dict[str, Any]:
    """Nanoseconds as text, as everywhere in a snapshot; the rest as it is, nothing that is None."""
    return {
        name: str(value) if name.endswith(("_ns", "_mj")) else value
        for name, value in asdict(one).items()
        if value is not None
    }


def _restored(kind: type[_Kept], kept: Mapping[str, Any], name: str) -> list[_Kept]:
    return [kind(**_numbers(one)) for one in kept.get(name, ())]


def _numbers(kept: Mapping[str, Any]) -> dict[str, Any]:
    return {key: int(value) if key.endswith(("_ns", "_mj")) else value for key, value in kept.items()}
