"""The present, as the pages ask for it: the rig, the newest picture, its changes."""

from collections.abc import AsyncIterator
from typing import Annotated, Any

from fastapi import FastAPI, Request, Response
from fastapi.responses import StreamingResponse
from pydantic import StringConstraints
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from brakewater import __version__
from brakewater.book_text import health_lines, signed_lines
from brakewater.panel.asking import Asking, parts_of, to_watch
from brakewater.rig.panel import Panel
from brakewater.units import CREW_UNITS, utc_text
from brakewater.wording import LANGUAGES

Language = Annotated[str | None, StringConstraints(pattern=r"^[a-z]{2}$")]
"""None, or one that is not there: the rig file's."""
Units = Annotated[str | None, StringConstraints(pattern=r"^[a-z]{1,12}$")]
"""``us`` or ``metric``; None, or others: the rig file's."""


def language_of(request: Request, asked: str | None) -> str:
    """In which language to answer."""
    return asked if asked is not None and asked in LANGUAGES else _panel(request).language


def _panel(request: Request) -> Panel:
    """The settings in force: a reload may have changed the rig file's since the panel began."""
    parts = parts_of(request)
    return (parts.followed.rig.panel if parts.followed.rig else None) or parts.panel


def add_live(app: FastAPI) -> None:
    """Routes for what is live, and for the upkeep book as it stands."""

    @app.get("/api/languages")
    async def languages(request: Request) -> dict[str, Any]:
        """The languages there are by their codes, and the rig file's; nobody needs to be known for that."""
        names = {code: words.pages.get("name", code) for code, words in LANGUAGES.items()}
        return {"languages": names, "language": _panel(request).language}

    @app.get("/api/rig")
    async def rig(request: Request, _: Asking, units: Units = None) -> dict[str, Any]:
        """Names, big numbers with their limits, windows, languages; 503 while the watch is away."""
        known = parts_of(request).followed.rig_doc(units)
        if known is None:
            raise HTTPException(503, "the watch is not there; this page waits for it")
        return {**known, "version": __version__, "languages": list(LANGUAGES)}

    @app.get("/api/trend")
    async def trend(request: Request, _: Asking, units: Units = None) -> dict[str, Any]:
        """The big numbers of the last ten minutes, a point a second, in the viewer's units; null where not good."""
        points = parts_of(request).followed.trend(units)
        names = list(points[-1][1]) if points else []
        return {
            "utc_ms": [utc_ms for utc_ms, _ in points],
            "values": {name: [point.get(name) for _, point in points] for name in names},
        }

    @app.get("/api/live", response_class=StreamingResponse)
    async def live(request: Request, _: Asking, lang: Language = None, units: Units = None) -> StreamingResponse:
        """Server-sent events: each new picture, or ``lost`` while there is none to believe."""
        return StreamingResponse(_events(request, language_of(request, lang), units), media_type="text/event-stream")

    @app.get("/api/book")
    async def book(request: Request, _: Asking, lang: Language = None, units: Units = None) -> dict[str, Any]:
        """The upkeep book as it stands, its health in sentences; ``ok`` is false where the rig file keeps none."""
        found = await run_in_threadpool(to_watch, parts_of(request).folder, {"ask": "book"})
        if found.get("ok") is False:
            return found
        words = LANGUAGES[language_of(request, lang)]
        chosen = units if units in CREW_UNITS else None
        picture = parts_of(request).followed.picture
        found["now"] = None if picture is None else utc_text(picture.utc_ns)
        return {**found, "health": health_lines(found, words, chosen), "signatures": signed_lines(found, words)}

    @app.get("/api/now")
    async def now(request: Request, _: Asking, lang: Language = None, units: Units = None) -> Response:
        """The newest picture once; 503 where there is none to believe."""
        text = parts_of(request).followed.text(language_of(request, lang), units)
        if text is None:
            raise HTTPException(503, "the watch is not there, or its picture is old")
        return Response(text, media_type="application/json")


async def _events(request: Request, language: str, units: str | None) -> AsyncIterator[str]:
    async for text in parts_of(request).followed.changes(language, units):
        if await request.is_disconnected():
            return
        yield "event: lost\ndata: {}\n\n" if text is None else f"data: {text}\n\n"
