"""What one session shows: the newest picture's states as they change, and what goes out once a second."""

import time
from collections import deque
from dataclasses import dataclass, field
from typing import Any, Final

from paho.mqtt.client import MQTTMessageInfo

from brakewater import render
from brakewater.notify import topics
from brakewater.notify.session import Session
from brakewater.rig import Rig
from brakewater.stream import Picture
from brakewater.units import utc_text

BEAT_S: Final = 1.0
VALID_S: Final = 3.0
"""How long a reader may believe a ``now`` payload."""
FRESH_S: Final = 3.0
"""Without a picture for this long the lamp ``watching`` goes out; beyond four scans where a scan takes longer."""
_EXPIRES_S: Final = round(VALID_S)
"""What lives no longer is not delivered later, by a broker that speaks MQTT 5."""
_PROBE_S: Final = 5.0
"""At least this often something is published that the broker must acknowledge."""
_MOST_WAITING: Final = 200
"""With more unacknowledged than this, states are held back; the newest goes out when there is room."""


@dataclass(slots=True, kw_only=True)
class Newest:
    """Slots that other threads overwrite; each is read whole and kept no longer than a turn."""

    picture: Picture | None = None
    picture_s: float = 0.0
    """When it was shown, by the monotonic clock."""
    head: dict[str, Any] | None = None
    """Head of the event chain."""
    foreign: deque[str] = field(default_factory=lambda: deque(maxlen=4096))
    """Topics of retained states that this rig does not have."""

    def age_s(self) -> float | None:
        """Age of the picture; None where there is none."""
        return None if self.picture is None else time.monotonic() - self.picture_s


class Screen:
    """Publishes on one session; used by one thread at a time."""

    def __init__(self, session: Session, rig: Rig, newest: Newest) -> None:
        """Publishes the birth and subscribes; all states follow with the first turn."""
        self._session, self._rig, self._newest = session, rig, newest
        self._shown = topics.Shown(rig=rig)
        self._online = topics.payload({"online": True, "since": now_text()})
        self._picture: Picture | None = None
        self._head: dict[str, Any] | None = None
        self._next_s = self._probe_s = time.monotonic()
        self._probe()
        session.subscribe(topics.command(rig, "+"), as_published=True)
        for states in topics.state_filters(rig):
            session.subscribe(states, own=False)

    def turn(self) -> None:
        """Bring the broker up to date, and say what is due once a second."""
        self.changes()
        now = time.monotonic()
        if now >= self._next_s:
            self._next_s = max(self._next_s + BEAT_S, now)  # missed beats are not made up for
            self._beat()

    def wait_s(self) -> float:
        """Until something is due even if nothing changes."""
        return max(0.0, self._next_s - time.monotonic())

    def farewell(self) -> MQTTMessageInfo:
        """Publish that the watch is going, and leave nothing retained that looks like one; returns what to wait for."""
        for topic, body in topics.nothing_stands(self._rig):
            self._session.publish(topic, body, retain=True)
        body = topics.payload({"online": False, "since": now_text()})
        return self._session.publish(topics.online(self._rig), body, retain=True)

    def changes(self) -> None:
        """Publish every state that is another one; all wait where the broker is slow to acknowledge. Never blocks."""
        if self._session.waiting() > _MOST_WAITING:
            return
        age_s = self._newest.age_s()
        fresh = age_s is not None and age_s < max(FRESH_S, 4e-9 * self._rig.scan_ns)
        for topic, body in self._shown.changes(self._newest.picture, fresh=fresh):
            self._session.publish(topic, body, retain=True)
        while self._newest.foreign:
            self._session.publish(self._newest.foreign.popleft(), b"", retain=True)

    def _beat(self) -> None:
        picture, age_s = self._newest.picture, self._newest.age_s()
        body = {
            "t": now_text(),
            "scan_age_s": None if age_s is None else round(age_s, 3),
            "n": 0 if picture is None else picture.events,
        }
        self._session.publish(topics.heartbeat(self._rig), topics.payload(body), qos=0, expires_s=_EXPIRES_S)
        if picture is not None and picture is not self._picture:
            self._picture = picture
            for brake in self._rig.brakes:
                live = topics.payload(render.now(self._rig, picture, brake.name, VALID_S))
                self._session.publish(topics.now(self._rig, brake.name), live, qos=0, expires_s=_EXPIRES_S)
        self._chain_or_probe()

    def _chain_or_probe(self) -> None:
        head = self._newest.head
        if head is not None and head is not self._head:
            self._head = head
            self._probe_s = time.monotonic() + _PROBE_S
            self._session.publish(topics.chain(self._rig), topics.payload(head), retain=True)
        elif time.monotonic() >= self._probe_s:
            self._probe()

    def _probe(self) -> None:
        """A link is only as good as its last acknowledgement, so the birth is said again now and then."""
        self._probe_s = time.monotonic() + _PROBE_S
        self._session.publish(topics.online(self._rig), self._online, retain=True)


def now_text() -> str:
    """Wall time as payloads carry it."""
    return utc_text(time.time_ns())
