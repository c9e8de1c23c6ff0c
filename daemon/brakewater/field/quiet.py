"""Silence on an RTU line: when the next request may go out.

On RTU nothing in an answer tells which request it belongs to. So after a request that got no valid answer, and after
bytes that nobody asked for, the line is *in doubt*: no request goes out until it has been silent, in both directions,
for the worst latency that is declared for its devices; all that comes meanwhile is thrown away. Without doubt the
silence between two frames is enough.

The promise, for devices that answer a request once at most: an answer that begins within the declared latency of its
request is never taken for the answer to a later one, however equal the two are. Two things cannot be told apart on RTU
when unit, function and length are the same: an answer later than the declared latency, and a second answer to a request
that was answered well already, when it comes after the pause between two frames. So the read plan makes neighbouring
requests differ in length, and the declared latency is better too long than too short.

A line is in doubt from the start: a process that ended in mid-request may have left an answer due.
"""

from time import monotonic
from typing import Final

__all__ = ["Quiet"]

_BABBLE: Final = 256
"""More bytes than the largest RTU frame has are no late answer."""


class Quiet:
    """The silence one line must keep; times are steady time (that of asyncio's loop), s.

    Args:
        pause_s: silence between two frames, s.
        latency_s: declared worst latency, s.
        character_s: time of one character, s.
    """

    __slots__ = ("_character_s", "_heard", "_in_doubt", "_latency_s", "_owed", "_pause_s", "_stirred", "late")

    def __init__(self, *, pause_s: float, latency_s: float, character_s: float) -> None:
        self._pause_s, self._latency_s = pause_s, max(pause_s, latency_s)
        self._character_s = character_s
        self._stirred, self._in_doubt, self._owed, self._heard = monotonic(), True, False, 0
        self.late = False
        """Bytes came after a request had been given up, before the next one."""

    @property
    def in_doubt(self) -> bool:
        """An answer may still come to a request that nobody waits for any more, or bytes came that nobody asked for."""
        return self._in_doubt

    @property
    def babbles(self) -> bool:
        """More came unasked than one answer has."""
        return self._heard > _BABBLE

    def left_s(self) -> float:
        """How long the line must still stay silent, s; 0 or less when a request may go out."""
        return self._stirred + (self._latency_s if self._in_doubt else self._pause_s) - monotonic()

    def sending(self, octets: int) -> None:
        """A request goes out now."""
        self._stirred = monotonic() + octets * self._character_s
        self._in_doubt = self._owed = self.late = False
        self._heard = 0

    def answered(self) -> None:
        """Part of the answer that is due came in, or all of it."""
        self._stirred = max(self._stirred, monotonic())

    def gave_up(self) -> None:
        """The request got no valid answer; one may still come."""
        self._in_doubt = self._owed = True

    def heard(self, octets: int) -> None:
        """Bytes came that nobody waits for."""
        self._stirred, self._in_doubt = monotonic(), True
        self._heard += octets
        self.late |= self._owed

    def opened(self, settle_s: float) -> None:
        """The line was opened anew; what its other end kept for us comes within so many seconds."""
        wait = self._latency_s if self._in_doubt else self._pause_s
        self._stirred = max(self._stirred, monotonic() + settle_s - wait)
