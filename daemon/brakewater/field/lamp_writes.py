"""Lamp writes, for PLCs that cannot poll: the only thing that is ever written to a device.

One mailbox of holding registers a table, function 16 only. Before each write its first register is read, and only while
that holds the rig file's signature is the rest written, then read back and compared. So a device that was re-addressed,
exchanged or programmed anew is never written. What stands there before a write must be what the last one left: where it
is not, time after time, something else writes there, most likely another watch. Then lamps change to and fro, and a
heartbeat that goes on may be the other's. Whatever goes wrong shows in ``lamp_writes`` of the status and in the alarm
``lamp-write-failed``; the next try comes with the next change or refresh, after a device that is away with a growing
pause.

Reading comes first: a device that takes one connection at a time would let in either the watch or the lamps. Where the
watch gets no answer any more, the lamps hang up and give way for a while.
"""

import asyncio
import contextlib
import logging
from collections.abc import Iterable
from typing import Any, Final

from brakewater.field.link import FIRST_WAIT_S, LONGEST_WAIT_S, wait_s
from brakewater.field.mailbox_wire import MailboxError, MailboxWire
from brakewater.field.newest import Newest
from brakewater.register_image import mailbox_words
from brakewater.rig import Rig
from brakewater.rig.outputs import LampMailbox
from brakewater.stream import Picture

_STALE_LOOK_S: Final = 0.25
"""So often is looked whether the watch has stopped, where the refresh is slower."""
_BEAT: Final = 0
"""The heartbeat's place among the words: its count alone is no change."""
_FOREIGN: Final = 2
"""Other words than were left there so often in a row are no restart of the PLC."""
_ANOTHER: Final = (
    "found other words than were left there, again and again: something else writes there, most likely another watch;"
    " written all the same"
)

_GIVE_WAY_S: Final = 5.0
"""Longer than the longest pause before the watch's line is dialled anew, and than device-silent's off-delay."""
_GIVES_WAY: Final = (
    "the watch itself gets no answer from the device; the lamps give way, in case it takes one connection at a time"
)
_ALONE: Final = (
    "not let in, and the device answered the watch only when the lamps had hung up: it seems to take one connection at"
    " a time, so let the PLC poll [registers], or write the lamps to a device that takes two"
)

_log = logging.getLogger(__name__)


