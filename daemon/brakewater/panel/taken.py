"""What is taken from the page: a table, a case file, a trip's report. Each is logged with who took it."""

import tempfile
from collections.abc import Callable
from pathlib import Path
from threading import Lock
from typing import Annotated, Any, Final, Literal

from fastapi import APIRouter, Depends, HTTPException, Request
from fastapi.responses import FileResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.background import BackgroundTask

from brakewater.engine.refusals import refused
from brakewater.panel.access import LOOKER, Visitor
from brakewater.panel.asking import NotSoError
from brakewater.panel.inlined import chart_code
from brakewater.panel.opened import LONGEST_NS
from brakewater.panel.past_charts import LAST_MS, MILLION, Ledgers
from brakewater.record.case import pack
from brakewater.record.reader import Record
from brakewater.record.verify import verify
from brakewater.review.export import Exported, Wanted, export
from brakewater.review.export_log import note
from brakewater.review.manner import manner_of
from brakewater.review.replay import Tally
from brakewater.review.trip_page import page_of
from brakewater.units import utc_text
from brakewater.wording import LANGUAGES

_LONGEST_MS: Final = LONGEST_NS // MILLION
Ms = Annotated[int, Field(ge=0, le=LAST_MS)]


class Taking(BaseModel):
    """A window to be taken along."""

    model_config = ConfigDict(extra="forbid")
    kind: Literal["csv", "parquet", "case", "report"]
    from_ms: Ms
    to_ms: Ms
    every_s: Annotated[float, Field(ge=0.001, le=86_400, allow_inf_nan=False)] | None = None
    """Of a table: a row so often; a row a scan where null."""
    days: Annotated[int, Field(ge=1, le=4000)] = 3
    """Of a report: how far back its trip was looked for."""
    lang: Annotated[str, Field(pattern="^[a-z]{2}$")] | None = None
    """Of a report; the rig file's where null or where there is none of that name."""
    units: Annotated[str, Field(pattern="^[a-z]{1,12}$")] | None = None
    """Of a report: us or metric; the rig file's where null."""


def visitor(request: Request) -> Visitor:
    """Who asks; the application puts the one it knows there."""
    found: Visitor = getattr(request.state, "visitor", LOOKER)
    return found


def add_taken(routes: APIRouter, record: Record, ledgers: Ledgers) -> None:
    """Route for all of them."""
    one_at_a_time = Lock()

    @routes.post("/take", response_class=FileResponse)
    def take(body: Taking, who: Annotated[Visitor, Depends(visitor)]) -> FileResponse:
        """A file of a window: every scan (csv, parquet), the record itself (case), or a trip's report."""
        if who.actor is None:
            raise HTTPException(403, "log in first, or pair this station: what is taken is logged with who took it")
        if not body.from_ms < body.to_ms <= body.from_ms + _LONGEST_MS:
            raise NotSoError(422, refused("no-window", hours=_LONGEST_MS // 3_600_000))
        folder = tempfile.TemporaryDirectory(prefix="brakewater-taken-", ignore_cleanup_errors=True)
        file = Path(folder.name) / f"{utc_text(body.from_ms * MILLION)[:19].replace(':', '')}Z{_ENDINGS[body.kind]}"
        try:
            with one_at_a_time:
                done = _MADE[body.kind](record, file, body, ledgers)
            wanted = Wanted(from_utc_ns=body.from_ms * MILLION, to_utc_ns=body.to_ms * MILLION)
            note(record.folder, file, wanted, done, f"{who.actor} (panel)")
        except BaseException:
            folder.cleanup()
            raise
        return FileResponse(
            file, filename=file.name, media_type=_TYPES[body.kind], background=BackgroundTask(folder.cleanup)
        )


def _table(record: Record, file: Path, body: Taking, _: Ledgers) -> Exported:
    every = None if body.every_s is None else round(body.every_s * 1e9)
    return export(
        record, file, Wanted(from_utc_ns=body.from_ms * MILLION, to_utc_ns=body.to_ms * MILLION, every_ns=every)
    )


def _case(record: Record, file: Path, body: Taking, _: Ledgers) -> Exported:
    pack(record, file, body.from_ms * MILLION, body.to_ms * MILLION)
    return _NONE


def _report(record: Record, file: Path, body: Taking, ledgers: Ledgers) -> Exported:
    found, _ = ledgers.lines(body.days)
    lines = () if found is None else found.lines
    line = next((one for one in lines if one.window[0] // MILLION == body.from_ms), None)
    if found is None or line is None:
        raise NotSoError(422, refused("no-trip"))
    manner = manner_of(found.rig, body.lang if body.lang in LANGUAGES else None, body.units)
    page = page_of(record, found, line, verify(record.folder), chart_code(), None, manner)
    file.write_text(page, encoding="utf-8")
    return _NONE


_NONE: Final = Exported(rows=0, tally=Tally())
_MADE: Final[dict[str, Callable[[Record, Path, Taking, Ledgers], Exported]]] = {
    "csv": _table, "parquet": _table, "case": _case, "report": _report,
}  # fmt: skip
_ENDINGS: Final = {"csv": ".csv", "parquet": ".parquet", "case": ".case.zip", "report": ".html"}
_TYPES: Final[dict[str, Any]] = {
    "csv": "text/csv", "parquet": "application/vnd.apache.parquet", "case": "application/zip", "report": "text/html",
}  # fmt: skip
