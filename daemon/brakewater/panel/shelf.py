"""Files and pages as they go over the wire: read once, packed once, and sent again only where they have changed.

Nothing is read from disk while somebody waits, and a file that a browser has already is told by its tag (ETag). Tags
and not lifetimes, so that no station goes on with the scripts of the version before.
"""

import gzip
import hashlib
import mimetypes
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

_FEWEST: Final = 512
"""Bytes below which packing saves nothing."""
_TYPES: Final = {".js": "text/javascript", ".json": "application/json", ".svg": "image/svg+xml"}
"""Told by us and not by the machine: a browser runs no module of another type."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """One file in memory."""

    body: bytes
    packed: bytes | None
    """By gzip; None where that is no shorter."""
    tag: str
    media: str

    def answer(self, request: Request, headers: Mapping[str, str] | None = None) -> Response:
        """What a browser gets: 304 where it has this already, else the body as it can read it.

        Args:
            request: with its ``If-None-Match`` and ``Accept-Encoding``.
            headers: more of them.
        """
        told = {"ETag": self.tag, "Cache-Control": "no-cache", "Vary": "Accept-Encoding", **(headers or {})}
        if self.tag in request.headers.get("if-none-match", ""):
            return Response(status_code=304, headers=told)
        if self.packed is not None and "gzip" in request.headers.get("accept-encoding", ""):
            return Response(self.packed, media_type=self.media, headers={**told, "Content-Encoding": "gzip"})
        return Response(self.body, media_type=self.media, headers=told)


def kept(body: bytes, media: str) -> Kept:
    """Bytes made ready to be sent."""
    packed = gzip.compress(body, mtime=0) if len(body) >= _FEWEST else body
    tag = f'"{hashlib.sha256(body).hexdigest()[:24]}"'
    return Kept(body=body, packed=packed if len(packed) < len(body) else None, tag=tag, media=media)


class Shelf:
    """Every file of a folder, by its path below it; an ASGI application to be mounted."""

    def __init__(self, folder: Path) -> None:
        """Read them all: they are few and small."""
        self._kept = {
            file.relative_to(folder).as_posix(): kept(file.read_bytes(), _media(file))
            for file in sorted(folder.rglob("*"))
            if file.is_file()
        }

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request; what is not on the shelf is not there, however its path is written."""
        request = Request(scope)
        if request.method not in ("GET", "HEAD"):
            raise HTTPException(405, "allowed: GET")
        found = self._kept.get(scope["path"].removeprefix(scope.get("root_path", "")).lstrip("/"))
        if found is None:
            raise HTTPException(404, "there is no such file")
        await found.answer(request)(scope, receive, send)


def _media(file: Path) -> str:
    return _TYPES.get(file.suffix) or mimetypes.guess_type(file.name)[0] or "application/octet-stream"
