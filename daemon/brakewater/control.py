"""The door on the box: ``control.sock`` in the record folder, one JSON line asked and one answered.

Asked to ``follow``, it answers with a line for each new picture until either side hangs up. The kernel says which user
is at the other end, so the actor of a command needs no word of its own.
"""

import asyncio
import json
import logging
import os
import pwd
import re
import socket
import struct
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from brakewater.errors import DeviceError, plainly

SOCKET: Final = "control.sock"
_MOST_BYTES: Final = 65_536
_MOST_PICTURE_BYTES: Final = 4 * 1024 * 1024
_PATIENCE_S: Final = 10.0
_MOST_OPEN: Final = 64
"""Clients at once; more would use up the files that the devices' lines need."""
_MOST_FOLLOWING: Final = 32
"""Of them who follow, for as long as they like: whoever acknowledges must still find room."""
_ID: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._:-]{0,63}")

_log = logging.getLogger(__name__)

Handler = Callable[[str, dict[str, Any]], Awaitable[dict[str, Any]]]
"""Takes the actor and what is asked; gives the answer."""
Follow = Callable[[], AsyncIterator[bytes]]
"""Lines without their ends, for one who follows."""


class ControlServer:
    """Listens on the socket until closed."""

    def __init__(self, folder: Path, handler: Handler, follow: Follow) -> None:
        self._path = folder / SOCKET
        self._handler, self._follow = handler, follow
        self._server: asyncio.Server | None = None
        self._open: set[asyncio.Task[Any]] = set()
        self._following = 0
        self._closing = False

    async def open(self) -> None:
        """Begin to listen; a socket left behind by a dead daemon is replaced (the record's lock says it is dead).

        Raises:
            OSError: the socket cannot be made there.
        """
        self._path.unlink(missing_ok=True)
        self._server = await asyncio.start_unix_server(self._serve, path=str(self._path), limit=_MOST_BYTES)
        self._path.chmod(0o660)

    async def close(self) -> None:
        """Stop listening, hang up on whoever still asks, and remove the socket."""
        if self._server is None:
            return
        self._server.close()
        self._path.unlink(missing_ok=True)
        self._closing = True
        for task in self._open:
            task.cancel()
        await asyncio.gather(*self._open, return_exceptions=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._open.add(task)
        try:
            async with asyncio.timeout(_PATIENCE_S):
                answer: dict[str, Any] | None
                if len(self._open) > _MOST_OPEN:
                    answer = _refusal(f"{_MOST_OPEN} clients already ask; try again")
                else:
                    answer = await self._answer(_actor(writer), reader)
                if answer is None and self._following >= _MOST_FOLLOWING:
                    answer = _refusal(f"{_MOST_FOLLOWING} clients already follow; try again")
                if answer is not None:
                    writer.write(json.dumps(answer).encode() + b"\n")
                    await writer.drain()
            if answer is None:
                await self._stream(reader, writer)
        except (OSError, TimeoutError):
            pass  # whoever asked has gone, or asks without end
        except asyncio.CancelledError:
            if not self._closing:
                raise
        finally:
            self._open.discard(task)
            writer.close()

    async def _stream(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Write each new line until whoever follows hangs up, or takes none for too long."""
        self._following += 1
        parts = (
            asyncio.create_task(self._write(writer), name="follow"),
            asyncio.create_task(reader.read(1), name="hung up"),
        )
        try:
            done, _ = await asyncio.wait(parts, return_when=asyncio.FIRST_COMPLETED)
            for part in done:
                part.result()
        finally:
            self._following -= 1
            for part in parts:
                part.cancel()
            await asyncio.gather(*parts, return_exceptions=True)

    async def _write(self, writer: asyncio.StreamWriter) -> None:
        async for line in self._follow():
            writer.write(line + b"\n")
            async with asyncio.timeout(_PATIENCE_S):
                await writer.drain()

    async def _answer(self, actor: str, reader: asyncio.StreamReader) -> dict[str, Any] | None:
        """None where pictures are to follow."""
        try:
            line = await reader.readline()
        except ValueError:
            return _refusal(f"found more than {_MOST_BYTES} bytes; allowed: one line of JSON")
        try:
            asked = json.loads(line)
            json.dumps(asked, ensure_ascii=False).encode()  # half a surrogate pair is JSON, but no text
        except (ValueError, RecursionError) as error:
            return _refusal(f"not JSON in UTF-8: {error}")
        if not isinstance(asked, dict):
            return _refusal("found no JSON object")
        if asked.get("ask") == "follow":
            return None
        return await self._handled(actor, asked)

    async def _handled(self, actor: str, asked: dict[str, Any]) -> dict[str, Any]:
        number = asked.get("id")
        if number is not None and not (isinstance(number, str) and _ID.fullmatch(number)):
            return _refusal('"id": allowed: 1 to 64 letters, digits, . _ : -')
        try:
            return await self._handler(actor, asked)
        except Exception as error:  # noqa: BLE001 - a defect is told to whoever met it; the door stays open
            _log.exception("asked for %.200r", asked)
            return _refusal(f"a defect in the watch: {error!r}")


def _refusal(says: str) -> dict[str, Any]:
    return {"ok": False, "says": says}


def _actor(writer: asyncio.StreamWriter) -> str:
    peer: socket.socket = writer.get_extra_info("socket")
    _, uid, _ = struct.unpack("3i", peer.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i")))
    return _user(uid)


def own_user() -> str:
    """The user as whom this process runs, as a peer on the socket would be named."""
    return _user(os.getuid())


def _user(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"uid-{uid}"


def _group(folder: Path) -> str:
    """Of those whom a record folder lets in; nothing where it is root's, or we are in it."""
    try:
        return "" if folder.stat().st_gid in {0, os.getgid(), *os.getgroups()} else folder.group()
    except (OSError, KeyError):
        return ""


class RefusedError(DeviceError):
    """A daemon is there, and does not say what it is asked; the text says why."""


def ask(folder: Path, what: dict[str, Any], *, timeout_s: float = _PATIENCE_S, holding: str = "") -> dict[str, Any]:
    """Ask the daemon that keeps a record folder.

    Args:
        folder: the record folder.
        what: JSON object to ask.
        timeout_s: how long to wait for the answer, s.
        holding: a key that every answer to this question holds but a refusal.

    Raises:
        DeviceError: no daemon answers there.
        RefusedError: what it answers does not hold the key.
    """
    path = folder / SOCKET
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
            line.settimeout(timeout_s)
            line.connect(str(path))
            with suppress(BrokenPipeError):  # it refuses before it has read, and has said why
                line.sendall(json.dumps(what).encode() + b"\n")
            answer = line.makefile("rb").readline()
        found = json.loads(answer)
    except (OSError, ValueError) as error:
        if isinstance(error, FileNotFoundError) and not folder.is_dir():
            raise DeviceError(
                f"{folder}: no such folder, so no daemon can be asked there; one whose record was deleted watches on,"
                " but cannot be asked until it is started again: systemctl status brakewater"
            ) from error
        if isinstance(error, PermissionError) and (group := _group(folder)):
            raise DeviceError(
                f"{path}: user {own_user()} may not speak with the daemon there; who may is in the group {group}: as"
                f" root: adduser {own_user()} {group}, then log in anew"
            ) from error
        raise DeviceError(
            f"{path}: no daemon answers ({plainly(error)}); is `brakewater run` at work on this record folder, and may"
            f" user {own_user()} reach it? As a service: systemctl status brakewater; journalctl -u brakewater -n 50"
        ) from error
    if not isinstance(found, dict):
        raise DeviceError(f"{path}: found an answer that is no JSON object")
    if holding and holding not in found:
        raise RefusedError(f"{path}: the daemon does not tell: {found.get('says')}")
    return found


async def follow(folder: Path) -> AsyncIterator[dict[str, Any]]:
    """Each new picture of the daemon that keeps a record folder, as ``brakewater.live`` writes it, until it ends.

    Raises:
        OSError: no daemon listens there.
        ValueError: what it says is no JSON object.
    """
    reader, writer = await asyncio.open_unix_connection(str(folder / SOCKET), limit=_MOST_PICTURE_BYTES)
    try:
        writer.write(b'{"ask": "follow"}\n')
        await writer.drain()
        while line := await reader.readline():
            doc = json.loads(line)
            if not isinstance(doc, dict):
                raise ValueError(f"found {line[:80]!r}, no JSON object")  # noqa: TRY004 - what is read, not what is passed
            yield doc
    finally:
        writer.close()
