"""What is commanded from a page: through the watch's one door, as the actor whom the panel knows."""

from typing import Annotated

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field, JsonValue, StringConstraints
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from brakewater.panel.access import STATION_DOES, Visitor
from brakewater.panel.asking import Asking, Says, parts_of, to_watch


class Command(BaseModel):
    """What ``control.sock`` takes: ``do``, and what belongs to it."""

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[str, JsonValue] = Field(init=False)
    do: Annotated[str, StringConstraints(pattern=r"^[a-z][a-z-]{0,31}$")]
    id: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._:-]{0,63}$")] | None = None


def add_commands(app: FastAPI) -> None:
    """Route for commands."""

    @app.post("/api/command", responses={403: {"model": Says}, 409: {"model": Says}, 503: {"model": Says}})
    async def command(request: Request, visitor: Asking, body: Command) -> JSONResponse:
        """Hand a command to the watch; 409 where it refuses."""
        if visitor.actor is None or not visitor.may(body.do):
            raise HTTPException(403, _why_not(visitor, body.do))
        asked = {**body.model_dump(exclude_none=True), "as": visitor.actor}
        asked.pop("ask", None)
        answer = await run_in_threadpool(to_watch, parts_of(request).folder, asked)
        return JSONResponse(answer, 200 if answer.get("ok") else 409)


def _why_not(visitor: Visitor, do: str) -> str:
    if visitor.actor is None:
        return f"{do}: log in first, or pair this station"
    return f"{do}: a paired station may {', '.join(sorted(STATION_DOES))}; log in for more"
