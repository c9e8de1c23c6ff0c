"""The composition root: wires the parts for one rig, starts and stops them. The only place that knows them all."""

import asyncio
import concurrent.futures
import contextlib
import logging
import signal
import uuid
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from time import monotonic_ns, time_ns
from typing import Any, Final

from brakewater import __version__
from brakewater.clock import MachineClock
from brakewater.control import ControlServer
from brakewater.engine import Engine
from brakewater.errors import StorageError
from brakewater.field.own import Gauge, OwnDevice
from brakewater.field.poller import PolledSource
from brakewater.loop import Loop
from brakewater.notify.follower import Sources
from brakewater.notify.mqtt import Mqtt
from brakewater.quality import status_name
from brakewater.record.cursors import Cursors
from brakewater.record.documents import event_doc
from brakewater.record.journal import Journal
from brakewater.record.lock import FolderLockedError
from brakewater.record.mirror import MirrorWorker
from brakewater.record.reader import Record
from brakewater.record.unrecorded import Unrecorded
from brakewater.record.writer import Committed
from brakewater.render import alarm_now
from brakewater.restart import Restored, restored, start_of
from brakewater.rig import Rig
from brakewater.settings import Settings
from brakewater.stream import Answer, Latest, Picture, Request, Start

_STOP_S: Final = 1.0
"""How long each part may take to end."""
_DISK_S: Final = 1.0
"""How long the first scan waits for a slow disk; unknown flow must be out within 3 s."""
_HOLDS: Final = ("unacknowledged", "acknowledged")
"""States of an alarm whose condition holds."""

_log = logging.getLogger(__name__)


@dataclass(slots=True, kw_only=True)
class Watch:
    """A running watch and its parts."""

    rig: Rig
    loop: Loop
    source: PolledSource
    journal: Journal | Unrecorded
    publisher: Mqtt | None
    mirrors: dict[str, MirrorWorker]

    def status(self) -> dict[str, Any]:
        """What ``brakewater status`` prints."""
        picture = self.loop.picture
        figures = self.journal.figures()
        return {
            "version": __version__,
            "rig": self.rig.name,
            "scan_s": self.rig.scan_ns / 1e9,
            "run": picture.run if picture else None,
            "input": picture.input if picture else None,
            "scan_age_s": (monotonic_ns() - self.loop.scanned_ns) / 1e9 if self.loop.scanned_ns else None,
            "lateness_s": self.source.lateness_ns / 1e9,
            "skipped": self.source.skipped,
            "devices": self._devices(),
            "links": {"broker": self.publisher.figures().connected if self.publisher else None},
            "mirrors": {name: mirror.figures() for name, mirror in self.mirrors.items()},
            "record": {
                "recording": not figures.losing,
                "commit_age_s": figures.commit_age_ns / 1e9,
                "queued": figures.queued,
                "failures": figures.failures,
                "wal_bytes": figures.wal_bytes,
            },
            "alarms": [alarm_now(self.rig, alarm) for alarm in picture.alarms if alarm.state != "normal"]
            if picture
            else [],
        }

    def _devices(self) -> dict[str, Any]:
        status = self.loop.picture.status if self.loop.picture else {}
        return {
            name: {
                "status": status_name(status[name]) if name in status else "unknown",
                "requests": link.requests,
                "answers": {status_name(code): count for code, count in sorted(link.by_status.items())},
            }
            for name, link in self.source.links.items()
        }


async def watch(
    rig: Rig,
    folder: Path,
    settings: Settings,
    *,
    also: tuple[Latest, ...] = (),
    stop: asyncio.Event | None = None,
    period_s: float | None = None,
) -> None:
    """Watch a rig until told to stop by SIGTERM, SIGINT or the event.

    Args:
        rig: checked rig.
        folder: record folder.
        settings: secrets.
        also: more outputs that get each new picture.
        stop: ends the watch when set.
        period_s: cadence other than the rig's, s.

    Raises:
        FolderLockedError: another daemon records there.
    """
    stop = stop or asyncio.Event()
    _listen(stop)
    async with _parts(rig, folder, settings, also, period_s) as parts:
        polling = asyncio.create_task(parts.loop.watch(parts.source), name="poll")
        stopping = asyncio.create_task(stop.wait(), name="stop")
        done, pending = await asyncio.wait({polling, stopping}, return_when=asyncio.FIRST_COMPLETED)
        for task in pending:
            task.cancel()
        await asyncio.gather(*pending, return_exceptions=True)
        for task in done:
            task.result()  # a defect in the loop ends the daemon loudly; its guardian starts it again


