"""Push-buttons, wherever they come from: what each asks for, and when a contact counts as pressed once."""

import logging
import uuid
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, Final

from brakewater.quality import Quality, quality
from brakewater.rig import Rig
from brakewater.stream import Answer, Picture, Request

Ask = Callable[[Request], Future[Answer]]
"""The door that every command goes through."""

BOUNCE_NS: Final = 300_000_000
"""A second press within this time is the first one's bounce."""
_ASKS: Final[dict[str, dict[str, Any]]] = {
    "acknowledge": {"alarm": "all"},
    "silence": {},
    "reset": {"alarm": "all"},
    "test": {},
}
_ROLE: Final = "push-"

_log = logging.getLogger(__name__)


class Presses:
    """Turns presses into commands of one actor."""

    def __init__(self, ask: Ask) -> None:
        self.pressed = 0
        self.refused = 0
        """Presses that came to nothing: unknown to this version, or nothing stood to be done."""
        self._ask = ask

    def press(self, button: str, actor: str) -> None:
        """Ask for what a button is for: ``acknowledge``, ``silence``, ``reset`` or ``test``."""
        self.pressed += 1
        future = self._ask(Request(id=f"push-{uuid.uuid4()}", actor=actor, do=button, args=_ASKS[button]))
        future.add_done_callback(self._answered)

    def _answered(self, future: Future[Answer]) -> None:
        if future.cancelled() or future.exception() is not None:
            self.refused += 1
            return
        answer = future.result()
        if not answer.ok:
            self.refused += 1
            _log.info("button of %s: %s", answer.actor, answer.says)


class Contact:
    """One contact: says when it goes from open to closed, bounces taken out."""

    __slots__ = ("_closed", "_last_ns")

    def __init__(self) -> None:
        self._closed: bool | None = None
        self._last_ns: int | None = None

    def see(self, closed: bool | None, t_ns: int) -> bool:  # noqa: FBT001 - the contact's own state
        """True for a press.

        Args:
            closed: None where nobody knows; what follows is then no press until it has been seen open.
            t_ns: steady time.
        """
        rose = closed is True and self._closed is False
        self._closed = closed
        bounced = self._last_ns is not None and t_ns - self._last_ns < BOUNCE_NS
        if rose and not bounced:
            self._last_ns = t_ns
        return rose and not bounced


class PushButtons:
    """Buttons that the rig file reads as points, roles ``push-...``. One closed since the start is not pressed."""

    def __init__(self, rig: Rig, ask: Ask) -> None:
        self.presses = Presses(ask)
        self._contacts = {
            point.name: (point.role.removeprefix(_ROLE), Contact())
            for point in rig.points
            if point.role.startswith(_ROLE)
        }

    def show(self, picture: Picture) -> None:
        """Look at every button; does not wait for what becomes of a press."""
        for name, (button, contact) in self._contacts.items():
            value, code = picture.readings.get(name, (0.0, 255))
            closed = value != 0.0 if quality(code) is Quality.GOOD else None
            if contact.see(closed, picture.t_ns):
                self.presses.press(button, f"push-button:{name}")

    def figures(self) -> dict[str, int]:
        """For the status."""
        return {"pressed": self.presses.pressed, "refused": self.presses.refused}
