"""A Sparkplug B edge node (Eclipse Sparkplug 3.0) on a connection of its own; its will is NDEATH.

    connect (will: NDEATH with bdSeq) -> NBIRTH, seq 0, same bdSeq -> DBIRTH a brake, and a Modbus device that answers
        -> NDATA, DDATA of what changes; DDEATH of a Modbus device that is lost, DBIRTH once it is back

``bdSeq`` counts connections and ``seq`` messages, both modulo 256. With a primary host named in the rig file the node
is born only while that host's STATE says online, and takes its leave (NDEATH, by hand) where it says no longer, or
where pictures stop coming. Any host may ask for a new birth with the command ``Node Control/Rebirth``. The newest
picture alone counts: nothing is stored while the broker is away; the journal's events go out over the other connection.
"""

import json
import logging
import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Final

from brakewater.notify import sparkplug_metrics
from brakewater.notify.dial import Dial
from brakewater.notify.follower import Cursors
from brakewater.notify.screen import FRESH_S
from brakewater.notify.session import Message, Outcome, Session, Target
from brakewater.notify.sparkplug_payload import DataType, Metric, asks_rebirth, payload
from brakewater.notify.tls import context_of
from brakewater.rig import Rig
from brakewater.rig.tables import Mqtt, Sparkplug
from brakewater.stream import Picture

CURSOR: Final = "sparkplug"
"""Keeps the last bdSeq, as a number in no run: it needs nothing of the record, so no segment waits for it."""
_NO_RUN: Final = 2**62
REBIRTH: Final = Metric(name="Node Control/Rebirth", type=DataType.BOOLEAN, value=False)
_EVERY_S: Final = 1.0
"""Values go out at most this often; alarms at once."""
_DOUBT_S: Final = 10.0
"""A host that says online under an earlier time than before is heard again after so long, on a new connection;
an assumption."""
_LOST_SCANS: Final = 3
"""A Modbus device that is silent for so many is lost, here as elsewhere."""
_STOP_S: Final = 4.0
_LEAVE_S: Final = 1.0

_log = logging.getLogger(__name__)


