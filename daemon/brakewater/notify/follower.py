"""Events from the committed record to the broker: in order, at least once, however long it was away.

The cursor moves only over events that the broker has acknowledged, and only over a whole stretch from the oldest on.
A session that ends leaves nothing behind: the next one goes on from the cursor, so what was on its way comes again.
"""

import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import islice
from typing import Any, Final, Protocol

from paho.mqtt.client import MQTTMessageInfo

from brakewater import render
from brakewater.errors import DamagedRecordError, StorageError
from brakewater.notify import topics
from brakewater.notify.session import Session
from brakewater.rig import Rig
from brakewater.stream import Event

CURSOR: Final = "mqtt"
WINDOW: Final = 10
"""Events on their way at once; half of what a broker takes by default, so that alarm states find room beside them."""
_PAGE: Final = 256
_LOOK_S: Final = 5.0
"""Looks into the record this often even if no commit is told."""
_PAUSE_S: Final = 2.0
"""After trouble with the record or the broker."""

_log = logging.getLogger(__name__)

Place = tuple[int, int]
"""Run and n of an event."""


class CommittedEvent(Protocol):
    """An event with the hash of its commit, as the record gives it."""

    @property
    def event(self) -> Event:
        """What happened."""
        ...

    @property
    def hash(self) -> str:
        """Where in the chain it stands."""
        ...


class Record(Protocol):
    """The reading side of the record."""

    def events(self, after: Place | None = None) -> Iterator[CommittedEvent]:
        """Committed events after a place, in order."""
        ...


class Cursors(Protocol):
    """How far each follower is."""

    def get(self, name: str) -> Place | None:
        """Up to where it is done; None before it began."""
        ...

    def set(self, name: str, cursor: Place) -> None:
        """It is done up to here."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Sources:
    """Where events come from and how they are written down."""

    record: Record
    cursors: Cursors
    document: Callable[[Event], Mapping[str, Any]]
    """An event as it is recorded."""


class EventFollower:
    """A thread that publishes events whenever there are a session and events."""

    def __init__(self, sources: Sources, *, rig: Callable[[], Rig], session: Callable[[], Session | None]) -> None:
        """Not yet started.

        Args:
            sources: where events come from.
            rig: the rig in force.
            session: the session in use; None where there is none.
        """
        self.published = 0
        """Events acknowledged by the broker since the start, repeats included."""
        self._sources, self._rig, self._session = sources, rig, session
        self._turn, self._stop = threading.Event(), threading.Event()
        self._skip: int | None = None
        self._said = ""
        self._due = True
        self._thread = threading.Thread(target=self._work, name="mqtt-events", daemon=True)

    def start(self) -> None:
        """Begin to follow."""
        self._thread.start()

    def stop(self) -> None:
        """End; what is not acknowledged comes again next time."""
        self._stop.set()
        self._turn.set()
        self._thread.join()

    def wake(self, *, committed: bool = False) -> None:
        """Something has changed; does not wait. From any thread."""
        if committed:
            self._due = True
        self._turn.set()

    def _work(self) -> None:
        while not self._stop.is_set():
            self._turn.clear()
            session = self._session()
            if session is None or not session.alive:
                self._turn.wait(_LOOK_S)
                continue
            try:
                self._follow(session)
            except Exception:  # noqa: BLE001 - whatever it is, events are followed on
                _log.exception("following events failed; trying on")
                self._stop.wait(_PAUSE_S)

    def _follow(self, session: Session) -> None:
        """Publish for as long as the session lasts."""
        done = self._sources.cursors.get(CURSOR)
        read, ready = done, deque[CommittedEvent]()
        window: deque[tuple[Place, MQTTMessageInfo]] = deque()
        self._due, looked = True, time.monotonic()
        while session.alive and not self._stop.is_set():
            self._turn.clear()
            if not ready and (self._due or time.monotonic() - looked >= _LOOK_S):
                self._due, looked = False, time.monotonic()
                ready.extend(self._page(read))
                self._due = self._due or len(ready) == _PAGE
                read = _place(ready[-1].event) if ready else read
            while ready and len(window) < WINDOW:
                window.append(self._publish(session, ready.popleft()))
            if not self._settle(session, window):
                self._stop.wait(_PAUSE_S)
                return
            if not (len(window) < WINDOW if ready else self._due):
                self._turn.wait(_LOOK_S)

    def _page(self, after: Place | None) -> list[CommittedEvent]:
        """The next events; what is damaged is passed over, and said once."""
        page: list[CommittedEvent] = []
        if self._skip is not None and (after is None or after[0] < self._skip):
            after = (self._skip, 0)
        try:
            page.extend(islice(self._sources.record.events(after), _PAGE))
        except DamagedRecordError as error:
            self._skip = (page[-1].event.run if page else after[0] if after else 0) + 1
            self._due = True
            self._say(f"events cannot be read on, going to run {self._skip}: {error}")
        except StorageError as error:
            self._say(f"events cannot be read now: {error}")
        return page

    def _publish(self, session: Session, committed: CommittedEvent) -> tuple[Place, MQTTMessageInfo]:
        rig, event = self._rig(), committed.event
        document = render.event_shown(rig, {**self._sources.document(event), "hash": committed.hash})
        return _place(event), session.publish(topics.event(rig, event.brake), topics.payload(document), qos=1)

    def _settle(self, session: Session, window: deque[tuple[Place, MQTTMessageInfo]]) -> bool:
        """Move the cursor over what is acknowledged; False where the broker refuses events."""
        done: Place | None = None
        while window and session.delivered(window[0][1]):
            done = window.popleft()[0]
            self.published += 1
        if done is not None:
            self._sources.cursors.set(CURSOR, done)
        if window and session.refused(window[0][1]):
            self._say(f"event {window[0][0][0]}.{window[0][0][1]}: {session.trouble}; look at its access list")
            return False
        return True

    def _say(self, text: str) -> None:
        if text != self._said:
            _log.error("%s", text)
        self._said = text


def _place(event: Event) -> Place:
    return event.run, event.n
