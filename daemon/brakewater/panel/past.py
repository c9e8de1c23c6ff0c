"""The past, as the engineer's page asks for it: what the record holds and the events in it."""

import json
from collections.abc import Iterator
from math import isnan
from pathlib import Path
from threading import Lock
from typing import Annotated, Any, Final

from fastapi import APIRouter, HTTPException, Query
from fastapi.responses import StreamingResponse
from pydantic import StringConstraints

from brakewater.engine import Engine
from brakewater.errors import DamagedRecordError
from brakewater.record.documents import event_doc
from brakewater.record.reader import Record
from brakewater.render import event_shown
from brakewater.review.charts import Charts, Singles, Stretches, charts
from brakewater.review.replay import Tally, replayed
from brakewater.review.trips import TripLine, ledger
from brakewater.review.what_if import SettingError, objections, with_settings
from brakewater.rig import Rig, parse
from brakewater.stream import Start
from brakewater.units import utc_text

_MILLION: Final = 1_000_000
_LAST_MS: Final = 4_102_444_800_000
"""The year 2100; what a page asks for lies before it."""

_MOST_WINDOW_MS: Final = 26 * 3_600_000
"""Every scan of a window is kept in memory; a day and its handovers fit."""

Moment = Annotated[int, Query(ge=0, le=_LAST_MS)]
"""Wall time, ms since 1970."""
Count = Annotated[int, Query(ge=1, le=5000)]
Settings = Annotated[list[Annotated[str, StringConstraints(max_length=200)]], Query(alias="set", max_length=50)]


def router(folder: Path) -> APIRouter:
    """Routes under ``/api/past``.

    Args:
        folder: record folder.
    """
    routes, record = APIRouter(prefix="/api/past"), Record(folder)

    @routes.get("/spans")
    def spans() -> list[dict[str, Any]]:
        """What each run of the record covers."""
        return [
            {
                "run": span.run,
                "from": utc_text(span.from_utc_ns),
                "to": utc_text(span.to_utc_ns),
                "from_ms": span.from_utc_ns // _MILLION,
                "to_ms": span.to_utc_ns // _MILLION,
                "sealed": span.sealed,
            }
            for span in record.spans()
        ]

    @routes.get("/events", response_class=StreamingResponse)
    def events(from_ms: Moment = 0, to_ms: Moment = _LAST_MS) -> StreamingResponse:
        """Recorded events of a window in their order, one JSON document a line."""
        return StreamingResponse(_events(record, from_ms, to_ms), media_type="application/x-ndjson")

    _add_charts(routes, record)
    return routes


def _add_charts(routes: APIRouter, record: Record) -> None:
    one_at_a_time, kept = Lock(), _Kept(record)

    @routes.get("/trips")
    def trips() -> list[dict[str, Any]]:
        """The trips found in the record, as ``brakewater trips`` does."""
        with one_at_a_time:
            found = ledger(record)
        return [_trip(line) for line in found.lines] if found is not None else []

    @routes.get("/charts")
    def charts_(from_ms: Moment, to_ms: Moment, zoom_from_ms: Moment, zoom_to_ms: Moment, count: Count = 800) -> Any:
        """Least and most of each stretch of a zoom into a window, of every quantity; null where nothing was good."""
        if not from_ms < to_ms <= from_ms + _MOST_WINDOW_MS or not zoom_from_ms < zoom_to_ms:
            raise HTTPException(422, "allowed: a window that ends after it begins, of 26 h at most")
        with one_at_a_time:
            found = kept.charts(from_ms * _MILLION, to_ms * _MILLION)
        return _charts(found, found.stretches(zoom_from_ms * _MILLION, zoom_to_ms * _MILLION, count))

    @routes.get("/what-if")
    def what_if(from_ms: Moment, to_ms: Moment, settings: Settings) -> dict[str, Any]:
        """The events of a window with other settings, as ``brakewater replay --set``; and what check would refuse."""
        tail = record.tail()
        if tail is None:
            raise HTTPException(422, "nothing is recorded yet")
        try:
            rig = with_settings(parse(tail[0].rig_toml, "the recorded rig file"), settings)
        except SettingError as error:
            raise HTTPException(422, str(error)) from error
        begin, end = from_ms * _MILLION, to_ms * _MILLION
        last = max((span.run for span in record.spans(begin, end)), default=0)
        with one_at_a_time:
            events = [
                event
                for _, outcome in replayed(record, Engine(instead=rig), Tally(), to_run=last)
                for event in outcome.events
                if begin <= event.utc_ns < end
            ]
        return {
            "events": [event_shown(rig, event_doc(event)) for event in events],
            "objections": objections(rig, settings),
        }


class _Kept:
    """The window last charted, so that zooming replays nothing; a window that still grows is read again."""

    def __init__(self, record: Record) -> None:
        self._record = record
        self._key: tuple[Any, ...] | None = None
        self._charts: Charts | None = None

    def charts(self, from_utc_ns: int, to_utc_ns: int) -> Charts:
        spans = self._record.spans(from_utc_ns, to_utc_ns)
        key = (from_utc_ns, to_utc_ns, *(min(span.to_utc_ns, to_utc_ns) for span in spans))
        if self._charts is None or key != self._key:
            self._charts = None  # make room first
            self._key, self._charts = key, charts(self._record, from_utc_ns, to_utc_ns)
        return self._charts


def _trip(line: TripLine) -> dict[str, Any]:
    return {
        "trip": line.number,
        "brake": line.brake,
        "direction": "in" if line.lowered else "out",
        "from": utc_text(line.from_utc_ns),
        "from_ms": line.from_utc_ns // _MILLION,
        "to_ms": line.to_utc_ns // _MILLION + 1,
        "stands": line.stands,
        "energy_j": line.energy_j,
        "energy_std_j": line.energy_std_j,
        "heat_peak_w": line.peak_heat_w,
        "alarms": [name for name, _ in line.alarms],
    }


def _charts(found: Charts, seen: Stretches) -> dict[str, Any]:
    return {
        "utc_ms": (seen.utc_ns // _MILLION).tolist(),
        "lines": [
            {
                "brake": line.brake,
                "quantity": line.quantity,
                "unit": line.unit,
                "least": _numbers(seen.least.get((line.brake, line.quantity))),
                "most": _numbers(seen.most.get((line.brake, line.quantity))),
            }
            for line in found.lines
        ],
    }


def _numbers(values: Singles | None) -> list[float | None]:
    """JSON knows no NaN."""
    return [] if values is None else [None if isnan(one) else round(one, 4) for one in values.tolist()]


def _events(record: Record, from_ms: int, to_ms: int) -> Iterator[str]:
    from_ns, to_ns = from_ms * _MILLION, to_ms * _MILLION
    for span in record.spans(from_ns, to_ns):
        rig: Rig | None = None
        try:
            for one in record.events(after=(span.run, 0), to_run=span.run):
                if from_ns <= one.event.utc_ns < to_ns:
                    rig = rig or _rig_of(record, span.run)
                    yield json.dumps(event_shown(rig, event_doc(one.event))) + "\n"
        except DamagedRecordError as error:
            yield json.dumps({"damaged": str(error)}) + "\n"


def _rig_of(record: Record, run: int) -> Rig:
    start = next(record.inputs(from_run=run, to_run=run))
    if not isinstance(start, Start):
        raise DamagedRecordError(f"run {run}: input 0 is no start")
    return parse(start.rig_toml, f"the rig file of run {run}")
