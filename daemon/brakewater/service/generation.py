"""Everything that belongs to one rig file: lines, outputs and followers. A changed file means a new generation."""

import asyncio
import contextlib
import os
from functools import partial
from typing import Final

from brakewater.clock import MachineClock
from brakewater.field.door import Tap
from brakewater.field.own import Gauge, OwnDevice
from brakewater.field.plcs import Plcs
from brakewater.field.poller import PolledSource
from brakewater.notify.follower import Sources
from brakewater.notify.mqtt import Mqtt
from brakewater.notify.sparkplug import SparkplugNode
from brakewater.quality import Status
from brakewater.record.documents import event_doc
from brakewater.record.mirror import MirrorWorker
from brakewater.record.reader import Record
from brakewater.register_image import Links
from brakewater.rig import Rig
from brakewater.service.child import Child
from brakewater.service.door import Door
from brakewater.service.lately import Lately
from brakewater.service.power import Power
from brakewater.service.recording import Recording
from brakewater.service.tellers import AlarmTeller, DeviceTeller
from brakewater.settings import Settings
from brakewater.stream import Latest

STOP_S: Final = 1.0
"""How long each part may take to end."""
_BEHIND_NS: Final = 60_000_000_000
"""A mirror with a longer backlog is told to PLCs as not up to date."""


class Generation:
    """The parts of one rig file. Made of what outlives it: recording, door, clock."""

    def __init__(
        self, rig: Rig, recording: Recording, door: Door, settings: Settings, *, period_s: float | None = None
    ) -> None:
        """Nothing is opened yet.

        Args:
            rig: checked rig.
            recording: journal and cursors.
            door: takes commands.
            settings: secrets.
            period_s: cadence other than the rig's, s.
        """
        self.rig = rig
        self._recording, self._door, self._settings, self._period_s = recording, door, settings, period_s
        self._stack, self._beside = contextlib.AsyncExitStack(), contextlib.AsyncExitStack()
        """What the scans need, and what may take its time to end while they go on."""
        self._tellers = (AlarmTeller(rig), DeviceTeller(rig))
        self._followed_by: Rig | None = None
        self.publisher: Mqtt | None = None
        self.mirrors: dict[str, MirrorWorker] = {}
        self.panel: Child | None = None
        self.plcs = Plcs(rig, door.ask, self._links, door.scanned_ns)

    async def open(self, clock: MachineClock) -> None:
        """Open lines to broker, mirrors and PLCs; plan the polling."""
        self.publisher = self._publish()
        self.node = self._sparkplug()
        self.mirrors = self._mirror() if self._recording.works else {}
        self.source = PolledSource(self.rig, OwnDevice(self.rig, self._gauges(clock)), period_s=self._period_s)
        self.tap = Tap(self.source)
        self.lately = Lately(self._answers)
        self._stack.push_async_callback(self.source.close)
        self._stack.push_async_callback(self.plcs.close)
        await self.plcs.open()
        self._recording.followers = [
            *(mirror.committed for mirror in self.mirrors.values()),
            *([self.publisher.committed] if self.publisher else []),
        ]
        self._show_pages()

    def _show_pages(self) -> None:
        if self.rig.panel is None:
            return
        where = ("--record", str(self._recording.folder), "--beside", str(os.getpid()))
        self.panel = Child("panel", ("-m", "brakewater.panel", *where))
        self.panel.open()
        self._beside.push_async_callback(self.panel.close)

    async def take_leave(self, *, followed_by: Rig | None = None) -> None:
        """End all that scans and PLCs can do without: a broker that does not answer takes seconds to be left.

        Args:
            followed_by: the changed rig file that goes on at once; None: the watch stops.
        """
        self._followed_by = followed_by
        self._recording.followers = []
        await self._beside.aclose()

    async def close(self) -> None:
        """Hang up everything."""
        await self.take_leave(followed_by=self._followed_by)
        await self._stack.aclose()

    @property
    def outputs(self) -> tuple[Latest, ...]:
        """What takes each new picture."""
        publishers = [one for one in (self.publisher, self.node) if one is not None]
        return (*publishers, *self.plcs.outputs, self.lately, *self._tellers)

    def _sparkplug(self) -> SparkplugNode | None:
        if self.rig.sparkplug is None:
            return None
        node = SparkplugNode(self.rig, cursors=self._recording.cursors(self._beside), password=self._mqtt_password)
        node.start()
        self._beside.push_async_callback(asyncio.to_thread, node.stop)
        return node

    @property
    def _mqtt_password(self) -> str | None:
        secret = self._settings.mqtt_password
        return secret.get_secret_value() if secret else None

    def _publish(self) -> Mqtt | None:
        if self.rig.mqtt is None:
            return None
        sources = Sources(
            record=Record(self._recording.folder), cursors=self._recording.cursors(self._beside), document=event_doc
        )
        publisher = Mqtt(self.rig, door=self._door.ask, events=sources, password=self._mqtt_password)
        publisher.start()
        self._beside.push_async_callback(lambda: asyncio.to_thread(publisher.stop, followed_by=self._followed_by))
        return publisher

    def _mirror(self) -> dict[str, MirrorWorker]:
        workers = {}
        for name, mirror in self.rig.mirrors.items():
            token = self._settings.mirror_tokens.get(name)
            worker = MirrorWorker(name, mirror, self._recording.folder, token.get_secret_value() if token else None)
            worker.start()
            self._beside.push_async_callback(asyncio.to_thread, worker.close, STOP_S)
            workers[name] = worker
        return workers

    def _gauges(self, clock: MachineClock) -> dict[str, Gauge]:
        """What the device ``self`` tells, in the integer units its registers count in."""
        journal = self._recording.journal
        gauges: dict[str, Gauge] = {
            "self.lateness": lambda: self.source.lateness_ns // 100_000 * 100,  # finer is noise that costs room
            "self.commit-age": lambda: journal.commit_age_ns // 50_000_000 * 50,
            "self.queued": lambda: journal.queued,
            "self.clock-step": clock.step_ms,
            "self.disk-used": lambda: self._recording.disk_used_e4,
            **self.plcs.gauges,
        }
        gauges["self.restarts"] = self._restarts
        if self.rig.panel is not None:
            gauges["self.panel"] = lambda: int(self.panel is not None and self.panel.running)
        gauges["self.mains"] = Power().mains
        if self.publisher is not None:
            gauges["self.broker"] = partial(_is_connected, self.publisher)
        for name, mirror in self.mirrors.items():
            gauges[f"self.mirror.{name}"] = partial(_backlog_ms, mirror)
        return gauges

    def _restarts(self) -> int:
        """Of the watch and its page within ten minutes, none of them wanted."""
        starts, panel = self._recording.starts, self.panel
        return (starts.again() if starts is not None else 0) + (panel.ended_lately if panel is not None else 0)

    def _answers(self) -> dict[str, tuple[int, int]]:
        """By device: answers, and those that were no good."""
        told = {name: asked.by_status for name, asked in self.source.asked.items()}
        return {name: (counts.total(), counts.total() - counts[Status.OK]) for name, counts in told.items()}

    def _links(self) -> Links:
        """What PLCs see of the other sides."""
        return Links(
            recording=self._recording.works and not self._recording.journal.figures().losing,
            broker=self.publisher is None or self.publisher.figures().connected,
            mirrors=all(mirror.backlog_ns < _BEHIND_NS for mirror in self.mirrors.values()),
        )


def _is_connected(publisher: Mqtt) -> int:
    return int(publisher.figures().connected)


def _backlog_ms(mirror: MirrorWorker) -> int:
    return mirror.backlog_ns // 1_000_000
