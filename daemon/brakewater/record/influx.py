"""A server with the InfluxDB v2 write API, as the mirror sees it: lines in, one plain verdict out.

The client library is heavy (about half a second and 14 MB), so it is imported where a server is made: in the worker's
own thread, and never by a watch without a mirror.
"""

import contextlib
import re
import socket
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from enum import Enum
from importlib import import_module
from typing import Any, Final

from brakewater.errors import plainly
from brakewater.rig import Mirror

_MOST_WAIT_S: Final = 3600.0
_REFUSED: Final = (400, 413, 422)
_SHUT: Final = (401, 402, 403, 404, 405)
_RETENTION: Final = re.compile(
    r"\b(?:beyond|outside)\b[^.]{0,40}\bretention\b.*?(?:\bdropped=(\d+)|$)", re.IGNORECASE | re.DOTALL
)
"""What a server says of points from before what its bucket keeps, from the public description of its write API and what
versions 2.0 to 2.7 are reported to answer: 422, by 2.0 still 500. It has written the rest of the request."""


class Verdict(Enum):
    """What became of some lines."""

    TAKEN = "taken"
    REFUSED = "refused"
    """Some line of them is bad."""
    BUSY = "busy"
    """The server is there and well, and wants to be asked later."""
    SHUT = "shut"
    """A person has to change something: token, bucket or address."""
    AWAY = "away"
    """No answer, or one that says the server is not well; what it took lately may be gone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """The server's answer to one request."""

    verdict: Verdict
    says: str = ""
    wait_s: float | None = None
    """How long the server asks to be left alone."""
    reconnected: bool = False
    """True where the former connection was gone without a word: the server may have been killed and started again."""
    too_old: int | None = None
    """Of what it refused, how many lines are from before what it keeps, 0 where it does not say; None: none is."""


class _Line:
    """What the connection of a pool has seen, and its socket."""

    def __init__(self) -> None:
        self.connects = 0
        self.farewell = False
        """The last answer announced that the connection ends."""
        self.sock: Any = None

    def watch(self, pool: Any) -> None:
        """Have every connection of a urllib3 pool tell this."""
        line = self

        class Watched(pool.ConnectionCls):  # type: ignore[misc]
            def connect(self) -> None:
                super().connect()
                line.connects += 1
                line.sock = self.sock

            def getresponse(self) -> Any:
                answer = super().getresponse()
                announced = answer.headers.get("Connection", "").lower()
                line.farewell = announced == "close" or (answer.version < 11 and announced != "keep-alive")
                return answer

        pool.ConnectionCls = Watched


class InfluxServer:
    """One connection to a server. ``write`` belongs to one thread, ``abort`` to any."""

    def __init__(self, mirror: Mirror, token: str | None, connect_s: float, answer_s: float) -> None:
        """Import the client; connects at the first write.

        Args:
            mirror: where.
            token: secret of the server.
            connect_s: longest wait for a connection.
            answer_s: longest wait for an answer.

        Raises:
            ImportError: influxdb-client is not installed.
        """
        library = import_module("influxdb_client")
        write_api = import_module("influxdb_client.client.write_api")
        self._answered = import_module("influxdb_client.client.exceptions").InfluxDBError
        self._unanswered = (import_module("urllib3.exceptions").HTTPError, OSError)
        timeout_ms = (round(1000 * connect_s), round(1000 * answer_s))
        self._client = library.InfluxDBClient(
            url=mirror.url,
            token=token,
            org=mirror.org,
            timeout=timeout_ms,
            enable_gzip=True,
            retries=False,
            **_tls(mirror),
        )
        self._api = self._client.write_api(write_options=write_api.SYNCHRONOUS)
        self._target = {"bucket": mirror.bucket, "org": mirror.org, "write_precision": library.WritePrecision.NS}
        self._line = _Line()
        self._pools = self._client.api_client.rest_client.pool_manager
        self._line.watch(self._pools.connection_from_url(mirror.url))

    def write(self, lines: list[bytes]) -> Reply:
        """Send lines, at least one, in one request."""
        connects, farewell = self._line.connects, self._line.farewell
        try:
            self._api.write(record=b"\n".join(lines), **self._target)
        except self._answered as error:
            return _reply(error)
        except self._unanswered as error:
            return Reply(verdict=Verdict.AWAY, says=_brief(error))
        silently = bool(connects) and self._line.connects > connects and not farewell
        return Reply(verdict=Verdict.TAKEN, reconnected=silently)

    def abort(self) -> None:
        """Break off a write that waits for its answer."""
        if self._line.sock is not None:
            with contextlib.suppress(OSError):
                self._line.sock.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Close the connection."""
        self._client.close()
        self._pools.clear()


def _tls(mirror: Mirror) -> dict[str, str]:
    """Files of the client; without them it trusts whom the library trusts. They are read at every connection."""
    files = {"ssl_ca_cert": mirror.ca, "cert_file": mirror.certificate, "cert_key_file": mirror.key}
    return {name: file for name, file in files.items() if file is not None}


def _brief(error: BaseException) -> str:
    """In words for people where it is the network's; the library's own names say nothing to them."""
    inner: BaseException | None = error
    while inner is not None:
        if isinstance(inner, OSError):
            return f"no connection: {plainly(inner)}"[:300]
        inner = inner.__cause__ or inner.__context__
    return f"{type(error).__name__}: {error}"[:300]


def _reply(error: Any) -> Reply:
    """Verdict on an answer other than 2xx; a TLS failure comes without a status."""
    answer = error.response
    status = getattr(error, "status", None) or getattr(answer, "status", None) or 0
    if not status:
        return Reply(verdict=Verdict.AWAY, says=_brief(error))
    says = f"{status} {error.message or error.reason or ''}"[:300]
    headers = getattr(error, "headers", None) or {}
    verdict, too_old = _verdict(int(status)), too_old_of(int(status), says)
    if too_old is not None:
        verdict = Verdict.REFUSED
    wait_s = retry_after_s(headers) or None  # "at once" from a server in trouble: our own pace stands
    return Reply(verdict=verdict, says=says, wait_s=wait_s, too_old=too_old)


def too_old_of(status: int, says: str) -> int | None:
    """``Reply.too_old`` of an answer's status and words."""
    found = _RETENTION.search(says) if status in (*_REFUSED, 500) else None
    return None if found is None else int(found[1] or 0)


def _verdict(status: int) -> Verdict:
    if status in _REFUSED:
        return Verdict.REFUSED
    if status == 429:
        return Verdict.BUSY
    return Verdict.SHUT if status in _SHUT or 300 <= status < 400 else Verdict.AWAY


def retry_after_s(headers: Any) -> float | None:
    """Seconds that ``Retry-After`` asks for (RFC 9110, 10.2.3), at most an hour; None without one that can be read.

    A date is held against the answer's own ``Date``, since this machine's clock may be wrong.
    """
    text = headers.get("Retry-After", "").strip()
    if text.isdecimal():
        return min(float(text), _MOST_WAIT_S)
    with contextlib.suppress(ValueError, TypeError):
        wait = parsedate_to_datetime(text) - parsedate_to_datetime(headers.get("Date", ""))
        return min(max(wait.total_seconds(), 0.0), _MOST_WAIT_S)
    return None
