"""The watch from start to stop, and a changed rig file in between.

A changed file is checked first; a bad one is refused and the watch goes on. A good one takes over between two scans:
the old lines are hung up, the stream gets a new Start whose snapshot is the live state, and the new lines are polled.
"""

import asyncio
import contextlib
import gc
import logging
import signal
import sys
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any, Final

from brakewater import __version__
from brakewater.book_shown import book_doc
from brakewater.clock import MachineClock
from brakewater.control import ControlServer
from brakewater.engine import Engine
from brakewater.errors import RigFileError, StorageError, WrongRecordError, plainly
from brakewater.field.door import ProbeDoor
from brakewater.loop import Loop
from brakewater.record.reader import Record
from brakewater.restart import Restored, restored, start_of
from brakewater.rig import Rig, load
from brakewater.rig.keeping import Keeping
from brakewater.service.door import Door, handler
from brakewater.service.ended import ended, of_upkeep
from brakewater.service.feed import Feed
from brakewater.service.figures_server import FiguresServer
from brakewater.service.generation import STOP_S, Generation
from brakewater.service.guardian import Guardian
from brakewater.service.metrics import metrics
from brakewater.service.recording import Recording
from brakewater.service.status import flows, ready, status
from brakewater.service.upkeep import Upkeep
from brakewater.settings import Settings
from brakewater.stream import Latest, Picture, Start
from brakewater.units import counted

_DISK_S: Final = 1.0
"""How long the first scan waits for a slow disk; unknown flow must be out within 3 s."""

_SWITCH_S: Final = 0.0005
"""How long one thread may keep the others from running: at Python's own 5 ms an alarm waits for the record's thread."""

_log = logging.getLogger(__name__)


async def watch(
    rig: Rig,
    folder: Path,
    settings: Settings,
    *,
    also: tuple[Latest, ...] = (),
    stop: asyncio.Event | None = None,
    period_s: float | None = None,
    metrics_at: tuple[str, int] | None = None,
    guardian: Guardian | None = None,
) -> None:
    """Watch a rig until told to stop by SIGTERM, SIGINT or the event; SIGHUP takes a changed rig file.

    Args:
        rig: checked rig.
        folder: record folder.
        settings: secrets.
        also: more outputs that get each new picture.
        stop: ends the watch when set.
        period_s: cadence other than the rig's, s.
        metrics_at: address and port to give figures for monitoring at; None: nowhere.
        guardian: the service manager, if any.

    Raises:
        FolderLockedError: another daemon records there.
        RigFileError: the key that signs the record cannot be used.
    """
    sys.setswitchinterval(_SWITCH_S)
    stop, guardian = stop or asyncio.Event(), guardian or Guardian({})
    async with _running(rig, folder, settings, also, period_s) as running:
        _listen(stop, running)
        await running.open_figures(metrics_at)
        followed = asyncio.create_task(guardian.follow(running.flows, running.line), name="guardian")
        stopping = asyncio.create_task(stop.wait(), name="stop")
        polling = asyncio.create_task(running.poll(), name="poll")
        done, pending = await asyncio.wait({polling, stopping}, return_when=asyncio.FIRST_COMPLETED)
        guardian.stopping()
        for task in (*pending, followed):
            task.cancel()
        await asyncio.gather(*pending, followed, return_exceptions=True)
        for task in done:
            task.result()  # a defect in the loop ends the daemon loudly; its guardian starts it again


def _listen(stop: asyncio.Event, running: "_Running") -> None:
    loop = asyncio.get_running_loop()
    with contextlib.suppress(NotImplementedError, RuntimeError):
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, stop.set)
        loop.add_signal_handler(signal.SIGHUP, running.reload_soon)


@contextlib.asynccontextmanager
async def _running(
    rig: Rig, folder: Path, settings: Settings, also: tuple[Latest, ...], period_s: float | None
) -> AsyncIterator["_Running"]:
    recording = Recording(folder, settings.signer())
    async with contextlib.AsyncExitStack() as stack:
        stack.callback(recording.journal.close, STOP_S)
        before = restored(Record(folder) if recording.works else None)
        _same_rig(rig, before, folder)
        if before.snapshot and (lost := of_upkeep(rig, kept=before.engine.book() is not None)):
            _log.error("%s; a watch that stands would be worse, so it goes on without one", lost)
        running = _Running(recording, before, settings, also, period_s)
        stack.push_async_callback(running.close)
        await running.begin(rig, start_of(before, version=__version__, rig=rig))
        await running.open_control(stack)
        _set_memory_aside()
        _log.info("watching rig %s, run %d, record in %s", rig.name, before.run, folder if recording.works else "none")
        upkeep = Upkeep(recording, lambda: running.now.rig, lambda: running.run)
        stack.push_async_callback(upkeep.close)
        yield running
        if recording.starts is not None:
            recording.starts.stopped()
    _log.info("stopped watching rig %s", rig.name)


