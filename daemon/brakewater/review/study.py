"""The same questions to many records: trips, alarms, how the brakes do, and what other settings would have done.

Each record is answered by itself, in one process, so the answers do not depend on how many workers there are nor on
which of them takes which record: they are equal to the last bit.
"""

import logging
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import combinations
from multiprocessing import get_context
from pathlib import Path
from statistics import median
from typing import Any, Final

from brakewater.alarms.performance import Turn, figures
from brakewater.engine import Engine
from brakewater.errors import BrakewaterError, StorageError
from brakewater.record.places import nothing_at
from brakewater.record.reader import Record
from brakewater.review.alarm_figures import Ends, Watched, timed, turn_of
from brakewater.review.at_hand import at_hand, is_afar
from brakewater.review.health import conditions
from brakewater.review.manner import manner_of
from brakewater.review.replay import NO_SCAN, Tally, replayed
from brakewater.review.samples import sampled
from brakewater.review.trips import TripLine, ledger_of
from brakewater.review.what_if import SettingError, asked_of, overruled
from brakewater.review.why import Condition
from brakewater.rig import Rig
from brakewater.stream import Block, Command, Input, Outcome

_log = logging.getLogger(__name__)

LEAST_TRIPS: Final = 4
"""Fewer make no trend."""


def study(
    places: Sequence[str | Path],
    settings: Sequence[str] = (),
    workers: int = 1,
    cluster: str | None = None,
    tell: Callable[[int, int], None] = lambda _done, _all: None,
) -> list[dict[str, Any]]:
    """What each record answers, in the order they were given.

    Args:
        places: record folders or case files, as paths or as addresses with a scheme.
        settings: as ``what_if.with_settings`` takes them; a record whose rig has no such alarm says so.
        workers: processes; 1 works in this one.
        cluster: address of a Dask scheduler, whose workers do it instead.
        tell: called with how many records are done, and of how many.
    """
    named = [str(place) for place in places]
    rows = _answers(named, tuple(settings), workers)
    if cluster is not None:
        from brakewater.review.cluster import answers  # noqa: PLC0415 - only with a cluster

        # A worker has a working directory of its own, and another record may lie there by that name.
        rows = answers(cluster, of_record, [one if is_afar(one) else str(Path(one).absolute()) for one in named],
                       tuple(settings))  # fmt: skip
    found = []
    for place, row in zip(named, rows, strict=True):
        found.append({**row, "record": place})
        tell(len(found), len(places))
    return found


def _answers(places: Sequence[str], settings: tuple[str, ...], workers: int) -> Iterator[dict[str, Any]]:
    if workers <= 1 or len(places) <= 1:
        yield from (of_record(place, settings) for place in places)
        return
    # A fresh interpreter each: a fork would carry over threads of libraries that do not survive it.
    with ProcessPoolExecutor(min(workers, len(places)), mp_context=get_context("spawn")) as pool:
        yield from pool.map(of_record, places, [settings] * len(places))


def of_record(place: str, settings: tuple[str, ...] = ()) -> dict[str, Any]:
    """What one record answers: SI in names, ``error`` where it answers nothing.

    A finding ``says`` it in English; ``words`` is the same for any language (``said.of_document``).
    """
    try:
        with at_hand(place) as path:
            return {"record": place, **_answer(Record(path), settings)}
    except (BrakewaterError, OSError, SettingError) as error:
        return {"record": place, "error": str(error).removeprefix(f"{place}: ")}
    except Exception as error:  # noqa: BLE001 - one odd record of a hundred must not take the others' answers away
        _log.exception("%s", place)
        return {"record": place, "error": f"cannot be studied: {error!r}; brakewater verify says whether it is damaged"}


