"""The watch on a message broker: a thread that keeps a session alive and shows the newest picture.

``show`` overwrites one slot and wakes the thread, which publishes what differs from what this session has published.
Where an alarm has moved, the caller's own thread does that at once, unless the other one is just at it.
While the broker is away nothing is kept but that slot; each new session begins with everything there is to show.

The newest picture alone says how things stand. ``watching`` goes out, here, when pictures stop coming; whoever shows
lamps from the broker must also put them out without a heartbeat.
"""

import logging
import socket
import threading
import time
from dataclasses import dataclass
from typing import Any, Final, Protocol

from brakewater.notify import topics
from brakewater.notify.commands import CommandDesk, Door
from brakewater.notify.dial import Dial
from brakewater.notify.follower import EventFollower, Sources
from brakewater.notify.screen import Newest, Screen, now_text
from brakewater.notify.session import KEEPALIVE_S, Message, Outcome, Session, Target, Version
from brakewater.notify.tls import context_of
from brakewater.record.signing import Signature
from brakewater.rig import Mqtt as Broker
from brakewater.rig import Rig
from brakewater.stream import AlarmNow, Picture

_LATE_S: Final = 5.0
"""An acknowledgement this late: not connected, whatever the library believes."""
_DEAD_S: Final = 2.0 * KEEPALIVE_S
"""An acknowledgement this late: begin a new session."""
_ANSWER_S: Final = 60
"""Nobody waits for an answer any longer."""
_LEAVE_S: Final = 1.0
_STOP_S: Final = 4.0
"""A thread that is just reaching for a host that does not answer ends by itself a little later."""

_log = logging.getLogger(__name__)


class Commit(Protocol):
    """A commit group that is now in the record."""

    @property
    def run(self) -> int:
        """Its run."""
        ...

    @property
    def commit_no(self) -> int:
        """Counts the commits of the run."""
        ...

    @property
    def hash(self) -> str:
        """Head of the chain."""
        ...

    @property
    def last_event(self) -> int | None:
        """None where it holds no event."""
        ...

    @property
    def durable(self) -> bool:
        """Whether it would be there after a power cut."""
        ...

    @property
    def signature(self) -> Signature | None:
        """Over the head, where the record is signed."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """How the broker's link does, for the device ``self``."""

    connected: bool
    """There is a session, and its acknowledgements come in time."""
    drops: int
    """Sessions lost since the start."""
    version: str
    """MQTT version of the session; empty where there is none."""
    waiting_s: float
    """How long the oldest unacknowledged message has waited."""
    events: int
    """Events delivered since the start."""
    commands_refused: int
    trouble: str = ""
    """Why there is no session, in words; empty where there is one, or nothing was tried yet."""


