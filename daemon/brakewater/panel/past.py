"""The past, as the engineer's page asks for it: what the record holds and the events in it."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query
from fastapi.responses import StreamingResponse

from brakewater.errors import DamagedRecordError
from brakewater.record.documents import event_doc
from brakewater.record.reader import Record
from brakewater.render import event_shown
from brakewater.rig import Rig, parse
from brakewater.stream import Start
from brakewater.units import utc_text

_MILLION: Final = 1_000_000
_LAST_MS: Final = 4_102_444_800_000
"""The year 2100; what a page asks for lies before it."""

Moment = Annotated[int, Query(ge=0, le=_LAST_MS)]
"""Wall time, ms since 1970."""


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

    return routes


def _events(record: Record, from_ms: int, to_ms: int) -> Iterator[str]:
    from_ns, to_ns = from_ms * _MILLION, to_ms * _MILLION
    for span in record.spans(from_ns, to_ns):
        rig: Rig | None = None
        try:
            for one in record.events(after=(span.run, 0), to_run=span.run):
                if from_ns <= one.event.utc_ns <= to_ns:
                    rig = rig or _rig_of(record, span.run)
                    yield json.dumps(event_shown(rig, event_doc(one.event))) + "\n"
        except DamagedRecordError as error:
            yield json.dumps({"damaged": str(error)}) + "\n"


def _rig_of(record: Record, run: int) -> Rig:
    start = next(record.inputs(from_run=run, to_run=run))
    if not isinstance(start, Start):
        raise DamagedRecordError(f"run {run}: input 0 is no start")
    return parse(start.rig_toml, f"the rig file of run {run}")