def _listen(stop: asyncio.Event) -> None:
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        with contextlib.suppress(NotImplementedError, RuntimeError):
            loop.add_signal_handler(number, stop.set)


@contextlib.asynccontextmanager
async def _parts(
    rig: Rig, folder: Path, settings: Settings, also: tuple[Latest, ...], period_s: float | None
) -> AsyncIterator[Watch]:
    followers: list[Callable[[Committed], None]] = []
    journal = _journal(folder, followers)
    recording = isinstance(journal, Journal)
    async with contextlib.AsyncExitStack() as stack:
        stack.callback(journal.close, _STOP_S)
        before = restored(Record(folder) if recording else None)
        door = _Door()
        publisher = _publisher(rig, folder, settings, door, stack, recording=recording)
        mirrors = _mirrors(rig, folder, settings, stack) if recording else {}
        followers += [mirror.committed for mirror in mirrors.values()]
        if publisher is not None:
            followers.append(publisher.committed)
        outputs = (*((publisher,) if publisher else ()), _DeviceTeller(rig), *also)
        parts = _assemble(rig, before, journal, publisher, mirrors, outputs, period_s)
        stack.push_async_callback(parts.source.close)
        door.loop = parts.loop
        _begin(parts.loop, start_of(before, version=__version__, rig_toml=rig.text))
        await _open_control(parts, folder, stack)
        _log.info("watching rig %s, run %d, record in %s", rig.name, before.run, folder if recording else "none")
        yield parts


def _journal(folder: Path, followers: list[Callable[[Committed], None]]) -> Journal | Unrecorded:
    def tell(committed: Committed) -> None:
        for follower in followers:
            follower(committed)

    try:
        return Journal(folder, on_commit=tell)
    except FolderLockedError:
        raise
    except StorageError as error:
        _log.error("nothing is recorded until this is mended and the daemon started again: %s", error)
        return Unrecorded()


def _publisher(
    rig: Rig, folder: Path, settings: Settings, door: "_Door", stack: contextlib.AsyncExitStack, *, recording: bool
) -> Mqtt | None:
    if rig.mqtt is None:
        return None
    password = settings.mqtt_password.get_secret_value() if settings.mqtt_password else None
    cursors = _cursors(folder, stack) if recording else _Forgetful()
    sources = Sources(record=Record(folder), cursors=cursors, document=event_doc)
    publisher = Mqtt(rig, door=door.ask, events=sources, password=password)
    publisher.start()
    stack.push_async_callback(asyncio.to_thread, publisher.stop)
    return publisher


def _cursors(folder: Path, stack: contextlib.AsyncExitStack) -> "Cursors | _Forgetful":
    try:
        return stack.enter_context(contextlib.closing(Cursors(folder)))
    except StorageError as error:
        _log.error("every event will be sent to the broker once more: %s", error)
        return _Forgetful()


def _mirrors(rig: Rig, folder: Path, settings: Settings, stack: contextlib.AsyncExitStack) -> dict[str, MirrorWorker]:
    workers = {}
    for name, mirror in rig.mirrors.items():
        token = settings.mirror_tokens.get(name)
        worker = MirrorWorker(name, mirror, folder, token.get_secret_value() if token else None)
        worker.start()
        stack.push_async_callback(asyncio.to_thread, worker.close, _STOP_S)
        workers[name] = worker
    return workers


def _assemble(
    rig: Rig,
    before: Restored,
    journal: Journal | Unrecorded,
    publisher: Mqtt | None,
    mirrors: dict[str, MirrorWorker],
    outputs: tuple[Latest, ...],
    period_s: float | None,
) -> Watch:
    parts: Watch
    steps = _ClockSteps(before.clock)
    gauges: dict[str, Gauge] = {
        "self.lateness": lambda: parts.source.lateness_ns // 1000,
        "self.commit-age": lambda: journal.commit_age_ns // 1_000_000,
        "self.queued": lambda: journal.queued,
        "self.clock-step": steps.last_ms,
    }
    if publisher is not None:
        gauges["self.broker"] = lambda: int(publisher.figures().connected)
    for name, mirror in mirrors.items():
        gauges[f"self.mirror.{name}"] = partial(_backlog_ms, mirror)
    source = PolledSource(rig, OwnDevice(rig, gauges), period_s=period_s)
    loop = Loop(
        engine=before.engine,
        journal=journal,
        clock=before.clock,
        latest=outputs,
        again=lambda engine: _again(engine, rig, before.clock),
    )
    parts = Watch(rig=rig, loop=loop, source=source, journal=journal, publisher=publisher, mirrors=mirrors)
    return parts


