"""Who asks: log-in, pairing, and how the panel knows them."""

from typing import Final

from fastapi import FastAPI, Request, Response
from pydantic import BaseModel, ConfigDict
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from brakewater.panel.access import SESSION_S, STATION_DOES
from brakewater.panel.asking import SESSION, STATION, Asking, Says, Text, parts_of
from brakewater.panel.stations import pair
from brakewater.rig.panel import Panel

_FOR_EVER_S: Final = 10 * 365 * 86_400


class LogIn(BaseModel):
    """Who, and their PIN."""

    model_config = ConfigDict(extra="forbid")
    actor: Text
    pin: Text


class Pairing(BaseModel):
    """A code that ``brakewater panel --pair`` printed."""

    model_config = ConfigDict(extra="forbid")
    code: Text


class Paired(Says):
    """What became of a pairing."""

    station: str


class Me(BaseModel):
    """How the panel knows whoever asks."""

    kind: str
    actor: str | None
    does: list[str] | None
    """What may be commanded; null for whatever the actor's role may."""


def add_people(app: FastAPI) -> None:
    """Routes for log-in, log-out and pairing."""

    @app.get("/api/me")
    async def me(visitor: Asking) -> Me:
        """Who asks, as the panel knows them."""
        does = None if visitor.may("note") else sorted(do for do in STATION_DOES if visitor.may(do))
        return Me(kind=visitor.kind, actor=visitor.actor, does=does)

    @app.post("/api/log-in", responses={401: {"model": Says}})
    async def log_in(request: Request, response: Response, body: LogIn) -> Says:
        """Begin a session."""
        parts, address = parts_of(request), request.client.host if request.client else "unknown"
        session = await run_in_threadpool(parts.access.log_in, body.actor, body.pin, address)
        if session is None:
            raise HTTPException(401, "unknown actor or wrong PIN; after five wrong ones wait half a minute")
        _keep(response, SESSION, session, parts.panel, int(SESSION_S))
        return Says(ok=True, says=f"logged in as {body.actor}")

    @app.post("/api/log-out")
    async def log_out(request: Request, response: Response) -> Says:
        """End the session."""
        parts_of(request).access.log_out(request.cookies.get(SESSION))
        response.delete_cookie(SESSION)
        return Says(ok=True, says="logged out")

    @app.post("/api/pair", responses={403: {"model": Says}})
    async def pairing(request: Request, response: Response, body: Pairing) -> Paired:
        """Make this browser a station; a code works once."""
        parts = parts_of(request)
        paired = await run_in_threadpool(pair, parts.folder, body.code)
        if paired is None:
            raise HTTPException(403, "this code is not known, or has been used; ask for a new one")
        _keep(response, STATION, paired[1], parts.panel, _FOR_EVER_S)
        return Paired(ok=True, says=f"this is now station {paired[0]}", station=paired[0])


def _keep(response: Response, name: str, value: str, panel: Panel, lasting_s: int) -> None:
    response.set_cookie(
        name, value, max_age=lasting_s, httponly=True, samesite="strict", secure=panel.certificate is not None
    )