def _set_memory_aside() -> None:
    """What the rig file made lives as long as its generation: the collector of cycles need not go through it again.

    It did every few seconds, and a scan of a large rig began 50 ms late for it. What went before is looked at again.
    """
    gc.unfreeze()
    gc.collect()
    gc.freeze()


def _same_rig(rig: Rig, before: Restored, folder: Path) -> None:
    """A record belongs to one rig: another's alarms and trips in it would be taken for this one's.

    Raises:
        WrongRecordError: the record is another rig's.
    """
    if before.snapshot and before.engine.rig.name != rig.name:
        raise WrongRecordError(
            f"{folder}: found the record of rig {before.engine.rig.name!r}; allowed: that of {rig.name!r};"
            " give another --record folder"
        )


class _Running:
    """What outlives a rig file, and the generation in force."""

    def __init__(
        self,
        recording: Recording,
        before: Restored,
        settings: Settings,
        also: tuple[Latest, ...],
        period_s: float | None,
    ) -> None:
        self._recording, self._settings, self._also, self._period_s = recording, settings, also, period_s
        self._clock: MachineClock = before.clock
        self._door, self._feed = Door(recording.folder), Feed()
        self._loop = Loop(engine=before.engine, journal=recording.journal, clock=before.clock, again=self._next)
        self._now: Generation | None = None
        self._changing = asyncio.Lock()
        self._figures: FiguresServer | None = None
        self._background: set[asyncio.Task[dict[str, Any]]] = set()

    @property
    def run(self) -> int:
        """The run being written."""
        return self._loop.run

    @property
    def now(self) -> Generation:
        """The generation in force."""
        assert self._now is not None
        return self._now

    def _generation(self, rig: Rig) -> Generation:
        return Generation(rig, self._recording, self._door, self._settings, period_s=self._period_s)

    def _next(self, engine: Engine) -> Start:
        """The Start of a further run of the rig in force."""
        return self._start(engine, self.now.rig)

    def _start(self, engine: Engine, rig: Rig) -> Start:
        return Start(
            run=engine.picture().run + 1,
            t_ns=self._clock.steady_ns(),
            utc_ns=self._clock.utc_ns(),
            boot=self._clock.boot,
            version=__version__,
            rig_toml=rig.text,
            snapshot=engine.state(),
            own=rig.own,
            alarms=rig.keys,
        )

    async def begin(self, rig: Rig, start: Start) -> None:
        """Open the first generation and the first run."""
        self._now = self._generation(rig)
        await self._now.open(self._clock)
        self._take_over(start, wait_s=_DISK_S)
        self._door.loop = self._loop

    def _take_over(self, start: Start, *, wait_s: float) -> None:
        self._loop.outputs = [*self.now.outputs, self._feed, *self._also]
        self._loop.segment_ns = (self.now.rig.keeping or Keeping()).segment
        try:
            self._loop.begin(start, wait_s=wait_s)
        except StorageError as error:
            _log.error("the watch begins while its record waits for the disk: %s", error)
        self._loop.show_begun(self.now.plcs.outputs)

    async def poll(self) -> None:
        """Poll the generation in force; where its source ends because another takes over, that one."""
        while True:
            await self._loop.watch(self.now.tap)
            async with self._changing:
                pass  # a change is under way; its source is polled next

    def reload_soon(self, *, end_upkeep: bool = False) -> asyncio.Task[dict[str, Any]]:
        """Take a changed rig file as soon as can be, whether or not whoever asked waits for it."""
        task = asyncio.create_task(self.reload(end_upkeep=end_upkeep), name="reload")
        self._background.add(task)
        task.add_done_callback(self._background.discard)
        return task

    async def reload(self, *, end_upkeep: bool = False) -> dict[str, Any]:
        """Read the rig file again; take it over between two scans, or refuse it and go on.

        Args:
            end_upkeep: the upkeep book may end, where the file has none.
        """
        async with self._changing:
            file = self.now.rig.file
            try:
                rig = await asyncio.to_thread(load, file)
            except RigFileError as error:
                _log.error("the changed rig file is refused, the watch goes on as before:\n%s", error)
                return {"ok": False, "says": f"refused, the watch goes on as before:\n{error}"}
            if rig.text == self.now.rig.text:
                return {"ok": True, "says": f"{file} has not changed"}
            if rig.name != self.now.rig.name:
                says = f"{file}: found rig {rig.name!r}; allowed: {self.now.rig.name!r}, whose record this is"
                _log.error("the changed rig file is refused, the watch goes on as before: %s", says)
                return {"ok": False, "says": f"refused, the watch goes on as before: {says}"}
            lost = None if end_upkeep else of_upkeep(rig, kept=self.now.rig.upkeep is not None)
            if lost is not None:
                says = f"{lost}; put the table back, or say so: brakewater reload --end-upkeep"
                _log.error("the changed rig file is refused, the watch goes on as before: %s", says)
                return {"ok": False, "says": f"refused, the watch goes on as before: {says}"}
            before = await self._change(rig)
            over = ended(before, self._loop.engine.picture())
        says = f"{file} is in force from run {self._loop.run} on"
        if over:
            says += f"; what it changed ends {', '.join(over)}"
        _log.info("%s", says)
        return {"ok": True, "says": says}

    async def _change(self, rig: Rig) -> Picture:
        """Take a rig file over; gives the last picture of the run that ends with it."""
        await self.now.take_leave(followed_by=rig)  # scans go on meanwhile
        await self.now.source.close()
        await self.now.close()
        self._now = self._generation(rig)
        await self._now.open(self._clock)
        self._loop.settle()  # a command that came meanwhile has its number from the run that ends
        before = self._loop.engine.picture()
        self._take_over(self._start(self._loop.engine, rig), wait_s=0)
        _set_memory_aside()
        return before

    async def open_control(self, stack: contextlib.AsyncExitStack) -> None:
        """Begin to answer on ``control.sock``, if it can be made there."""

        async def tell(_: dict[str, Any]) -> dict[str, Any]:
            return self.status()

        async def probe(asked: dict[str, Any]) -> dict[str, Any]:
            now = self.now
            return await ProbeDoor(now.rig, now.tap, now.source.links, lambda: self._loop.picture).answer(asked)

        async def reload(asked: dict[str, Any]) -> dict[str, Any]:
            return await asyncio.shield(self.reload_soon(end_upkeep=asked.get("end-upkeep") is True))

        async def rig_file(_: dict[str, Any]) -> dict[str, Any]:
            return {"ok": True, "run": self._loop.run, "file": self.now.rig.file, "toml": self.now.rig.text}

        async def go(what: dict[str, Any]) -> dict[str, Any]:
            return ready(self._loop, self.now.rig, what)

        async def book(_: dict[str, Any]) -> dict[str, Any]:
            now = self._loop.engine.book()
            says = "this rig file keeps no upkeep book; a table [upkeep] begins one"
            return {"ok": False, "says": says} if now is None else {"ok": True, **book_doc(self.now.rig, now)}

        asked = {"status": tell, "book": book, "ready": go, "probe": probe, "reload": reload, "rig": rig_file}
        server = ControlServer(self._recording.folder, handler(self._door, asked), self._feed.lines)
        try:
            await server.open()
        except OSError as error:
            if self._recording.works:  # else it has been said that the folder cannot be used
                _log.error("no control socket, so no commands on this machine: %s", error)
            return
        stack.push_async_callback(server.close)

    def status(self) -> dict[str, Any]:
        """How the watch does, as one document."""
        return status(self._loop, self.now, self._recording)

    def flows(self) -> bool:
        """Whether scans come in and go through."""
        return flows(self._loop, self.now.rig)

    def line(self) -> str:
        """How the watch does, for the service manager: it changes only with something that matters."""
        alarms = [one for one in self._loop.picture.alarms if one.state != "normal"] if self._loop.picture else []
        standing = counted(len(alarms), "alarm stands", "alarms stand") if alarms else "no alarm stands"
        starts = self._recording.starts
        often = f", CRASHES AGAIN AND AGAIN: {starts.lately} starts in ten minutes" if starts and starts.loops else ""
        return f"rig {self.now.rig.name}: {'watching' if self.flows() else 'NOT WATCHING'}, {standing}{often}"

    async def open_figures(self, address: tuple[str, int] | None) -> None:
        """Give figures for monitoring there; that they cannot be given is no reason not to watch."""
        if address is None:
            return
        self._figures = FiguresServer(*address, lambda: metrics(self.status()))
        try:
            await self._figures.open()
        except OSError as error:
            _log.error(
                "no figures for monitoring: %s; run --metrics names an address of this PC and a free port",
                plainly(error),
            )

    async def close(self) -> None:
        """Hang up everything."""
        if self._figures is not None:
            await self._figures.close()
        if self._now is not None:
            await self._now.close()