class Mqtt:
    """Latest, for the loop; ``committed`` for the journal; ``figures`` for the device ``self``."""

    def __init__(self, rig: Rig, *, door: Door, events: Sources, password: str | None = None) -> None:
        """Not yet started.

        Args:
            rig: has an ``[mqtt]`` table.
            door: takes commands, from any thread.
            events: the record to follow.
            password: for ``rig.mqtt.user``.

        Raises:
            ValueError: the rig file has no ``[mqtt]``.
        """
        _broker(rig)
        self._rig, self._known = rig, topics.known_states(rig)
        self._password = password
        self._newest = Newest()
        self._opening: Session | None = None
        self._session: Session | None = None
        self._drops = 0
        self._said: tuple[Outcome, str] | None = None
        self._trouble = ""
        self._turn, self._stop = threading.Event(), threading.Event()
        self._screen: Screen | None = None
        self._at_screen = threading.Lock()
        """Whoever holds it uses the screen; the loop's thread never waits for it."""
        self._alarms: tuple[AlarmNow, ...] = ()
        self._followed_by: Rig | None = None
        self._desk = CommandDesk(door, self._send)
        self._follower = EventFollower(events, rig=lambda: self._rig, session=lambda: self._session)
        self._thread = threading.Thread(target=self._work, name="mqtt", daemon=True)

    # ---------------------------------------------------- for the other threads

    def start(self) -> None:
        """Begin to connect, for ever."""
        self._thread.start()
        self._follower.start()

    def stop(self, *, followed_by: Rig | None = None) -> None:
        """End; publish that the watch is going, and wait for that at most a second.

        Args:
            followed_by: the rig that another of these goes on with at once. On the same broker and topics nobody is
                told anything then: the watch does not stop.
        """
        self._followed_by = followed_by
        self._follower.stop()
        self._stop.set()
        self._turn.set()
        if (opening := self._opening) is not None:
            opening.give_up()
        self._thread.join(_STOP_S)

    def show(self, picture: Picture) -> None:
        """Overwrite the newest picture; an alarm that has moved is sent here, unless the thread is just at it."""
        self._newest.picture_s = time.monotonic()
        self._newest.picture = picture
        moved, self._alarms = picture.alarms is not self._alarms, picture.alarms
        if moved and self._at_screen.acquire(blocking=False):
            try:
                if self._screen is not None:
                    self._screen.changes()
            finally:
                self._at_screen.release()
        self._turn.set()

    def committed(self, commit: Commit) -> None:
        """The record holds more than before; does not wait."""
        if commit.durable:  # what others hold must never be ahead of what a power cut leaves
            self._newest.head = _head(commit)
        if commit.last_event is not None:
            self._follower.wake(committed=True)

    def figures(self) -> Figures:
        """How the link does at this moment."""
        session = self._session
        alive = session is not None and session.alive
        waiting_s = session.waiting_s if session is not None else 0.0
        return Figures(
            connected=alive and waiting_s < _LATE_S,
            drops=self._drops,
            version=session.version.text if session is not None and alive else "",
            waiting_s=waiting_s,
            events=self._follower.published,
            commands_refused=self._desk.refused,
            trouble=("no acknowledgements" if waiting_s >= _LATE_S else "") if alive else self._trouble,
        )

    # ---------------------------------------------------------------- sessions

    def _work(self) -> None:
        dial = Dial()
        while not self._stop.is_set():
            try:
                self._attempt(dial)
            except Exception:  # noqa: BLE001 - whatever it is, the broker is tried on
                _log.exception("the session with the broker failed; trying on")
                dial.after(Outcome.REFUSED, 0.0)
            self._stop.wait(dial.wait_s)

    def _attempt(self, dial: Dial) -> None:
        began = time.monotonic()
        session = Session(self._target(), dial.version, on_message=self._message, on_turn=self._wake)
        self._opening = session
        outcome = session.open()
        self._opening = None
        self._say(outcome, session)
        if outcome is Outcome.ACCEPTED:
            self._hold(session)
        dial.after(outcome, time.monotonic() - began)

    def _target(self) -> Target:
        rig, broker = self._rig, _broker(self._rig)
        return Target(
            host=broker.host,
            port=broker.port,
            client_id=f"brakewater-{rig.name}-{socket.gethostname()}",
            will_topic=topics.online(rig),
            will=topics.payload({"online": False, "since": None}),  # only the broker will know when
            user=broker.user,
            password=self._password,
            tls=context_of(broker),
        )

    def _say(self, outcome: Outcome, session: Session) -> None:
        """Each new state once, so that a broker that is away for days does not fill the log."""
        broker, said = _broker(self._rig), (outcome, session.trouble)
        if outcome is Outcome.ACCEPTED:
            _log.info("connected to the broker at %s:%d, MQTT %s", broker.host, broker.port, session.version.text)
        elif session.version is Version.V5 and outcome in (Outcome.OTHER_VERSION, Outcome.MUTE):
            return  # 3.1.1 is tried before anything is said
        elif said != self._said:
            _log.warning("broker at %s:%d: %s %s; trying on", broker.host, broker.port, outcome.value, session.trouble)
        self._said = said
        self._trouble = "" if outcome is Outcome.ACCEPTED else f"{outcome.value} {session.trouble}".rstrip()

    def _hold(self, session: Session) -> None:
        try:
            self._serve(session)
        finally:
            with self._at_screen:
                self._session = self._screen = None
            session.close()
            if not self._stop.is_set():
                self._drops += 1
                self._trouble = session.trouble or "no acknowledgements"
                _log.warning("the broker is lost (%s); trying on", self._trouble)

    def _serve(self, session: Session) -> None:
        self._session = session  # before anything is subscribed to: a command that lies there is answered at once
        screen = Screen(session, self._rig, self._newest)
        self._screen = screen
        self._wake()
        while session.alive and not self._stop.is_set():
            self._turn.clear()
            with self._at_screen:
                screen.turn()
            if session.waiting_s > _DEAD_S:
                return
            self._turn.wait(screen.wait_s())
        with self._at_screen:
            self._screen = None  # nothing is shown after the farewell
        if session.alive:
            self._leave(session, screen)

    def _leave(self, session: Session, screen: Screen) -> None:
        """Take leave. Only where the watch stops or goes elsewhere is anybody told: else a new session follows."""
        rig, follows = self._rig, self._followed_by
        if follows is None or (rig.root, rig.mqtt) != (follows.root, follows.mqtt):
            last, until_s = screen.farewell(), time.monotonic() + _LEAVE_S
            while session.alive and not session.delivered(last) and time.monotonic() < until_s:
                time.sleep(_LEAVE_S / 100)
        session.disconnect()

    # ------------------------------------------------------- in other threads

    def _wake(self) -> None:
        self._turn.set()
        self._follower.wake()

    def _message(self, message: Message) -> None:
        actor = topics.actor_of(self._rig, message.topic)
        if actor is not None:
            self._desk.take(self._rig, actor, message)
        elif message.retained and message.payload and message.topic not in self._known:
            self._newest.foreign.append(message.topic)  # left over from an older rig file
            self._turn.set()

    def _send(self, topic: str, body: bytes, correlation: bytes | None) -> None:
        session = self._session
        if session is not None:
            session.publish(topic, body, correlation=correlation, expires_s=_ANSWER_S)


def _broker(rig: Rig) -> Broker:
    if rig.mqtt is None:
        raise ValueError(f"{rig.file}: no [mqtt]")
    return rig.mqtt


def _head(commit: Commit) -> dict[str, Any]:
    head: dict[str, Any] = {"run": commit.run, "commit": commit.commit_no, "hash": commit.hash, "t": now_text()}
    if commit.signature is not None:
        head |= {"key": commit.signature.key, "signature": commit.signature.signature}
    return head
