"""The application: pages, live picture, commands and the past, put together from their parts."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final

from fastapi import Depends, FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, JSONResponse, StreamingResponse
from fastapi.staticfiles import StaticFiles
from pydantic import BaseModel, ConfigDict, Field, JsonValue, StringConstraints
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from brakewater import __version__
from brakewater.control import ask
from brakewater.errors import BrakewaterError, DeviceError
from brakewater.panel.access import LOOKER, SESSION_S, STATION_DOES, Access, Visitor
from brakewater.panel.followed import Followed
from brakewater.panel.guard import App, Guard
from brakewater.panel.past import router as past_router
from brakewater.panel.stations import pair
from brakewater.rig.panel import Panel
from brakewater.wording import LANGUAGES

STATIC: Final = Path(__file__).parent / "static"
SESSION: Final = "brakewater-session"
STATION: Final = "brakewater-station"
_FOR_EVER_S: Final = 10 * 365 * 86_400
_COMMAND_S: Final = 5.0
_MOST_SAID: Final = 500

Text = Annotated[str, StringConstraints(min_length=1, max_length=200)]
Language = Annotated[str, StringConstraints(pattern=r"^[a-z]{2}$")]


class LogIn(BaseModel):
    """Who, and their PIN."""

    model_config = ConfigDict(extra="forbid")
    actor: Text
    pin: Text


class Pairing(BaseModel):
    """A code that ``brakewater panel --pair`` printed."""

    model_config = ConfigDict(extra="forbid")
    code: Text


class Command(BaseModel):
    """What ``control.sock`` takes: ``do``, and what belongs to it."""

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[str, JsonValue] = Field(init=False)
    do: Annotated[str, StringConstraints(pattern=r"^[a-z][a-z-]{0,31}$")]
    id: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._:-]{0,63}$")] | None = None


class Says(BaseModel):
    """What became of it."""

    ok: bool
    says: str


class Me(BaseModel):
    """How the panel knows whoever asks."""

    kind: str
    actor: str | None
    does: list[str] | None
    """What may be commanded; null for whatever the actor's role may."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """What the routes stand on."""

    folder: Path
    panel: Panel
    access: Access
    followed: Followed


def application(parts: Parts) -> App:
    """The guarded application.

    Args:
        parts: record folder, settings, who may what, the live picture.
    """

    @contextlib.asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        following = asyncio.create_task(parts.followed.run(), name="follow")
        yield
        following.cancel()
        await asyncio.gather(following, return_exceptions=True)

    app = FastAPI(
        title="Brakewater panel",
        version=__version__,
        description="Advisory monitor, not a safety instrumented system.",
        openapi_url="/api/openapi.json",
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
    )
    app.state.parts = parts
    app.exception_handler(BrakewaterError)(_failed)
    app.exception_handler(HTTPException)(_refused)
    app.exception_handler(RequestValidationError)(_misread)
    _add_pages(app)
    _add_live(app)
    _add_people(app)
    app.include_router(past_router(parts.folder), dependencies=[Depends(_visitor)])
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    return Guard(app, hosts=_hosts(parts.panel))


def _hosts(panel: Panel) -> frozenset[str]:
    own = {panel.host, *panel.names}
    return frozenset(own | ({"127.0.0.1", "localhost", "::1"} if panel.is_local else set()))


async def _failed(_: Request, error: Exception) -> JSONResponse:
    return JSONResponse({"ok": False, "says": str(error)}, 503)


async def _refused(_: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)
    return JSONResponse({"ok": False, "says": str(error.detail)}, error.status_code)


async def _misread(_: Request, error: Exception) -> JSONResponse:
    """Where it is wrong, and nothing of what was sent: it may be a PIN, or no text that could be sent back."""
    assert isinstance(error, RequestValidationError)
    says = "; ".join(f"{'.'.join(map(str, one['loc']))}: {one['msg']}" for one in error.errors())
    return JSONResponse({"ok": False, "says": says.encode(errors="replace").decode()[:_MOST_SAID]}, 422)


def _parts(request: Request) -> Parts:
    parts: Parts = request.app.state.parts
    return parts


def _visitor(request: Request) -> Visitor:
    """Who asks; from this machine anybody may look, from elsewhere only who is known."""
    parts = _parts(request)
    known = parts.access.visitor(request.cookies.get(SESSION), request.cookies.get(STATION))
    if known is not None:
        return known
    if not parts.panel.is_local:
        raise HTTPException(401, "log in first, or pair this station")
    return LOOKER


Asking = Annotated[Visitor, Depends(_visitor)]


def _add_pages(app: FastAPI) -> None:
    for path, file in (("/", "driller"), ("/engineer", "engineer"), ("/book", "book"), ("/pair", "pair")):
        app.add_api_route(path, _page(f"{file}.html"), include_in_schema=False)


