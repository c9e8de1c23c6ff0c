"""Replay: the engine over a record, and what it gives held against the events that were recorded."""

import ctypes
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from itertools import zip_longest
from typing import Final

from brakewater import __version__
from brakewater.engine import Engine
from brakewater.errors import DamagedRecordError
from brakewater.record.reader import Record
from brakewater.record.undamaged import undamaged
from brakewater.review.ahead import read_ahead
from brakewater.review.versions import Past, without
from brakewater.stream import Block, Event, Gap, Input, Outcome, Start

NO_SCAN = "no scan in it that could be read; brakewater verify says whether it is damaged"
"""What there is to say of a record of which nothing was replayed."""
_UNUSABLE = (ValueError, TypeError, LookupError, ArithmeticError, AttributeError)
"""What a Start may raise whose state is none of the engine's."""
BLOCK = 65_536
"""Scans in one block: two row groups of a sealed segment. Calls have their price: half as many take a fifth less."""
_TRIM, _MMAP = -1, -3
"""``M_TRIM_THRESHOLD`` and ``M_MMAP_THRESHOLD`` of mallopt(3)."""
_KEPT: Final = ((_TRIM, 2**30), (_MMAP, 2**25))
"""Bytes; 32 MiB is the most that mallopt(3) allows for the second."""


@dataclass(slots=True, kw_only=True)
class Tally:
    """What a replay went through."""

    inputs: int = 0
    scans: int = 0
    events: int = 0
    damage: list[str] = field(default_factory=list)
    damaged: set[int] = field(default_factory=set)
    """Runs that could not be read to their end."""
    gaps: list[Gap] = field(default_factory=list)
    boots: set[str] = field(default_factory=set)
    """Machine boots that the runs were recorded in; the simulator's is ``simulated``."""
    drifted: list[int] = field(default_factory=list)
    """Runs that began with another state than replay had come to; see ``drifts``."""
    past: Past = field(default_factory=Past)
    """Which version recorded each run, and what it watched."""


@dataclass(slots=True, kw_only=True)
class Comparison:
    """Replayed against recorded events."""

    differences: list[str] = field(default_factory=list)
    not_comparable: list[str] = field(default_factory=list)
    recorded_by: dict[str, list[int]] = field(default_factory=dict)
    """Version -> the runs with differences that it recorded."""
    inputs_only: bool = False
    """No event was ever recorded, as in a record of the simulator."""

    @property
    def identical(self) -> bool:
        """No difference where a comparison was possible; False where none was."""
        return not self.differences and not self.inputs_only


def replayed(
    record: Record, engine: Engine, tally: Tally, from_run: int = 0, to_run: int | None = None
) -> Iterator[tuple[Input, Outcome]]:
    """Each input with what the engine makes of it; counts into ``tally``.

    A run whose Start is lost cannot be replayed before the next Start. Every Start carries what the engine knew, so any
    run may be the first.

    Args:
        record: what to read.
        engine: what runs.
        tally: counts.
        from_run: first run wanted.
        to_run: last run wanted; the newest where None.
    """
    _keep_memory()
    started = False

    def damaged(run: int, error: DamagedRecordError) -> None:
        tally.damage.append(str(error))
        tally.damaged.add(run)

    for item in read_ahead(undamaged(record, (from_run, -1), BLOCK, damaged, to_run)):
        started = started or isinstance(item, Start)
        if not started:
            continue
        outcome = _fed(engine, item)
        tally.inputs += len(item) if isinstance(item, Block) else 1
        tally.scans += len(item) if isinstance(item, Block) else 0
        tally.events += len(outcome.events)
        if isinstance(item, Gap):
            tally.gaps.append(item)
        if isinstance(item, Start):
            tally.boots.add(item.boot)
            tally.past.begin(item, engine.left_out)
            tally.drifted = list(engine.drifted)
        yield item, outcome


