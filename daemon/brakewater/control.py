"""The door on the box: ``control.sock`` in the record folder, one JSON line asked and one answered.

The kernel says which user is at the other end, so the actor of a command needs no word of its own.
"""

import asyncio
import json
import os
import pwd
import socket
import struct
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, Final

from brakewater.errors import DeviceError

SOCKET: Final = "control.sock"
_MOST_BYTES: Final = 65_536
_PATIENCE_S: Final = 10.0

Handler = Callable[[str, dict[str, Any]], Awaitable[dict[str, Any]]]
"""Takes the actor and what is asked; gives the answer."""


class ControlServer:
    """Listens on the socket until closed."""

    def __init__(self, folder: Path, handler: Handler) -> None:
        self._path = folder / SOCKET
        self._handler = handler
        self._server: asyncio.Server | None = None

    async def open(self) -> None:
        """Begin to listen; a socket left behind by a dead daemon is replaced (the record's lock says it is dead).

        Raises:
            OSError: the socket cannot be made there.
        """
        self._path.unlink(missing_ok=True)
        self._server = await asyncio.start_unix_server(self._serve, path=str(self._path), limit=_MOST_BYTES)
        self._path.chmod(0o660)

    async def close(self) -> None:
        """Stop listening and remove the socket."""
        if self._server is not None:
            self._server.close()
            self._path.unlink(missing_ok=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            async with asyncio.timeout(_PATIENCE_S):
                answer = await self._answer(_actor(writer), await reader.readline())
                writer.write(json.dumps(answer).encode() + b"\n")
                await writer.drain()
        except (OSError, ValueError, TimeoutError):
            pass  # whoever asked has gone, or asks without end
        finally:
            writer.close()

    async def _answer(self, actor: str, line: bytes) -> dict[str, Any]:
        try:
            asked = json.loads(line)
        except ValueError as error:
            return {"ok": False, "says": f"not JSON: {error}"}
        if not isinstance(asked, dict):
            return {"ok": False, "says": "found no JSON object"}
        return await self._handler(actor, asked)


def _actor(writer: asyncio.StreamWriter) -> str:
    peer: socket.socket = writer.get_extra_info("socket")
    _, uid, _ = struct.unpack("3i", peer.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i")))
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"uid-{uid}"


def ask(folder: Path, what: dict[str, Any], *, timeout_s: float = _PATIENCE_S) -> dict[str, Any]:
    """Ask the daemon that keeps a record folder.

    Args:
        folder: the record folder.
        what: JSON object to ask.
        timeout_s: how long to wait for the answer, s.

    Raises:
        DeviceError: no daemon answers there.
    """
    path = folder / SOCKET
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
            line.settimeout(timeout_s)
            line.connect(str(path))
            line.sendall(json.dumps(what).encode() + b"\n")
            answer = line.makefile("rb").readline()
        found = json.loads(answer)
    except (OSError, ValueError) as error:
        raise DeviceError(
            f"{path}: no daemon answers ({error}); is `brakewater run` at work on this record folder, as user"
            f" {pwd.getpwuid(os.getuid()).pw_name} may reach it?"
        ) from error
    if not isinstance(found, dict):
        raise DeviceError(f"{path}: found an answer that is no JSON object")
    return found
