"""The application: pages, live picture, commands and the past, put together from their parts."""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from threading import Thread
from typing import Any, Final

from fastapi import Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException

from brakewater import __version__
from brakewater.errors import BrakewaterError, NothingThereError, StorageError
from brakewater.panel.asking import NotSoError, Parts, visitor_of
from brakewater.panel.command_routes import add_commands
from brakewater.panel.guard import App, Guard
from brakewater.panel.live_routes import add_live, language_of
from brakewater.panel.opened import Windows
from brakewater.panel.page_files import STATIC, Pages
from brakewater.panel.past import router as past_router
from brakewater.panel.people_routes import add_people
from brakewater.panel.shelf import Shelf
from brakewater.record.reader import Record
from brakewater.rig.panel import Panel
from brakewater.wording import FOLDER as WORDS

_MOST_SAID: Final = 500


def application(parts: Parts) -> App:
    """The guarded application.

    Args:
        parts: record folder, settings, who may what, the live picture.
    """
    windows = Windows(Record(parts.folder))

    @contextlib.asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        following = asyncio.create_task(parts.followed.run(), name="follow")
        Thread(target=windows.read_ahead, name="read-ahead", daemon=True).start()
        yield
        windows.ended.set()
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
    app.exception_handler(NothingThereError)(_absent)
    app.exception_handler(HTTPException)(_refused)
    app.exception_handler(RequestValidationError)(_misread)
    _add_pages(app)
    add_live(app)
    add_people(app)
    add_commands(app)
    app.include_router(past_router(parts.folder, windows), dependencies=[Depends(visitor_of)])
    app.mount("/static", Shelf(STATIC), name="static")
    app.mount("/words", Shelf(WORDS), name="words")
    return Guard(app, hosts=_hosts(parts.panel))


def _hosts(panel: Panel) -> frozenset[str]:
    own = {panel.host, *panel.names}
    return frozenset(own | ({"127.0.0.1", "localhost", "::1"} if panel.is_local else set()))


async def _failed(_: Request, error: Exception) -> JSONResponse:
    named = {"why": "record-unread", "places": {"says": str(error)}} if isinstance(error, StorageError) else {}
    return JSONResponse({"ok": False, "says": str(error), **named}, 503)


async def _absent(_: Request, error: Exception) -> JSONResponse:
    named = {"why": "nothing-there", "places": {"says": str(error)}}
    return JSONResponse({"ok": False, "says": str(error), **named}, 404)


async def _refused(_: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)
    named = {"why": error.why, "places": dict(error.places)} if isinstance(error, NotSoError) else {}
    return JSONResponse({"ok": False, "says": str(error.detail), **named}, error.status_code)


async def _misread(_: Request, error: Exception) -> JSONResponse:
    """Where it is wrong, and nothing of what was sent: it may be a PIN, or no text that could be sent back."""
    assert isinstance(error, RequestValidationError)
    says = "; ".join(f"{'.'.join(map(str, one['loc']))}: {one['msg']}" for one in error.errors())
    says = says.encode(errors="replace").decode()[:_MOST_SAID]
    return JSONResponse({"ok": False, "says": says, "why": "misread", "places": {"says": says}}, 422)


def _add_pages(app: FastAPI) -> None:
    for name in ("driller", "engineer", "book", "handover", "pair"):
        app.add_api_route("/" if name == "driller" else f"/{name}", _page(name), include_in_schema=False)


def _page(name: str) -> Any:
    pages = Pages(name)

    async def page(request: Request) -> Response:
        return pages.answer(request, language_of(request, None))

    return page