def _again(engine: Engine, rig: Rig, clock: MachineClock) -> Start:
    return Start(
        run=engine.picture().run + 1,
        t_ns=clock.steady_ns(),
        utc_ns=clock.utc_ns(),
        boot=clock.boot,
        version=__version__,
        rig_toml=rig.text,
        snapshot=engine.state(),
    )


def _begin(loop: Loop, start: Start) -> None:
    try:
        loop.begin(start, wait_s=_DISK_S)
    except StorageError as error:
        _log.error("the watch begins while its record waits for the disk: %s", error)


async def _open_control(parts: Watch, folder: Path, stack: contextlib.AsyncExitStack) -> None:
    async def handle(actor: str, asked: dict[str, Any]) -> dict[str, Any]:
        if asked.get("ask") == "status":
            return parts.status()
        if not isinstance(asked.get("do"), str):
            return {"ok": False, "says": 'found neither "ask": "status" nor "do": a command'}
        args = {key: value for key, value in asked.items() if key not in ("do", "id")}
        request = Request(id=str(asked.get("id") or uuid.uuid4()), actor=actor, do=asked["do"], args=args)
        answer = await parts.loop.ask(request)
        return {"id": answer.id, "ok": answer.ok, "says": answer.says}

    server = ControlServer(folder, handle)
    try:
        await server.open()
    except OSError as error:
        if isinstance(parts.journal, Journal):  # else it has been said that the folder cannot be used
            _log.error("no control socket, so no commands on this machine: %s", error)
        return
    stack.push_async_callback(server.close)


def _backlog_ms(mirror: MirrorWorker) -> int:
    return mirror.backlog_ns // 1_000_000


class _DeviceTeller:
    """Says once when a device is lost, and once when it is back."""

    def __init__(self, rig: Rig) -> None:
        self._places = {f"device-silent:{one.name}": f"{one.name} at {one.host}:{one.port}" for one in rig.devices}
        self._lost: set[str] = set()

    def show(self, picture: Picture) -> None:
        for alarm in picture.alarms:
            place = self._places.get(alarm.alarm)
            if place is None or (alarm.state in _HOLDS) == (place in self._lost):
                continue
            if place in self._lost:
                self._lost.discard(place)
                _log.info("device %s answers", place)
            else:
                self._lost.add(place)
                _log.warning("device %s does not answer; trying on", place)


class _Forgetful:
    """Cursors where there is no record folder to keep them in."""

    def __init__(self) -> None:
        self._places: dict[str, tuple[int, int]] = {}

    def get(self, name: str) -> tuple[int, int] | None:
        return self._places.get(name)

    def set(self, name: str, cursor: tuple[int, int]) -> None:
        self._places[name] = cursor


class _Door:
    """Takes requests from other threads into the loop."""

    def __init__(self) -> None:
        self.loop: Loop | None = None
        self._home = asyncio.get_running_loop()

    def ask(self, request: Request) -> concurrent.futures.Future[Answer]:
        """The future holds the answer, or that the watch has not begun."""

        async def go() -> Answer:
            if self.loop is None:
                return Answer(id=request.id, actor=request.actor, ok=False, says="the watch is starting; ask again")
            return await self.loop.ask(request)

        return asyncio.run_coroutine_threadsafe(go(), self._home)


class _ClockSteps:
    """Finds steps of the wall clock against steady time."""

    _LEAST_NS: Final = 1_000_000_000

    def __init__(self, clock: MachineClock) -> None:
        self._clock = clock
        self._offset_ns = time_ns() - clock.steady_ns()

    def last_ms(self) -> int:
        """Size of a step since the last scan, ms; 0 where there was none. Slow drift counts for nothing."""
        offset_ns = time_ns() - self._clock.steady_ns()
        step_ns, self._offset_ns = offset_ns - self._offset_ns, offset_ns
        return step_ns // 1_000_000 if abs(step_ns) >= self._LEAST_NS else 0
