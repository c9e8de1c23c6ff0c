"""One connection to a broker, from CONNECT to its end; never reused.

A client library that reconnects by itself sends what was in flight once more, and that may be an alarm state older
than the one just published. Here every connection gets a client of its own, so nothing outlives it: retained states
are published anew from the newest picture, events go on from their cursor.

Callbacks run in the library's thread, which an exception would end without a trace; each is wrapped. They take no lock
of ours, because the library holds its own while it calls.
"""

import logging
import socket
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from enum import Enum
from typing import Any, Final, ParamSpec

from paho.mqtt.client import PUBLISH, Client, MQTTMessage, MQTTMessageInfo
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from brakewater.errors import plainly

KEEPALIVE_S: Final = 10
_REACH_S: Final = 3.0
"""For TCP and TLS."""
_PATIENCE_S: Final = {MQTTProtocolVersion.MQTTv5: 2.0, MQTTProtocolVersion.MQTTv311: 10.0}
"""For CONNACK. Some brokers that do not know 5.0 say nothing at all, so silence there is soon taken for a no."""
_FAILURE: Final = 128
"""MQTT 5 reason codes from here on are failures (OASIS MQTT 5.0, section 2.4)."""
_KIND: Final = 0xF0
"""Of a packet's first byte what tells its kind (OASIS MQTT 5.0, section 2.1.2)."""
_CALLBACKS: Final = ("on_connect", "on_disconnect", "on_message", "on_publish", "on_subscribe")

_P = ParamSpec("_P")
_log = logging.getLogger(__name__)


class Version(Enum):
    """MQTT versions spoken here."""

    V5 = MQTTProtocolVersion.MQTTv5
    V311 = MQTTProtocolVersion.MQTTv311

    @property
    def text(self) -> str:
        """As people write it."""
        return "5.0" if self is Version.V5 else "3.1.1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Where to connect, as whom, and the will."""

    host: str
    port: int
    client_id: str
    will_topic: str
    will: bytes
    will_retained: bool = True
    user: str | None = None
    password: str | None = None
    tls: Callable[[], ssl.SSLContext] | None = None
    """Makes the settings of the connection; None: plain TCP."""


