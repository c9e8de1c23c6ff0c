"""The past, as the engineer's page asks for it: what the record holds, the events in it, and who said what."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from fastapi import APIRouter, Request
from fastapi.responses import StreamingResponse

from brakewater.engine.asking import utc_ns_of
from brakewater.engine.commands import mark
from brakewater.engine.refusals import RefusedError, refused
from brakewater.errors import DamagedRecordError, StorageError
from brakewater.panel.asking import NotSoError
from brakewater.panel.live_routes import Language, Units, language_of
from brakewater.panel.opened import Windows
from brakewater.panel.past_charts import LAST_MS, MILLION, Ledgers, Moment, add_charts, for_page
from brakewater.panel.shown import in_units, rig_doc
from brakewater.panel.taken import add_taken
from brakewater.panel.tour_routes import add_tour
from brakewater.record.documents import event_doc
from brakewater.record.reader import Record
from brakewater.render import Document, alarm_name
from brakewater.review.standing import standing
from brakewater.rig import Rig, parse
from brakewater.rig.panel import Panel
from brakewater.stream import Command, Start
from brakewater.units import utc_text
from brakewater.wording import LANGUAGES, Wording

_MOST_COMMANDS: Final = 5000


def router(folder: Path, windows: Windows | None = None) -> APIRouter:
    """Routes under ``/api/past``.

    Args:
        folder: record folder.
        windows: what is kept open of it; its own where None.
    """
    routes, record = APIRouter(prefix="/api/past"), Record(folder)
    ledgers = Ledgers(record)

    @routes.get("/spans")
    def spans() -> list[dict[str, Any]]:
        """What each run of the record covers."""
        return [
            {
                "run": span.run,
                "from": utc_text(span.from_utc_ns),
                "to": utc_text(span.to_utc_ns),
                "from_ms": span.from_utc_ns // MILLION,
                "to_ms": span.to_utc_ns // MILLION,
                "last_ms": span.last_utc_ns // MILLION,
                "sealed": span.sealed,
            }
            for span in record.spans()
        ]

    @routes.get("/rig")
    def rig(units: Units = None) -> dict[str, Any]:
        """Names, numbers and limits by the newest recorded rig file: the record can be read while the watch is away."""
        tail = record.tail()
        if tail is None:
            raise NotSoError(422, refused("no-record"))
        newest = parse(tail[0].rig_toml, "the recorded rig file")
        return rig_doc(in_units(newest, units), newest.panel or Panel())

    @routes.get("/events", response_class=StreamingResponse)
    def events(
        request: Request, from_ms: Moment = 0, to_ms: Moment = LAST_MS, lang: Language = None, units: Units = None
    ) -> StreamingResponse:
        """Recorded events of a window in their order, one JSON document a line."""
        words = LANGUAGES[language_of(request, lang)]
        return StreamingResponse(_events(record, from_ms, to_ms, words, units), media_type="application/x-ndjson")

    @routes.get("/standing")
    def stood(
        request: Request, from_ms: Moment = 0, to_ms: Moment = LAST_MS, lang: Language = None
    ) -> list[dict[str, Any]]:
        """Alarms that held already when a window begins, and since when."""
        window = from_ms * MILLION, to_ms * MILLION
        return _standing(record, window, LANGUAGES[language_of(request, lang)])

    @routes.get("/commands")
    def commands(from_ms: Moment = 0, to_ms: Moment = LAST_MS) -> list[dict[str, Any]]:
        """Who asked for what in a window, refused or not, once however often sent; a note stands where it marks."""
        return list(_commands(record, from_ms * MILLION, to_ms * MILLION))[:_MOST_COMMANDS]

    add_charts(routes, record, windows or Windows(record), ledgers)
    add_taken(routes, record, ledgers)
    add_tour(routes, record, ledgers)
    return routes


def _standing(record: Record, window: tuple[int, int], words: Wording) -> list[dict[str, Any]]:
    try:
        found = standing(record, window)
        if not found:
            return []
        rig = _rig_of(record, record.spans(*window)[0].run)
    except StorageError:
        return []  # the events of this run say that it is damaged
    return [{"alarm": key, "name": alarm_name(rig, key, words), "t": utc_text(since)} for key, since in found.items()]


def _commands(record: Record, from_ns: int, to_ns: int) -> Iterator[dict[str, Any]]:
    known: set[str] = set()
    for run in record.runs():
        try:
            said = [one for one in record.others(run) if isinstance(one, Command)]
        except StorageError:
            continue  # the events of this run say that it is damaged
        for one in said:
            if (sent := mark(one.request)) in known:
                continue
            known.add(sent)
            if any(from_ns <= at < to_ns for at in (one.utc_ns, _marks_ns(one))):
                yield {
                    "t": utc_text(one.utc_ns),
                    "actor": one.request.actor,
                    "do": one.request.do,
                    "args": dict(one.request.args),
                }


def _marks_ns(command: Command) -> int:
    """The moment that a note of the engineer's page stands at; of any other command its own."""
    if command.request.do != "note":
        return command.utc_ns
    try:
        return utc_ns_of("at", command.request.args.get("at"))
    except RefusedError:
        return command.utc_ns


def _events(record: Record, from_ms: int, to_ms: int, words: Wording, units: str | None) -> Iterator[str]:
    from_ns, to_ns = from_ms * MILLION, to_ms * MILLION
    for span in record.spans(from_ns, to_ns):
        rig: Rig | None = None
        try:
            for one in record.events(after=(span.run, 0), to_run=span.run):
                if from_ns <= one.event.utc_ns < to_ns:
                    rig = rig or in_units(_rig_of(record, span.run), units)
                    yield json.dumps(_named(rig, event_doc(one.event), words)) + "\n"
        except DamagedRecordError as error:
            yield json.dumps({"damaged": str(error)}) + "\n"


def _named(rig: Rig, doc: Document, words: Wording) -> Document:
    return for_page(rig, doc, words) | {"name": alarm_name(rig, f"{doc['brake'] or 'rig'}.{doc['alarm']}", words)}


def _rig_of(record: Record, run: int) -> Rig:
    start = next(record.inputs(from_run=run, to_run=run))
    if not isinstance(start, Start):
        raise DamagedRecordError(f"run {run}: input 0 is no start")
    return parse(start.rig_toml, f"the rig file of run {run}")
