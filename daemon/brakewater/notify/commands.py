"""Commands from the broker: who asks, what is asked, and the answer.

A payload cannot prove who wrote it. The broker's access list lets each user write only under the own name, so the topic
is the actor. Whatever cannot be carried out is refused with the reason, wherever there is a place to answer to.
"""

import json
import logging
import re
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any, Final

from brakewater.notify import topics
from brakewater.notify.session import Message
from brakewater.rig import Rig
from brakewater.stream import Answer, Request

Door = Callable[[Request], Future[Answer]]
"""Takes a request from any thread."""
Send = Callable[[str, bytes, bytes | None], None]
"""Publishes an answer: topic, payload, correlation data."""

MOST_BYTES: Final = 16384
MOST_OPEN: Final = 64
"""Commands waiting for their answer at once."""
_NO_ID: Final = "without-id"
"""Stands where the id of a command would, in the topic of its refusal."""
_ID: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._:-]{0,63}")

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Why a command does not reach the door."""

    id: str | None
    says: str


def read(rig: Rig, actor: str, message: Message) -> Request | Refusal:
    """What a command message asks for.

    Args:
        rig: gives the people.
        actor: from the topic.
        message: any bytes at all.
    """
    if len(message.payload) > MOST_BYTES:
        return Refusal(id=None, says=f"a command has at most {MOST_BYTES} bytes")
    try:
        asked = json.loads(message.payload)
    except (ValueError, RecursionError):
        return Refusal(id=None, says="not JSON in UTF-8")
    number = asked.get("id") if isinstance(asked, dict) else None
    if not isinstance(number, str) or not _ID.fullmatch(number):
        return Refusal(id=None, says='a command is a JSON object with an "id" of 1 to 64 letters, digits, . _ : -')
    if (reason := _against(rig, actor, message, asked)) is not None:
        return Refusal(id=number, says=reason)
    args = {key: value for key, value in asked.items() if key not in ("id", "do")}
    return Request(id=number, actor=actor, do=asked["do"], args=args)


def _against(rig: Rig, actor: str, message: Message, asked: dict[str, Any]) -> str | None:
    if message.retained:
        return "retained commands are refused: they would be carried out again later"
    if rig.people and actor not in rig.people:
        return f"{actor!r} is not in the rig file's [people]"
    if not isinstance(asked.get("do"), str):
        return 'a command needs a "do", for example "acknowledge"'
    return None


def reply_topic(rig: Rig, actor: str, number: str | None, asked: str | None) -> str:
    """Where an answer goes: to the response topic, else below the actor's answers by its id, or as ``without-id``.

    A response topic inside our own root is taken only below the actor's answers: nobody may have us write a lamp. Nor
    may it be Sparkplug's, where our name may write what the actor's may not.
    """
    own = topics.answer(rig, actor, "")
    ours = (f"{rig.root}/", "spBv1.0/")
    if asked and not set(asked) & set("+#\0$") and (asked.startswith(own) or not asked.startswith(ours)):
        return asked
    return own + (_NO_ID if number is None else number)


class CommandDesk:
    """Takes messages in the session's thread, answers from whichever thread the door answers in."""

    def __init__(self, door: Door, send: Send) -> None:
        self.refused = 0
        """Messages that did not reach the door."""
        self._door, self._send = door, send
        self._open: set[object] = set()

    def take(self, rig: Rig, actor: str, message: Message) -> None:
        """Pass a command on, or refuse it."""
        asked = read(rig, actor, message)
        topic = reply_topic(rig, actor, asked.id, message.reply_to)
        if isinstance(asked, Request) and len(self._open) >= MOST_OPEN:
            asked = Refusal(id=asked.id, says=f"{MOST_OPEN} commands already wait; ask again")
        if isinstance(asked, Refusal):
            self.refused += 1
            _log.info("a command of %s (id %s) was refused: %s", actor, asked.id or "unusable", asked.says)
            self._answer(topic, message.correlation, number=asked.id, ok=False, says=asked.says)
            return
        self._pass_on(asked, topic, message.correlation)

    def _pass_on(self, request: Request, topic: str, correlation: bytes | None) -> None:
        token = object()
        self._open.add(token)

        def answered(future: Future[Answer]) -> None:
            self._open.discard(token)
            ok, says = _said(future)
            if not ok:
                _log.info("command %s of %s was refused: %s", request.id, request.actor, says)
            self._answer(topic, correlation, number=request.id, ok=ok, says=says)

        try:
            future = self._door(request)
        except RuntimeError as error:  # the loop is closed
            future = Future()
            future.set_exception(error)
        future.add_done_callback(answered)

    def _answer(self, topic: str, correlation: bytes | None, *, number: str | None, ok: bool, says: str) -> None:
        self._send(topic, topics.payload({"id": number, "ok": ok, "says": says}), correlation)


def _said(future: Future[Answer]) -> tuple[bool, str]:
    if future.cancelled():
        return False, "the watch has not taken this command: it is stopping"
    error = future.exception()
    if error is not None:
        return False, f"the watch has not taken this command: {error or type(error).__name__}"
    answer = future.result()
    return answer.ok, answer.says