class Outcome(Enum):
    """What an attempt to connect came to."""

    ACCEPTED = "accepted"
    UNREACHABLE = "unreachable"
    OTHER_VERSION = "speaks another version"
    CUT = "closed without an answer"
    MUTE = "does not answer"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message from the broker."""

    topic: str
    payload: bytes
    retained: bool
    reply_to: str | None = None
    correlation: bytes | None = None


class Session:
    """Open it once, use it until ``alive`` is false, close it."""

    def __init__(
        self, target: Target, version: Version, *, on_message: Callable[[Message], None], on_turn: Callable[[], None]
    ) -> None:
        """Nothing is sent yet.

        Args:
            target: where to.
            version: spoken on this connection.
            on_message: called in the library's thread.
            on_turn: called in the library's thread when a message is acknowledged or the connection ends.
        """
        self.version = version
        self.trouble = ""
        """Why it was refused or ended, in words."""
        self._target = target
        self._on_message, self._on_turn = on_message, on_turn
        self._settled, self._closed = threading.Event(), threading.Event()
        self._outcome = Outcome.CUT
        self._unacknowledged: deque[tuple[float, MQTTMessageInfo]] = deque()
        self._refused: set[int] = set()
        self._client = self._built()

    def _built(self) -> "_Client":
        client = _Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._target.client_id,
            protocol=self.version.value,
            reconnect_on_failure=False,
        )
        client.connect_timeout = _REACH_S
        client.will_set(self._target.will_topic, self._target.will, qos=1, retain=self._target.will_retained)
        if self._target.user is not None:
            client.username_pw_set(self._target.user, self._target.password)
        client.on_connect = _guarded(self._connected)
        client.on_disconnect = _guarded(self._disconnected)
        client.on_message = _guarded(self._message)
        client.on_publish = _guarded(self._acknowledged)
        client.on_subscribe = _guarded(self._subscribed)
        return client

    # -------------------------------------------------------------- life cycle

    def open(self) -> Outcome:
        """Connect and wait, bounded, for the broker's word. Closes itself where that is anything but yes."""
        try:
            if self._target.tls is not None:
                self._client.tls_set_context(self._target.tls())
            self._client.connect(self._target.host, self._target.port, KEEPALIVE_S)
        except (OSError, ValueError) as error:  # ValueError: a host name that is none
            self.trouble = f"({plainly(error)})"
            return Outcome.UNREACHABLE
        self._no_delay()
        self._client.sends_at_once = self._target.tls is None  # a TLS connection is not read and written by two threads
        self._client.loop_start()
        if not self._settled.wait(_PATIENCE_S[self.version.value]):
            self._outcome = Outcome.MUTE
        if self._outcome is not Outcome.ACCEPTED:
            self.close()
        return self._outcome

    def give_up(self) -> None:
        """End an ``open`` that is still waiting for the broker's word. From any thread."""
        self._settled.set()

    def _no_delay(self) -> None:
        """An alarm must not wait in the kernel for the acknowledgement of the message before it."""
        sock = self._client.socket()
        if isinstance(sock, socket.socket):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def disconnect(self) -> None:
        """Take leave; the broker then does not send the will."""
        self._client.disconnect()
        self._closed.wait(1.0)

    def close(self) -> None:
        """End the connection and the library's thread, whatever state they are in. The broker sends the will."""
        self._closed.set()
        sock = self._client.socket()
        if isinstance(sock, socket.socket):
            with suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)  # wakes the thread; it then sees the end and stops by itself
        with suppress(AttributeError):  # the thread may take itself off the client between its check and its join
            self._client.loop_stop()
        for name in _CALLBACKS:  # they lead back here, and the cycle would keep the sockets open
            setattr(self._client, name, None)

    @property
    def alive(self) -> bool:
        """As far as the library knows; see also ``waiting_s``."""
        return self._outcome is Outcome.ACCEPTED and not self._closed.is_set()

    # ------------------------------------------------------------------ output

    def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        qos: int = 1,
        retain: bool = False,
        correlation: bytes | None = None,
        expires_s: int | None = None,
    ) -> MQTTMessageInfo:
        """Hand a message to the library; does not wait. From any thread.

        Args:
            topic: where to.
            payload: what.
            qos: 0 or 1.
            retain: kept for newcomers.
            correlation: of the request that this answers; MQTT 5 only.
            expires_s: worth nothing after so long, s: the broker then drops it; MQTT 5 only.
        """
        properties = None
        if self.version is Version.V5 and (correlation is not None or expires_s is not None):
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            if correlation is not None:
                properties.CorrelationData = correlation
            if expires_s is not None:
                properties.MessageExpiryInterval = expires_s
        info = self._client.publish(topic, payload, qos=qos, retain=retain, properties=properties)
        self._client.send_now()
        if qos:
            self._unacknowledged.append((time.monotonic(), info))
        return info

    def subscribe(self, topic: str, *, own: bool = True, as_published: bool = False) -> None:
        """Subscribe with QoS 1.

        Args:
            topic: filter.
            own: also what this session publishes; only MQTT 5 can leave that out.
            as_published: keep the retain flag of messages that come in live; only MQTT 5 can.
        """
        if self.version is Version.V5:
            options = SubscribeOptions(qos=1, noLocal=not own, retainAsPublished=as_published)
            self._client.subscribe(topic, options=options)
        else:
            self._client.subscribe(topic, qos=1)

    def delivered(self, info: MQTTMessageInfo) -> bool:
        """True once the broker has acknowledged a message and not refused it."""
        return is_acknowledged(info) and info.mid not in self._refused

    def refused(self, info: MQTTMessageInfo) -> bool:
        """True where the broker answered that it does not take this message (MQTT 5 only)."""
        return is_acknowledged(info) and info.mid in self._refused

    def waiting(self) -> int:
        """Messages not yet acknowledged. Used by one thread at a time."""
        while self._unacknowledged and is_acknowledged(self._unacknowledged[0][1]):
            self._unacknowledged.popleft()
        return len(self._unacknowledged)

    @property
    def waiting_s(self) -> float:
        """How long the oldest unacknowledged message has waited, as of the last ``waiting``; 0 where none does."""
        try:
            since, info = self._unacknowledged[0]
        except IndexError:
            return 0.0
        return 0.0 if is_acknowledged(info) else time.monotonic() - since

    # --------------------------------------------------------------- callbacks

    def _connected(self, _client: Client, _data: Any, _flags: Any, reason: ReasonCode, properties: Any) -> None:
        if not reason.is_failure:
            self._client.send_at_most(getattr(properties, "ReceiveMaximum", None))
            self._outcome = Outcome.ACCEPTED
        else:
            self.trouble = str(reason)
            other = reason.getName() == "Unsupported protocol version"
            self._outcome = Outcome.OTHER_VERSION if other else Outcome.REFUSED
        self._settled.set()

    def _disconnected(self, _client: Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any) -> None:
        self.trouble = self.trouble or str(reason)
        self._closed.set()
        self._settled.set()
        self._on_turn()

    def _acknowledged(self, _client: Client, _data: Any, mid: int, reason: ReasonCode, _properties: Any) -> None:
        if reason.value >= _FAILURE:
            self._refused.add(mid)
            self.trouble = f"the broker does not take what is published: {reason}"
        else:
            self._refused.discard(mid)  # numbers come round again
        self._on_turn()

    def _subscribed(self, _client: Client, _data: Any, _mid: int, reasons: list[ReasonCode], _properties: Any) -> None:
        if any(reason.is_failure for reason in reasons):
            _log.error("the broker refuses a subscription (%s): look at its access list", reasons[0])

    def _message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        properties = message.properties
        self._on_message(
            Message(
                topic=message.topic,
                payload=bytes(message.payload),
                retained=message.retain,
                reply_to=getattr(properties, "ResponseTopic", None),
                correlation=getattr(properties, "CorrelationData", None),
            )
        )