def _page(file: str) -> Any:
    async def page() -> FileResponse:
        return FileResponse(STATIC / file, headers={"Cache-Control": "no-cache"})

    return page


def _add_live(app: FastAPI) -> None:
    @app.get("/api/rig")
    async def rig(request: Request, _: Asking) -> dict[str, Any]:
        """Names, big numbers with their limits, windows, languages; 503 while the watch is away."""
        known = _parts(request).followed.rig_doc
        if known is None:
            raise HTTPException(503, "the watch is not there; this page waits for it")
        return {**known, "version": __version__, "languages": list(LANGUAGES)}

    @app.get("/api/trend")
    async def trend(request: Request, _: Asking) -> dict[str, Any]:
        """The big numbers of the last ten minutes, a point a second, in the crew's units; null where not good."""
        points = list(_parts(request).followed.trend)
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
        return await run_in_threadpool(_command, _parts(request).folder, {"ask": "book"})

    @app.get("/api/now")
    async def now(request: Request, _: Asking, lang: Language = "en") -> Response:
        """The newest picture once; 503 where there is none to believe."""
        text = _parts(request).followed.text(lang if lang in LANGUAGES else next(iter(LANGUAGES)))
        if text is None:
            raise HTTPException(503, "the watch is not there, or its picture is old")
        return Response(text, media_type="application/json")


async def _events(request: Request, language: str) -> AsyncIterator[str]:
    async for text in _parts(request).followed.changes(language):
        if await request.is_disconnected():
            return
        yield "event: lost\ndata: {}\n\n" if text is None else f"data: {text}\n\n"


def _add_people(app: FastAPI) -> None:
    @app.get("/api/me")
    async def me(visitor: Asking) -> Me:
        """Who asks, as the panel knows them."""
        does = None if visitor.may("note") else sorted(do for do in STATION_DOES if visitor.may(do))
        return Me(kind=visitor.kind, actor=visitor.actor, does=does)

    @app.post("/api/log-in", responses={401: {"model": Says}})
    async def log_in(request: Request, response: Response, body: LogIn) -> Says:
        """Begin a session."""
        parts, address = _parts(request), request.client.host if request.client else "unknown"
        session = await run_in_threadpool(parts.access.log_in, body.actor, body.pin, address)
        if session is None:
            raise HTTPException(401, "unknown actor or wrong PIN; after five wrong ones wait half a minute")
        _keep(response, SESSION, session, parts.panel, int(SESSION_S))
        return Says(ok=True, says=f"logged in as {body.actor}")

    @app.post("/api/log-out")
    async def log_out(request: Request, response: Response) -> Says:
        """End the session."""
        _parts(request).access.log_out(request.cookies.get(SESSION))
        response.delete_cookie(SESSION)
        return Says(ok=True, says="logged out")

    @app.post("/api/pair", responses={403: {"model": Says}})
    async def pairing(request: Request, response: Response, body: Pairing) -> Says:
        """Make this browser a station; a code works once."""
        parts = _parts(request)
        paired = await run_in_threadpool(pair, parts.folder, body.code)
        if paired is None:
            raise HTTPException(403, "this code is not known, or has been used; ask for a new one")
        _keep(response, STATION, paired[1], parts.panel, _FOR_EVER_S)
        return Says(ok=True, says=f"this is now station {paired[0]}")

    @app.post("/api/command", responses={403: {"model": Says}, 409: {"model": Says}, 503: {"model": Says}})
    async def command(request: Request, visitor: Asking, body: Command) -> JSONResponse:
        """Hand a command to the watch; 409 where it refuses."""
        if visitor.actor is None or not visitor.may(body.do):
            raise HTTPException(403, _why_not(visitor, body.do))
        asked = {**body.model_dump(exclude_none=True), "as": visitor.actor}
        asked.pop("ask", None)
        answer = await run_in_threadpool(_command, _parts(request).folder, asked)
        return JSONResponse(answer, 200 if answer.get("ok") else 409)


def _command(folder: Path, asked: Mapping[str, Any]) -> dict[str, Any]:
    try:
        return ask(folder, dict(asked), timeout_s=_COMMAND_S)
    except DeviceError as error:
        raise HTTPException(503, "the watch does not answer; see to the alarm at the brake itself") from error


def _why_not(visitor: Visitor, do: str) -> str:
    if visitor.actor is None:
        return f"{do}: log in first, or pair this station"
    return f"{do}: a paired station may {', '.join(sorted(STATION_DOES))}; log in for more"


def _keep(response: Response, name: str, value: str, panel: Panel, lasting_s: int) -> None:
    response.set_cookie(
        name, value, max_age=lasting_s, httponly=True, samesite="strict", secure=panel.certificate is not None
    )
