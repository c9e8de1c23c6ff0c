"""What is commanded from a page: through the watch's one door, as the actor whom the panel knows."""

import asyncio
from collections.abc import Mapping
from pathlib import Path
from time import time_ns
from typing import Annotated, Any, Final

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field, JsonValue, StringConstraints
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from brakewater.alarms.lifecycle import MASKS, UNSEEN, shown_of
from brakewater.book_shown import done_lately
from brakewater.engine.refusals import refused
from brakewater.errors import StorageError
from brakewater.panel.access import STATION_DOES, Visitor
from brakewater.panel.asking import Asking, Says, parts_of, to_watch
from brakewater.record.reader import Record
from brakewater.stream import Event
from brakewater.units import utc_text

_NOT_SEEN: Final = UNSEEN | {*MASKS}
_LATELY: Final = "lately"
"""Keys of alarms that waited on the page a moment ago: the watch is not asked about them, but who took them is."""


class Command(BaseModel):
    """What ``control.sock`` takes: ``do``, and what belongs to it."""

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[str, JsonValue] = Field(init=False)
    do: Annotated[str, StringConstraints(pattern=r"^[a-z][a-z-]{0,31}$")]
    id: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._:-]{0,63}$")] | None = None


def add_commands(app: FastAPI) -> None:
    """Route for commands."""
    logging = asyncio.Lock()
    """Of two phones that log at once the second one finds what the first has logged."""

    @app.post("/api/command", responses={403: {"model": Says}, 409: {"model": Says}, 503: {"model": Says}})
    async def command(request: Request, visitor: Asking, body: Command) -> JSONResponse:
        """Hand a command to the watch; 409 where it refuses."""
        if visitor.actor is None or not visitor.may(body.do):
            raise HTTPException(403, _why_not(visitor, body.do))
        asked = {**body.model_dump(exclude_none=True), "as": visitor.actor}
        asked.pop("ask", None)
        lately, again, folder = asked.pop(_LATELY, None), asked.pop("again", False), parts_of(request).folder
        if body.do == "log-round" and again is not True and "corrects" not in asked:
            async with logging:
                answer = await run_in_threadpool(_logged, folder, asked)
        else:
            answer = await run_in_threadpool(to_watch, folder, asked)
        if body.do == "acknowledge" and not answer.get("ok") and not answer.get("why"):
            answer["first"] = await run_in_threadpool(_first, folder, _keys(asked.get("alarms")) | _keys(lately))
        return JSONResponse(answer, 200 if answer.get("ok") else 409)


def _logged(folder: Path, asked: Mapping[str, Any]) -> dict[str, Any]:
    """Log a round, unless the book has it as done at about that time: another phone did, or this one before."""
    one = done_lately(to_watch(folder, {"ask": "book"}), asked.get("round"), asked.get("at") or utc_text(time_ns()))
    if one is None:
        return to_watch(folder, asked)
    no = refused("logged-just-now", round=one["round"], time=one["done"], who=one["actor"])
    return {"ok": False, "says": str(no), "why": no.why, "places": dict(no.places)}


def _keys(said: Any) -> set[str]:
    return {key for key in said if isinstance(key, str)} if isinstance(said, list) else set()


def _first(folder: Path, keys: set[str]) -> Mapping[str, Any] | None:
    """Who acknowledged any of them last: ``actor``, ``alarm`` and ``utc_ms``; None where the record tells of nobody."""
    record, newest = Record(folder), None
    try:
        for run in record.runs()[-1:]:
            for one in record.events((run, 0), run):
                newest = one.event if _is_taken(one.event, keys) else newest
    except (StorageError, ValueError):  # damaged, or a state that no watch writes
        return None
    if newest is None:
        return None
    alarm = newest.key
    return {"actor": newest.actor, "alarm": alarm, "utc_ms": newest.utc_ns // 1_000_000}


def _is_taken(event: Event, keys: set[str]) -> bool:
    is_seen = event.why == "command" and shown_of(event.was) in UNSEEN and shown_of(event.now) not in _NOT_SEEN
    return is_seen and event.actor is not None and event.key in keys


def _why_not(visitor: Visitor, do: str) -> str:
    if visitor.actor is None:
        return f"{do}: log in first, or pair this station"
    return f"{do}: a paired station may {', '.join(sorted(STATION_DOES))}; log in for more"
