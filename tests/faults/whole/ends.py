"""What is held against each other when all is over: record, replay, broker, mirror."""

import json
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from brakewater.engine import Engine
from brakewater.record.documents import event_doc
from brakewater.record.reader import Record
from brakewater.record.verify import verify
from brakewater.review.replay import Tally as Replayed
from brakewater.review.replay import compare, replayed
from brakewater.stream import Block, Event
from mirror_parts import Points, Victoria, differences, due, in_ms

from .rig import MIRRORED
from .told import Tally

_MARGIN_MS: Final = 60_000
_SHOWN: Final = 5


def whole(folder: Path, tally: Tally) -> list[Event]:
    """Chain and replay; gives the recorded events."""
    report = verify(folder)
    tally.check("chain consistent", report.verdict == "consistent", f"{report.verdict}: {report.altered[:_SHOWN]}")
    counts, record = Replayed(), Record(folder)
    again = [event for _, outcome in replayed(record, Engine(), counts) for event in outcome.events]
    found = compare(record, again, counts)
    tally.check("replay identical", found.identical, found.differences[:_SHOWN], times=counts.inputs)
    events = [one.event for one in record.events()]
    twice = [key for key, count in Counter(one.identity for one in events).items() if count > 1]
    tally.check("events: no number left out or used twice", not twice, twice[:_SHOWN])
    sealed = sum(span.sealed for span in record.spans())
    tally.figures["record"] = (
        f"{report.runs} runs, {sealed} sealed, {report.inputs:,} inputs, {report.events:,} events,"
        f" {len(counts.gaps)} gaps"
    )
    return events


def told(taken: list[bytes], events: list[Event], tally: Tally) -> None:
    """What the broker acknowledged, held against the record."""
    name = "broker took every event, in order, the same each time"
    first: dict[tuple[int, int], dict[str, Any]] = {}
    for payload in taken:
        doc = json.loads(payload)
        doc.pop("shown", None)
        key = (doc["run"], doc["n"])
        tally.check(name, first.setdefault(key, doc) == doc, f"{key} came with another content")
    recorded = [(event.run, event.n) for event in events]
    missed = [key for key in recorded if key not in first]
    tally.check(
        name, list(first) == recorded, f"missed {missed[:_SHOWN]}, unknown {list(first.keys() - set(recorded))}"
    )
    for event in events:
        doc, sent = event_doc(event), first.get((event.run, event.n), {})
        same = {key: sent.get(key) for key in doc} == json.loads(json.dumps(doc))
        tally.check(name, same or not sent, f"{event.identity}: {sent} for {doc}")
    tally.figures["broker"] = f"{len(first):,} events taken, {len(taken) - len(first):,} of them again"


def mirrored(folder: Path, server: Victoria, every_ns: int, until_ns: int, tally: Tally) -> None:
    """Every point that is due by the record, and no other; where clocks gave a label twice, nothing can be said."""
    record, labels = Record(folder), Counter[int]()
    for item in record.inputs():
        if isinstance(item, Block):
            labels.update((item.utc_ns // 1_000_000).tolist())
    twice = {ms for ms, count in labels.items() if count > 1}
    wanted = _without(in_ms(due(_until(record, until_ns), every_ns, MIRRORED)), twice)
    later = {ms for _, _, ms in in_ms(due(record.inputs(), every_ns, MIRRORED)).keys() - wanted.keys()}
    times = [ms for _, _, ms in wanted]
    deadline = time.monotonic() + 30
    while True:
        got = _without(server.points(min(times) - _MARGIN_MS, max(times) + _MARGIN_MS), twice | later)
        wrong = differences(got, wanted)
        if not wrong or time.monotonic() > deadline:
            break
        time.sleep(2)
    name = "mirror has every point, and no other"
    tally.check(name, not wrong, f"{len(wrong)} of {len(wanted)}: {wrong[:_SHOWN]}", times=len(wanted))
    values = sum(map(len, wanted.values()))
    tally.figures["mirror"] = f"{len(wanted):,} points, {values:,} values compared; {len(twice)} labels given twice"


def _until(record: Record, t_ns: int) -> Iterator[Any]:
    for item in record.inputs():
        if isinstance(item, Block):
            count = int((item.t_ns <= t_ns).sum())
            if count:
                yield item.cut(0, count)
        elif item.t_ns <= t_ns:
            yield item


def _without(points: Points, times: set[int]) -> Points:
    return {key: fields for key, fields in points.items() if key[2] not in times}
