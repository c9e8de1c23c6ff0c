"""Where commands from other threads and from ``control.sock`` come in."""

import asyncio
import concurrent.futures
import uuid
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from brakewater.control import Handler, own_user
from brakewater.engine.byhand import RECALL
from brakewater.engine.refusals import refused
from brakewater.loop import Loop
from brakewater.service.holding import HOLDS, held
from brakewater.stream import Answer, Request

Asked = Callable[[dict[str, Any]], Awaitable[dict[str, Any]]]
"""Answers one kind of question."""

_COMMIT_S: Final = 0.5
"""How long an answer waits for its command to be in the record."""


class Door:
    """Takes requests from other threads into the loop."""

    def __init__(self, folder: Path | None = None) -> None:
        """Not open before ``loop`` is there.

        Args:
            folder: record folder, where there is one.
        """
        self.loop: Loop | None = None
        self._folder = folder
        self._home = asyncio.get_running_loop()
        self._in_turn = asyncio.Lock()
        """Answers come in the order of what they answer."""

    def scanned_ns(self) -> int:
        """Monotonic time of the last scan; 0 before the first."""
        return self.loop.scanned_ns if self.loop is not None else 0

    def ask(self, request: Request) -> concurrent.futures.Future[Answer]:
        """The future holds the answer, or that the watch has not begun."""
        return asyncio.run_coroutine_threadsafe(self.answer(request), self._home)

    async def answer(self, request: Request) -> Answer:
        """The engine's answer, once it is in the record or says that it is not; for callers in the loop's own thread.

        What was answered with a yes outlives whatever happens to the watch or the machine in the next moment.
        """
        if self.loop is None:
            no = refused("starting")
            return Answer(id=request.id, actor=request.actor, ok=False, says=str(no), why=no.why)
        if request.do in ("substitute", "check-begin"):
            request = replace(request, args={**request.args, RECALL: True})
        until_s = asyncio.get_running_loop().time() + _COMMIT_S
        answer = await self.loop.ask(request)
        async with self._in_turn:
            recorded = await self.loop.recorded(until_s)
        if answer.ok and not recorded:
            answer = replace(answer, says=f"{answer.says}; not in the record yet, which waits for its disk")
        if answer.ok and request.do in HOLDS and self._folder is not None:
            return await asyncio.to_thread(held, self._folder, request, answer)
        return answer


def _as_another(actor: str, what: dict[str, Any]) -> str | None:
    """Why ``as`` may not stand: only the daemon's own user, as which the panel runs, speaks for others."""
    if "as" not in what or actor == own_user():
        return None
    return f'found "as" from user {actor}; allowed: only from the daemon\'s own user, which the panel is'


def handler(door: Door, asked: Mapping[str, Asked]) -> Handler:
    """What ``control.sock`` answers.

    Args:
        door: takes commands.
        asked: who answers which question, by the word behind ``"ask"``.
    """

    async def handle(actor: str, what: dict[str, Any]) -> dict[str, Any]:
        answers = asked.get(str(what.get("ask")))
        if answers is not None:
            return await answers(what)
        if not isinstance(what.get("do"), str):
            return {"ok": False, "says": f'found neither "ask": {", ".join(asked)} nor "do": a command'}
        says = _as_another(actor, what)
        if says:
            return {"ok": False, "says": says}
        args = {key: value for key, value in what.items() if key not in ("do", "id", "as")}
        actor = str(what.get("as", actor))
        request = Request(id=str(what.get("id") or uuid.uuid4()), actor=actor, do=what["do"], args=args)
        answer = await door.answer(request)
        worded = {"why": answer.why, "places": dict(answer.places)} if answer.why else {}
        return {"id": answer.id, "ok": answer.ok, "says": answer.says, **worded}

    return handle