class _Client(Client):
    """The library's client, except that who publishes also sends, so that an alarm waits for no other thread.

    Left to itself the library only wakes its own thread, which then waits for its turn of the interpreter. This class
    alone knows the library's inside (2.2.0); what it finds busy or broken it leaves to that thread, and wakes it.
    """

    def __init__(self, *args: Any, **named: Any) -> None:
        super().__init__(*args, **named)
        self.sends_at_once = False
        """Whoever publishes calls ``send_now``."""
        self._sending = threading.RLock()

    def send_at_most(self, at_once: int | None) -> None:
        """No more unacknowledged messages at once than the broker takes; it may hang up where more come.

        OASIS MQTT 5.0, 3.2.2.3.3 and 4.9. The library leaves that to its user, who can tell it only before connecting.
        """
        if at_once is not None:
            self._max_inflight_messages = min(self._max_inflight_messages, at_once)

    def send_now(self) -> None:
        """Send what waits, unless a callback runs or another thread is at it. Never blocks: nor does the socket."""
        if not self.sends_at_once:
            return
        if self._in_callback_mutex.acquire(blocking=False):
            self._in_callback_mutex.release()
            if self._sending.acquire(blocking=False):
                try:
                    self._packet_write()
                finally:
                    self._sending.release()
        if self._out_packet:
            with suppress(OSError, AttributeError):  # its thread may be gone, or woken more often than it has looked
                self._sockpairW.send(b"\0")  # type: ignore[union-attr]

    def _packet_queue(
        self, command: int, packet: bytes | bytearray, mid: int, qos: int, info: MQTTMessageInfo | None = None
    ) -> MQTTErrorCode:
        """What is published waits for ``send_now``: the library holds its lock here, and would wake its thread."""
        if not self.sends_at_once or command & _KIND != PUBLISH:
            return super()._packet_queue(command, packet, mid, qos, info)
        self._out_packet.append(
            {
                "command": command, "mid": mid, "qos": qos, "info": info,
                "pos": 0, "to_process": len(packet), "packet": packet,
            }
        )  # fmt: skip
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def _packet_write(self) -> MQTTErrorCode:
        with self._sending:
            return super()._packet_write()


def is_acknowledged(info: MQTTMessageInfo) -> bool:
    """True once PUBACK has come; a message that never left is not acknowledged."""
    return info.rc in (MQTTErrorCode.MQTT_ERR_SUCCESS, MQTTErrorCode.MQTT_ERR_AGAIN) and info.is_published()


def _guarded(callback: Callable[_P, None]) -> Callable[_P, None]:
    """The same callback, except that an exception is logged and goes no further."""

    def call(*args: _P.args, **kwargs: _P.kwargs) -> None:
        try:
            callback(*args, **kwargs)
        except Exception:  # noqa: BLE001 - the library's thread must go on
            _log.exception("in %s", callback.__qualname__)

    return call
