"""The present, as the pages ask for it: the rig, the newest picture, its changes."""

from collections.abc import AsyncIterator
from typing import Annotated, Any

from fastapi import FastAPI, Request, Response
from fastapi.responses import StreamingResponse
from pydantic import StringConstraints
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from brakewater import __version__
from brakewater.panel.asking import Asking, parts_of, to_watch
from brakewater.wording import LANGUAGES

Language = Annotated[str, StringConstraints(pattern=r"^[a-z]{2}$")]


def add_live(app: FastAPI) -> None:
    """Routes for what is live, and for the upkeep book as it stands."""

    @app.get("/api/rig")
    async def rig(request: Request, _: Asking) -> dict[str, Any]:
        """Names, big numbers with their limits, windows, languages; 503 while the watch is away."""
        known = parts_of(request).followed.rig_doc
        if known is None:
            raise HTTPException(503, "the watch is not there; this page waits for it")
        return {**known, "version": __version__, "languages": list(LANGUAGES)}

    @app.get("/api/trend")
    async def trend(request: Request, _: Asking) -> dict[str, Any]:
        """The big numbers of the last ten minutes, a point a second, in the crew's units; null where not good."""
        points = list(parts_of(request).followed.trend)
        names = list(points[-1][1]) if points else []
        return {
            "utc_ms": [utc_ms for utc_ms, _ in points],
            "values": {name: [point.get(name) for _, point in points] for name in names},
        }

    @app.get("/api/live", response_class=StreamingResponse)
    async def live(request: Request, _: Asking, lang: Language = "en") -> StreamingResponse:
        """Server-sent events: each new picture, or ``lost`` while there is none to believe."""
        language = lang if lang in LANGUAGES else next(iter(LANGUAGES))
        return StreamingResponse(_events(request, language), media_type="text/event-stream")

    @app.get("/api/book")
    async def book(request: Request, _: Asking) -> dict[str, Any]:
        """The upkeep book as it stands; ``ok`` is false where the rig file keeps none."""
        return await run_in_threadpool(to_watch, parts_of(request).folder, {"ask": "book"})

    @app.get("/api/now")
    async def now(request: Request, _: Asking, lang: Language = "en") -> Response:
        """The newest picture once; 503 where there is none to believe."""
        text = parts_of(request).followed.text(lang if lang in LANGUAGES else next(iter(LANGUAGES)))
        if text is None:
            raise HTTPException(503, "the watch is not there, or its picture is old")
        return Response(text, media_type="application/json")


async def _events(request: Request, language: str) -> AsyncIterator[str]:
    async for text in parts_of(request).followed.changes(language):
        if await request.is_disconnected():
            return
        yield "event: lost\ndata: {}\n\n" if text is None else f"data: {text}\n\n"
