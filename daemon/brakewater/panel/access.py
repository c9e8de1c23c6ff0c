"""Who asks, and what they may: a paired station, someone logged in, or anybody who looks from this machine."""

import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from threading import Lock
from time import monotonic
from typing import Final

from brakewater.panel.pins import matches
from brakewater.panel.stations import station_of

STATION_DOES: Final = frozenset({"acknowledge", "silence", "reset", "test"})
"""What a paired station may command without a PIN."""
SESSION_S: Final = 8 * 3600.0
"""A tour, rounded down: an engineer's log-in ends; a station's pairing never does."""
_TRIES: Final = 5
_LOCKED_S: Final = 30.0
_MOST_SESSIONS: Final = 256
_MOST_REMEMBERED: Final = 1024


class Kind(StrEnum):
    """How someone is known."""

    STATION = "station"
    PERSON = "person"
    LOOKER = "looker"


@dataclass(frozen=True, slots=True, kw_only=True)
class Visitor:
    """Whoever asks."""

    kind: Kind
    actor: str | None
    """As whom they command; None for one who only looks."""

    def may(self, do: str) -> bool:
        """Whether the panel hands on such a command; the daemon has the last word."""
        return self.kind is Kind.PERSON or (self.kind is Kind.STATION and do in STATION_DOES)


LOOKER: Final = Visitor(kind=Kind.LOOKER, actor=None)


@dataclass(slots=True)
class _Tries:
    count: int = 0
    until_s: float = 0.0


@dataclass(slots=True)
class Access:
    """Sessions live in memory: they end with the panel. Pairings live in the record folder."""

    folder: Path
    station_actor: str
    pins: Mapping[str, str]
    """Actor -> hashed PIN."""
    _sessions: dict[str, tuple[str, float]] = field(default_factory=dict)
    _tries: dict[str, _Tries] = field(default_factory=dict)
    _one_at_a_time: Lock = field(default_factory=Lock)

    def visitor(self, session: str | None, station: str | None) -> Visitor | None:
        """Who brings these cookies; None for one who brings nothing that counts."""
        actor = self._actor(session)
        if actor is not None:
            return Visitor(kind=Kind.PERSON, actor=actor)
        if station and station_of(self.folder, station) is not None:
            return Visitor(kind=Kind.STATION, actor=self.station_actor)
        return None

    def log_in(self, actor: str, pin: str, address: str) -> str | None:
        """A new session, or None; after five wrong PINs nobody from there or of that name may try for a while."""
        places = (f"actor {actor}", f"address {address}")
        with self._one_at_a_time:
            if any(self.locked(place) for place in places):
                return None
            for place in places:
                self._count(place)  # as wrong, before it is known: else many at once would be five
        kept = self.pins.get(actor)
        right = matches(pin, kept or _NOBODY) and kept is not None  # takes as long for a name that is not known
        if not right:
            return None
        with self._one_at_a_time:
            for place in places:
                self._tries.pop(place, None)
            self._forget_old()
            session = secrets.token_urlsafe(32)
            self._sessions[session] = (actor, monotonic() + SESSION_S)
        return session

    def locked(self, place: str) -> bool:
        """Whether too many wrong PINs came from there just now."""
        tries = self._tries.get(place)
        return tries is not None and monotonic() < tries.until_s

    def log_out(self, session: str | None) -> None:
        """End a session."""
        self._sessions.pop(session or "", None)

    def _actor(self, session: str | None) -> str | None:
        actor, until_s = self._sessions.get(session or "", ("", 0.0))
        return actor if monotonic() < until_s else None

    def _count(self, place: str) -> None:
        if len(self._tries) >= _MOST_REMEMBERED:
            self._tries.pop(next(iter(self._tries)))
        tries = self._tries.setdefault(place, _Tries())
        tries.count += 1
        if tries.count >= _TRIES:
            tries.count, tries.until_s = 0, monotonic() + _LOCKED_S

    def _forget_old(self) -> None:
        now_s = monotonic()
        self._sessions = {key: one for key, one in self._sessions.items() if one[1] > now_s}
        while len(self._sessions) >= _MOST_SESSIONS:
            self._sessions.pop(next(iter(self._sessions)))


_NOBODY: Final = "scrypt$16384$8$1$00$00"
