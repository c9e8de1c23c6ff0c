"""What holds for every request: which host names count, how long a body may be, what a browser may do with an answer.

Host names are checked so that a page of elsewhere cannot reach the panel under a name it turned to this machine (DNS
rebinding). What changes something must come from our own pages: the ``Origin`` must be ours, beside a cookie that no
other site's request carries (SameSite).
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any, Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MOST_BODY: Final = 65_536
BODY_S: Final = 10.0
"""To wait for each part of a body."""
_SAFE: Final = ("GET", "HEAD")
_log = logging.getLogger(__name__)


def policy(style: str = "") -> str:
    """What a browser may do with an answer; ``style``: digest of a style that may stand inside it."""
    return (
        f"default-src 'none'; script-src 'self'; style-src 'self'{style and f' {style}'};"
        " img-src 'self' data:; connect-src 'self'; media-src 'self' data:; manifest-src 'self'; base-uri 'none';"
        " form-action 'none'; frame-ancestors 'none'"
    )


_HEADERS: Final = {
    "Content-Security-Policy": policy(),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


_POLICY: Final = "Content-Security-Policy"


class Guard:
    """Wraps the application."""

    def __init__(self, app: App, *, hosts: frozenset[str]) -> None:
        """``hosts``: host names and addresses, without port, under which the panel may be asked for."""
        self._app, self._hosts = app, hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        if scope["method"] not in _SAFE:
            send = _telling(scope, send)
        why = self._refused(scope["method"], Headers(scope=scope))
        if why is not None:
            status, says = why
            await JSONResponse({"ok": False, "says": says}, status)(scope, receive, _with_headers(send))
            return
        await self._app(scope, _bounded(receive), _with_headers(send))

    def _refused(self, method: str, headers: Headers) -> tuple[int, str] | None:
        host = headers.get("host", "")
        if _name(host) not in self._hosts:
            return 421, f"found Host {host!r}; allowed: {', '.join(sorted(self._hosts))}; more by [panel] names"
        if not headers.get("content-length", "0").isdecimal() or int(headers.get("content-length", "0")) > MOST_BODY:
            return 413, f"allowed: a body of {MOST_BODY} bytes at most"
        if method not in _SAFE:
            if headers.get("transfer-encoding"):
                return 411, "allowed: a body whose length is said beforehand"
            origin = headers.get("origin")
            if origin is None or _place(origin) != host:
                return 403, "what changes something must come from the panel's own pages (Origin)"
        return None


_PASSED_OVER: Final = frozenset("\t\r\n")
"""What taking an address apart leaves out, as if it did not stand there."""


def _place(origin: str) -> str | None:
    """Host and port of an origin; None where it is none."""
    if set(origin) & _PASSED_OVER:
        return None
    try:
        return urlsplit(origin).netloc
    except ValueError:
        return None


def _name(host: str) -> str:
    if set(host) & _PASSED_OVER:
        return ""
    try:
        return urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return ""


def _telling(scope: Scope, send: Send) -> Send:
    """Log what was asked to change something and was refused: who tried stands in no record otherwise."""

    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start" and 400 <= message["status"] < 500:
            place = (scope.get("client") or ("?",))[0]
            _log.warning("%s %.100r from %s refused: %d", scope["method"], scope["path"], place, message["status"])
        await send(message)

    return sending


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in _HEADERS.items():
                if name != _POLICY or name not in headers:  # a page brings a policy with the digest of its style
                    headers[name] = value
            if "cache-control" not in headers:
                headers["Cache-Control"] = "no-store"
        await send(message)

    return sending


def _bounded(receive: Receive) -> Receive:
    """Hang up on a body that is longer than it said, or that does not come."""
    taken, whole = 0, False

    async def receiving() -> Message:
        nonlocal taken, whole
        if whole:  # nothing but the end of the connection may come now, and that may take as long as it likes
            return await receive()
        try:
            async with asyncio.timeout(BODY_S):
                message = await receive()
        except TimeoutError:
            return {"type": "http.disconnect"}
        taken += len(message.get("body", b""))
        whole = not message.get("more_body", False)
        return {"type": "http.disconnect"} if taken > MOST_BODY else message

    return receiving
