"""What every route stands on: the parts, and who asks."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final

from fastapi import Depends, HTTPException, Request
from pydantic import BaseModel, StringConstraints

from brakewater.control import ask
from brakewater.engine.refusals import RefusedError
from brakewater.errors import DeviceError
from brakewater.panel.access import LOOKER, Access, Visitor
from brakewater.panel.followed import Followed
from brakewater.rig.panel import Panel

SESSION: Final = "brakewater-session"
STATION: Final = "brakewater-station"
_COMMAND_S: Final = 5.0

Text = Annotated[str, StringConstraints(min_length=1, max_length=200)]


class NotSoError(HTTPException):
    """A refusal that pages have words for."""

    def __init__(self, status: int, no: RefusedError) -> None:
        self.why, self.places = no.why, no.places
        super().__init__(status, str(no))


class Says(BaseModel):
    """What became of it."""

    ok: bool
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """What the routes stand on."""

    folder: Path
    panel: Panel
    access: Access
    followed: Followed


def parts_of(request: Request) -> Parts:
    """The parts of the application that was asked."""
    parts: Parts = request.app.state.parts
    return parts


def visitor_of(request: Request) -> Visitor:
    """Who asks; from this machine anybody may look, from elsewhere only who is known."""
    parts = parts_of(request)
    known = parts.access.visitor(request.cookies.get(SESSION), request.cookies.get(STATION))
    if known is None and not parts.panel.is_local:
        raise HTTPException(401, "log in first, or pair this station")
    request.state.visitor = known or LOOKER
    return known or LOOKER


Asking = Annotated[Visitor, Depends(visitor_of)]


def to_watch(folder: Path, asked: Mapping[str, Any]) -> dict[str, Any]:
    """Ask the watch through ``control.sock``; 503 where it does not answer."""
    try:
        return ask(folder, dict(asked), timeout_s=_COMMAND_S)
    except DeviceError as error:
        raise HTTPException(503, "the watch does not answer; see to the alarm at the brake itself") from error