class SparkplugNode:
    """Latest, for the loop."""

    def __init__(self, rig: Rig, *, cursors: Cursors, password: str | None = None) -> None:
        """Not yet started.

        Args:
            rig: has ``[mqtt]`` and ``[sparkplug]``.
            cursors: keep the number of the last birth.
            password: for ``rig.mqtt.user``.

        Raises:
            ValueError: the rig file lacks one of these tables.
        """
        self._broker, self._names = _tables(rig)
        self._rig, self._cursors, self._password = rig, cursors, password
        self._picture: Picture | None = None
        self._shown_s = 0.0
        self._turn, self._stop, self._again = threading.Event(), threading.Event(), threading.Event()
        self._host_online = self._names.primary_host is None
        self._host_ms = -1
        self._doubted_s: float | None = None
        self._opening: Session | None = None
        self._unsent: int | None = None
        self._thread = threading.Thread(target=self._work, name="sparkplug", daemon=True)
        self.born = False
        """True while the broker holds a birth of this node."""

    # ---------------------------------------------------- for the other threads

    def start(self) -> None:
        """Begin to connect, for ever."""
        self._thread.start()

    def stop(self) -> None:
        """Publish NDEATH and end."""
        self._stop.set()
        self._turn.set()
        if (opening := self._opening) is not None:
            opening.give_up()
        self._thread.join(_STOP_S)

    def show(self, picture: Picture) -> None:
        """Overwrite the newest picture; does not wait. One of before the first scan lacks what a birth must name."""
        if not picture.readings:
            return
        self._picture, self._shown_s = picture, time.monotonic()
        self._turn.set()

    def _fresh(self) -> bool:
        return time.monotonic() - self._shown_s < max(FRESH_S, 4e-9 * self._rig.scan_ns)

    # ---------------------------------------------------------------- sessions

    def _work(self) -> None:
        dial = Dial()
        while not self._stop.is_set():
            began = time.monotonic()
            try:
                outcome = self._attempt(dial)
            except Exception:  # noqa: BLE001 - whatever it is, the broker is tried on
                _log.exception("Sparkplug: the session failed; trying on")
                outcome = Outcome.REFUSED
            self.born = False
            dial.after(outcome, time.monotonic() - began)
            self._stop.wait(dial.wait_s)

    def _attempt(self, dial: Dial) -> Outcome:
        birth = Metric(name="bdSeq", type=DataType.INT64, value=self._number())
        session = Session(self._target(birth), dial.version, on_message=self._message, on_turn=self._turn.set)
        self._opening = session
        outcome = session.open()
        self._opening = None
        if outcome is not Outcome.UNREACHABLE:
            self._unsent = None
        if outcome is Outcome.ACCEPTED:
            try:
                self._serve(session, birth)
            finally:
                session.close()
        return outcome

    def _number(self) -> int:
        """Of the next connection, kept before it is used; one that reached nobody leaves it to the next.

        Else a broker that is away for a month would cost the disk a million syncs.
        """
        if self._unsent is None:
            self._unsent = ((self._cursors.get(CURSOR) or (0, 255))[1] + 1) % 256
            self._cursors.set(CURSOR, (_NO_RUN, self._unsent))  # it needs nothing of the record
        return self._unsent

    def _target(self, birth: Metric) -> Target:
        rig, broker = self._rig, self._broker
        return Target(
            host=broker.host,
            port=broker.port,
            client_id=f"brakewater-sparkplug-{rig.name}-{socket.gethostname()}",
            will_topic=self._topic("NDEATH"),
            will=payload(_now_ms(), [birth], None),
            will_retained=False,
            user=broker.user,
            password=self._password,
            tls=context_of(broker),
        )

    def _topic(self, kind: str, device: str | None = None) -> str:
        return "/".join(["spBv1.0", self._names.group, kind, self._node, *([device] if device else [])])

    @property
    def _node(self) -> str:
        return self._names.edge_node or self._rig.name

    @property
    def _state_topic(self) -> str:
        return f"spBv1.0/STATE/{self._names.primary_host}"

    def _serve(self, session: Session, birth: Metric) -> None:
        if self._names.primary_host is not None:
            self._host_online, self._host_ms, self._doubted_s = False, -1, None  # what the broker holds is the newest
            session.subscribe(self._state_topic)
        session.subscribe(self._topic("NCMD"))
        life: _Life | None = None
        while session.alive and not self._stop.is_set():
            self._turn.clear()
            picture = self._picture
            lives = self._host_online and self._fresh()
            if (life is not None and not lives) or self._in_doubt():
                break  # this birth is over; the next connection has one of its own
            if picture is not None and lives:
                life = self._lived(session, birth, life, picture)
            self._turn.wait(_EVERY_S)
        if session.alive:
            self._leave(session, birth, born=life is not None)

    def _in_doubt(self) -> bool:
        return self._doubted_s is not None and time.monotonic() - self._doubted_s > _DOUBT_S

    def _lived(self, session: Session, birth: Metric, life: "_Life | None", picture: Picture) -> "_Life":
        if life is None or self._again.is_set():
            self._again.clear()
            life = _Life(session, self._topic, self._rig)
            life.birth(birth, picture)
            self.born = True
        else:
            life.go_on(picture)
        return life

    def _leave(self, session: Session, birth: Metric, *, born: bool) -> None:
        """An orderly DISCONNECT makes the broker forget the will, so the death is told by hand."""
        self.born = False
        if born:
            last, until_s = session.publish(self._topic("NDEATH"), payload(_now_ms(), [birth], None)), time.monotonic()
            while session.alive and not session.delivered(last) and time.monotonic() < until_s + _LEAVE_S:
                time.sleep(_LEAVE_S / 100)
        session.disconnect()

    # ------------------------------------------------------- in the library's thread

    def _message(self, message: Message) -> None:
        if message.topic == self._topic("NCMD"):
            with suppress(ValueError):
                if asks_rebirth(message.payload):
                    self._again.set()
                    self._turn.set()
        elif message.topic == self._state_topic:
            self._host_says(message.payload)

    def _host_says(self, body: bytes) -> None:
        """The primary host's STATE; an older one than the last on this connection is a left-over, as the rules have it.

        Unless its clock was set back: then it would wait in vain for births, perhaps for months. What the broker holds
        of it counts on the next connection, so there is a next one.
        """
        try:
            said = json.loads(body)
            online, at_ms = said["online"], int(said["timestamp"])
        except (ValueError, TypeError, KeyError):
            _log.warning("Sparkplug: STATE of %s is none: %.80r", self._names.primary_host, body)
            return
        if at_ms >= self._host_ms:
            self._host_ms, self._host_online, self._doubted_s = at_ms, online is True, None
            self._turn.set()
        elif online is True and not self._host_online and self._doubted_s is None:
            _log.warning(
                "Sparkplug: %s says online under an earlier time than it said offline: was its clock set back?",
                self._names.primary_host,
            )
            self._doubted_s = time.monotonic()