@cache
def _keep_memory() -> None:
    """What one block leaves is kept for the next: given back and asked for anew it takes a tenth of a replay's time.

    A C library without mallopt(3) does as it likes.
    """
    with suppress(OSError, AttributeError):
        for what, size in _KEPT:
            ctypes.CDLL(None).mallopt(what, size)


def _fed(engine: Engine, item: Input) -> Outcome:
    try:
        return engine.feed(item)
    except _UNUSABLE as error:
        if not isinstance(item, Start):
            raise
        says = f"run {item.run}: its start cannot be used: {error!r}; brakewater verify says whether it is damaged"
        raise DamagedRecordError(says) from error


def drifts(tally: Tally, *, altered: bool = False) -> list[str]:
    """Runs that began with another state than replay had come to, each with the reason where the record shows one.

    Args:
        tally: of the replay.
        altered: something in the record is not what was recorded.
    """
    lost = {gap.run for gap in tally.gaps}
    began = "began with another state than replay comes to"
    return [f"run {run} {began}: {_why(run, lost, tally, altered)}; replay goes on from there" for run in tally.drifted]


def _why(run: int, lost: set[int], tally: Tally, altered: bool) -> str:  # noqa: FBT001 - private, one caller
    if run in lost or tally.damaged & set(range(run)) or tally.past.version(run - 1) == "unknown":
        return "inputs before it are lost"
    if tally.past.version(run) != __version__:
        return f"version {tally.past.version(run)} recorded it"
    if altered:
        return "the record was altered"
    return "nothing in the record says why; report it"


def recorded(record: Record, damage: Callable[[int, DamagedRecordError], None]) -> Iterator[Event]:
    """Every recorded event that can be read."""
    for run in record.runs():
        try:
            for committed in record.events(after=(run, 0), to_run=run):
                yield committed.event
        except DamagedRecordError as error:
            damage(run, error)


def compare(record: Record, replayed_events: list[Event], tally: Tally) -> Comparison:
    """Hold replayed events against the recorded ones, run by run and in order.

    A gap is no difference: what was lost was neither recorded nor replayed. Of a damaged run only what could be read of
    both is held against each other.
    """
    found = Comparison(
        not_comparable=[
            f"inputs {gap.lost_first} to {gap.lost_last} of run {gap.lost_run} were not recorded: {gap.why}"
            for gap in tally.gaps
        ]
    )
    damage, damaged = list(tally.damage), set(tally.damaged)

    def tell(run: int, error: DamagedRecordError) -> None:
        damaged.add(run)
        if str(error) not in damage:
            damage.append(str(error))

    ours, theirs = _by_run(replayed_events), _by_run(recorded(record, tell))
    if not theirs and all(boot.startswith("simulated") for boot in tally.boots):
        found.inputs_only = True
        found.not_comparable.append("the record holds inputs only")
        return found
    for run in sorted(ours.keys() | theirs.keys()):
        whole = run not in damaged
        differences = _differences(ours[run], theirs[run], whole=whole)
        newer = tally.past.newer(run, ours[run], theirs[run]) if differences else frozenset()
        if newer and not _differences(without(ours[run], newer), without(theirs[run], newer), whole=whole):
            found.not_comparable.append(tally.past.says_newer(run, newer))
            continue
        found.differences += differences
        if differences:
            found.recorded_by.setdefault(tally.past.version(run), []).append(run)
    found.not_comparable += [*tally.past.left_out(), *damage]
    return found


def _by_run(events: Iterable[Event]) -> defaultdict[int, list[Event]]:
    runs: defaultdict[int, list[Event]] = defaultdict(list)
    for event in events:
        runs[event.run].append(event)
    return runs


def _differences(ours: Sequence[Event], theirs: Sequence[Event], *, whole: bool) -> list[str]:
    pairs = zip_longest(ours, theirs) if whole else zip(ours, theirs, strict=False)
    return [f"replayed {_brief(one)}, recorded {_brief(other)}" for one, other in pairs if one != other]


def _brief(event: Event | None) -> str:
    if event is None:
        return "nothing"
    return f"{event.identity} {event.key} {event.was} -> {event.now} ({event.why})"