class LampWriter:
    """Keeps one mailbox up to date, in a task of its own."""

    def __init__(self, rig: Rig, mailbox: LampMailbox, newest: Newest) -> None:
        """Nothing is opened yet.

        Args:
            rig: has the mailbox's device.
            mailbox: where to write.
            newest: nobody else's.
        """
        device = next(one for one in rig.devices if one.name == mailbox.device)
        self.name = f"{device.name}:{mailbox.address}"
        self.written = self.failed = 0
        """Tries that came through, and that did not."""
        self.trouble = "not written yet"
        """Why the mailbox is not up to date; empty while it is."""
        self._rig, self._mailbox, self._newest = rig, mailbox, newest
        self._wire = MailboxWire(device.host, device.port, unit=device.unit, timeout_s=device.timeout / 1e9)
        self._shown: tuple[int, ...] = ()
        self._in_a_row = self._foreign = 0
        self._silent = {f"device-silent:{one.name}" for one in rig.devices if one.line == device.line}
        self._gives_way_until = 0.0
        """Loop's time, s; 0 while the watch gets answers over the same line."""
        self._is_alone = False
        """The watch got its answers back when the lamps had hung up."""
        self._changed = asyncio.Event()
        self._work: asyncio.Task[None] | None = None

    def show(self, picture: Picture) -> None:
        """Take the newest picture; whether it changes a lamp is found out elsewhere."""
        self._newest.show(picture)
        self._changed.set()

    def start(self) -> None:
        """Begin to write, until closed."""
        self._work = asyncio.create_task(self._keep(), name=f"lamps {self.name}")

    async def close(self) -> None:
        """Stop, and hang up. What the PLC shows is then its watchdog's business."""
        if self._work is not None:
            self._work.cancel()
            await asyncio.gather(self._work, return_exceptions=True)
        self._wire.close()
        await asyncio.sleep(0)  # asyncio closes the socket in its next round

    def figures(self) -> dict[str, Any]:
        """For the status."""
        return {"written": self.written, "lamp_write_failed": self.failed, "trouble": self.trouble or None}

    async def _keep(self) -> None:
        while True:
            due = asyncio.get_running_loop().time() + self._mailbox.refresh / 1e9
            try:
                await self._try()
                await self._rest(due)
            except Exception as defect:  # noqa: BLE001 - whatever it is, it must show, and the next try must come
                _log.exception("a defect in the lamp writes")
                self._fail(f"a defect in the watch: {defect!r}")
            if self._in_a_row:
                await asyncio.sleep(wait_s(self._in_a_row, first_s=FIRST_WAIT_S, longest_s=LONGEST_WAIT_S))

    async def _rest(self, due: float) -> None:
        """Until a lamp changes or the loop's time has come to ``due``; not at all after a failure."""
        time = asyncio.get_running_loop().time
        while not self._in_a_row and time() < due and not self._differs():
            self._changed.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(min(_STALE_LOOK_S, max(0.0, due - time()))):
                    await self._changed.wait()

    def _words(self) -> tuple[int, ...]:
        return mailbox_words(self._rig, self._newest.sight(), self._mailbox.count - 1)

    def _differs(self) -> bool:
        return self._words()[_BEAT + 1 :] != self._shown[_BEAT + 1 :]

    async def _try(self) -> None:
        try:
            self._give_way()
            await self._write(self._words())
        except MailboxError as error:
            self._fail(_ALONE if self._is_alone else str(error))
        else:
            self._in_a_row = 0
            self.written += 1
            self._say(_ANOTHER if self._foreign >= _FOREIGN else "")

    def _give_way(self) -> None:
        """Hang up for a while where the watch has begun to get no answer from any device of this line.

        Raises:
            MailboxError: it has.
        """
        picture, now = self._newest.sight().picture, asyncio.get_running_loop().time()
        told = [one.active for one in picture.alarms if one.alarm in self._silent] if picture is not None else []
        if not told or not all(told):
            self._is_alone |= now < self._gives_way_until
            self._gives_way_until = 0.0
            return
        if not self._gives_way_until:
            self._gives_way_until = now + _GIVE_WAY_S
            self._is_alone = False
        if now < self._gives_way_until:
            self._wire.close()
            raise MailboxError(_GIVES_WAY)

    async def _write(self, words: tuple[int, ...]) -> None:
        """Header, words, and back; nothing is written unless the header is ours."""
        header, *found = await self._wire.read(self._mailbox.address, self._mailbox.count)
        self._is_alone = False
        if header != self._mailbox.signature:
            raise MailboxError(
                f"found 0x{header:04X} where the signature 0x{self._mailbox.signature:04X} should be; not written"
            )
        if self._shown:
            self._foreign = 0 if self._is_left(found) else self._foreign + 1
        await self._wire.write(self._mailbox.first, words)
        if await self._wire.read(self._mailbox.address, self._mailbox.count) != (self._mailbox.signature, *words):
            raise MailboxError("read back other words than were written")
        self._shown = words

    def _is_left(self, found: list[int]) -> bool:
        """A PLC may have put the heartbeat to 0, as some do to see the next one."""
        beat = found[_BEAT]
        return beat in (0, self._shown[_BEAT]) and tuple(found[_BEAT + 1 :]) == self._shown[_BEAT + 1 :]

    def _fail(self, why: str) -> None:
        self.failed += 1
        self._in_a_row += 1
        self._shown = ()
        self._say(why)

    def _say(self, why: str) -> None:
        if why != self.trouble:
            if why:
                _log.warning("lamps at %s: %s; trying on", self.name, why)
            else:
                _log.info("lamps are written to %s", self.name)
        self.trouble = why


def all_written(writers: Iterable[LampWriter]) -> bool:
    """Every mailbox is up to date."""
    return not any(writer.trouble for writer in writers)