class _Life:
    """From one birth to the next: counts messages, and knows what was told last."""

    def __init__(self, session: Session, topic: Callable[..., str], rig: Rig) -> None:
        self._session, self._topic, self._rig = session, topic, rig
        self._seq = 0
        self._told: dict[str | None, dict[str, Metric]] = {}
        """By the node (None), and by each device that is alive."""
        self._modbus = sparkplug_metrics.modbus_devices(rig)
        self._answered_ns: dict[str, int] = {}
        """When each last did, by steady time."""
        self._values_s = 0.0

    def birth(self, number: Metric, picture: Picture) -> None:
        """NBIRTH, then a DBIRTH for each device; everything there is, with its unit."""
        self._values_s = time.monotonic()
        for device, metrics in self._all(picture):
            self._bear(device, metrics, picture, also=[number, REBIRTH] if device is None else [])

    def _bear(self, device: str | None, metrics: list[Metric], picture: Picture, also: Sequence[Metric] = ()) -> None:
        self._told[device] = {metric.name: _bare(metric) for metric in metrics}
        self._publish("BIRTH", device, [*also, *metrics], picture)

    def go_on(self, picture: Picture) -> None:
        """What has changed: alarms at once, values once a second."""
        values = time.monotonic() - self._values_s >= _EVERY_S
        if values:
            self._values_s = time.monotonic()
        present = dict(self._all(picture))
        for device in [device for device in self._told if device not in present]:
            del self._told[device]
            self._publish("DEATH", device, [], picture)
        for device, metrics in present.items():
            known = self._told.get(device)
            if known is None:
                if values:  # one that comes and goes is born once a second at most
                    self._bear(device, metrics, picture)
                continue
            changed = [
                bare
                for bare in map(_bare, metrics)
                if known.get(bare.name) != bare and (values or bare.name.startswith("alarm/"))
            ]
            if changed:
                known.update((metric.name, metric) for metric in changed)
                self._publish("DATA", device, changed, picture)

    def _all(self, picture: Picture) -> Iterator[tuple[str | None, list[Metric]]]:
        """The node, the brakes, and the Modbus devices that answer."""
        for brake in (None, *(brake.name for brake in self._rig.brakes)):
            yield brake, sparkplug_metrics.of(self._rig, picture, brake)
        for modbus, device in self._modbus.items():
            if self._is_there(modbus, device, picture):
                yield device, sparkplug_metrics.of_modbus(picture, modbus)

    def _is_there(self, modbus: str, device: str, picture: Picture) -> bool:
        """Whether it answers, or has missed no more than a scan or two."""
        if sparkplug_metrics.answers(self._rig, picture, modbus):
            self._answered_ns[device] = picture.t_ns
            return True
        since_ns = picture.t_ns - self._answered_ns.get(device, picture.t_ns)
        return device in self._told and since_ns < _LOST_SCANS * self._rig.scan_ns

    def _publish(self, kind: str, device: str | None, metrics: list[Metric], picture: Picture) -> None:
        topic = self._topic(f"N{kind}") if device is None else self._topic(f"D{kind}", device)
        self._session.publish(topic, payload(picture.utc_ns // 1_000_000, metrics, self._seq), qos=0)
        self._seq = (self._seq + 1) % 256


def _bare(metric: Metric) -> Metric:
    return replace(metric, unit=None)


def _tables(rig: Rig) -> tuple[Mqtt, Sparkplug]:
    if rig.mqtt is None or rig.sparkplug is None:
        raise ValueError(f"{rig.file}: no [mqtt] or no [sparkplug]")
    return rig.mqtt, rig.sparkplug


def _now_ms() -> int:
    return time.time_ns() // 1_000_000