def _answer(record: Record, settings: tuple[str, ...]) -> dict[str, Any]:
    if not record.runs():
        raise StorageError(nothing_at(record.folder))
    samples = sampled(record)
    if samples is None:
        return {"error": NO_SCAN}
    found = ledger_of(samples)
    told = conditions(samples, found)
    watched = Watched()
    turns, tally, ends = _turns(record, None, lambda item, _outcome: watched.see(item))
    answer: dict[str, Any] = {
        "rig": found.rig.name,
        "language": manner_of(found.rig).code,
        "scans": tally.scans,
        "damage": list(tally.damage),
        "trips": _trips(found.lines),
        "brakes": {
            brake.name: _health(found.since_change(brake.name)) | _condition(told[brake.name])
            for brake in samples.of.values()
        },
        "alarms": figures(turns, *ends, watched.total_s) if ends else None,
    }
    if not settings:
        return answer
    what_if, overruling = _what_if(record, turns, settings)
    return answer | {"what_if": what_if, "overruled": overruling}


def _turns(
    record: Record,
    instead: Callable[[Rig], Rig] | None,
    see: Callable[[Input, Outcome], None] = lambda _item, _outcome: None,
) -> tuple[list[Turn], Tally, tuple[float, float] | None]:
    """Alarms as the engine gives them today, and the window, s: records of inputs only are studied, too."""
    tally, turns, ends = Tally(), list[Turn](), Ends()
    for item, outcome in replayed(record, Engine(instead=instead), tally):
        see(item, outcome)
        turns += [turn for event in outcome.events if (turn := turn_of(event)) is not None]
        if isinstance(item, Block):
            ends.see(item.utc_ns)
    window = ends.seconds
    return timed(turns, window)[0] if window else [], tally, window


def _trips(lines: Sequence[TripLine]) -> dict[str, Any]:
    return {
        "count": len(lines),
        "lowered": sum(line.lowered for line in lines),
        "stands": sum(line.stands for line in lines),
        "lasting_s": sum(line.lasts_s for line in lines),
        "energy_j": sum(line.energy_j for line in lines),
        "heat_peak_w": max((line.peak_heat_w for line in lines), default=None),
        "worst_margin": min((line.worst_margin for line in lines if line.worst_margin is not None), default=None),
        "inlet_over_s": sum(line.inlet_over_s for line in lines),
        "outlet_over_s": sum(line.outlet_over_s for line in lines),
        "flow_under_s": sum(line.flow_under_s for line in lines),
        "level_over_s": sum(line.level_over_s for line in lines),
    }


def _health(lines: Sequence[TripLine]) -> dict[str, Any]:
    """Heat the water took of the work of the hoist, trip by trip in: a brake that weakens leaves more to the others."""
    own = [line.heat_share for line in lines if line.lowered]
    shares = [share[0] for share in own if share is not None]
    return {
        "trips": len(shares),
        "heat_share_median": median(shares) if shares else None,
        "trend_per_trip": trend(shares),
    }


def _condition(told: Condition) -> dict[str, Any]:
    return {
        "condition": told.state,
        "findings": [
            {
                "cause": one.cause,
                "says": one.says.text(),
                "certain": one.certain,
                "lasting": one.lasting,
                "words": one.says.document(),
            }
            for one in told.findings
        ],
        "lacks": [one.text() for one in told.lacks],
        "lacks_words": [one.document() for one in told.lacks],
    }


def trend(values: Sequence[float]) -> float | None:
    """Median of the slopes of all pairs, in the values' unit a step (Theil 1950, Sen 1968); None where too few."""
    if len(values) < LEAST_TRIPS:
        return None
    return median((later - before) / (at - of) for (of, before), (at, later) in combinations(enumerate(values), 2))


def _what_if(
    record: Record, turns: Sequence[Turn], settings: tuple[str, ...]
) -> tuple[dict[str, dict[str, int]], list[str]]:
    """Alarm -> how often it came and would have come, where that differs; and what recorded commands overruled."""
    overruling: list[str] = []

    def see(item: Input, outcome: Outcome) -> None:
        no = overruled(settings, item, outcome) if isinstance(item, Command) else None
        says = None if no is None else str(no)
        overruling.extend([] if says is None else [says])

    _, instead = asked_of(record, settings)
    then, now = _raised(_turns(record, instead, see)[0]), _raised(turns)
    changed = {key: {"is": now[key], "would_be": then[key]} for key in sorted(now | then) if now[key] != then[key]}
    return changed, overruling


def _raised(turns: Sequence[Turn]) -> Counter[str]:
    return Counter(turn.key for turn in turns if turn.new)
