"""One device as the poller sees it: its last answers, and whether a scan waits for it."""

import asyncio
import logging
from collections.abc import Sequence
from typing import Final

from brakewater.field.frames import Answer, Read
from brakewater.field.group import Group, Places, Split
from brakewater.field.link import Link
from brakewater.field.plan import DevicePlan, PlannedRead
from brakewater.quality import NOBODY_BEHIND, Status

PATIENCE: Final = 3
"""Failed scans in a row after which a device is not waited for."""
_PATIENT: Final = 0.5
"""Share of its timeout that a device must have been given for its silence to be called so; an assumption."""
_NO_SUCH: Final = (Status.EXCEPTION | 2, Status.EXCEPTION | 3, Status.EXCEPTION | 4)
"""What a device answers that knows only part of what a merged read asks for; some say that they failed over it."""

_log = logging.getLogger(__name__)


def _is_answer(status: int) -> bool:
    """The device spoke. A gateway that speaks for one behind it that does not makes the others wait like silence."""
    return status == Status.OK or (status >= Status.EXCEPTION and status not in NOBODY_BEHIND)


class Polled:
    """One device."""

    def __init__(self, planned: DevicePlan, link: Link, words: list[int], status: bytearray) -> None:
        device = planned.device
        self.name, self.link, self.asked = device.name, link, link.asked(device.unit)
        self.groups = [
            Group(every, [one for one in planned.reads if one.every == every])
            for every in sorted({one.every for one in planned.reads} or {device.every})
        ]
        self._words, self._status = words, status
        self._timeout_s = device.timeout / 1e9
        self._trouble: int = Status.ABSENT
        self._missed = self._knocks = 0

    @property
    def has_reads(self) -> bool:
        """Whether any point is read from it."""
        return any(group.reads for group in self.groups)

    @property
    def expected(self) -> bool:
        """Whether a scan waits for it."""
        return self._missed < PATIENCE

    @property
    def _tried(self) -> int:
        return self.link.requests + self.link.connects

    def ages_ns(self, now_ns: int) -> list[int]:
        """How old the oldest value of each group may be; 0 where nothing is read."""
        return [now_ns - group.sent_ns if group.reads else 0 for group in self.groups]

    @property
    def has_quick(self) -> bool:
        """Whether it is asked anything in every scan."""
        return any(group.reads and group.every == 1 for group in self.groups)

    def call_due(self, number: int) -> bool:
        """Note which slow groups are due from scan ``number`` on, the first being 0; True where any is."""
        for group in self.groups:
            group.due |= group.every > 1 and bool(group.reads) and number % group.every == 0
        return any(group.due for group in self.groups)

    async def poll(self) -> None:
        """Ask what every scan asks; words and status go straight into the scan."""
        tried = self._tried
        answered = await self._poll([group for group in self.groups if group.every == 1])
        if answered or self._tried > tried:  # it has missed nothing while the line was another's, or kept quiet
            self._missed = 0 if answered else self._missed + 1

    async def poll_slow(self) -> None:
        """Ask what is due of the rest; no scan waits for it."""
        due = [group for group in self.groups if group.due]
        for group in due:
            group.due = False
        answered = await self._poll(due)
        if answered or not self.has_quick:
            self._missed = 0 if answered else self._missed + 1

    async def _poll(self, groups: Sequence[Group]) -> bool:
        time = asyncio.get_running_loop().time
        deadline = time() + self._timeout_s
        answered = False
        for group in groups:
            if (split := group.to_try(time())) is not None:
                await self._try_whole(group, split, deadline)
            sent_ns = 0
            for planned, places in group.in_turn():
                tried = self._tried
                answer, status = await self._ask(planned.read, deadline - time())
                sent_ns = sent_ns or answer.sent_ns  # the first is the oldest
                if (is_answer := _is_answer(status)) or self._tried > tried:
                    group.note(planned, answered=is_answer)
                answered |= is_answer
                self._take(planned.read, places, status, answer.words)
                if status in _NO_SUCH and len(planned.split()) > 1:
                    self._split(group, planned, status)
            group.sent_ns = sent_ns or group.sent_ns
        return answered

    def _split(self, group: Group, planned: PlannedRead, status: int) -> None:
        read = planned.read
        _log.warning(
            "%s refuses %s %d to %d together (exception %d): asking one by one, and together again after a while; "
            "where this stays, give its gap or holes in the rig file",
            self.name,
            read.table.value,
            read.address,
            read.address + read.count - 1,
            status & 0x7F,
        )
        group.split(planned, asyncio.get_running_loop().time())

    async def _try_whole(self, group: Group, split: Split, deadline: float) -> None:
        """Ask a split read in one piece; its answer shows nowhere, the scan asks again as the group then says."""
        time, read = asyncio.get_running_loop().time, split.whole.read
        status = (await self.link.read(read, deadline - time())).status
        if status in _NO_SUCH:
            split.refused(time())
        elif status != Status.OK:
            split.put_off(time())
        else:
            _log.info("%s answers %s from %d on together again", self.name, read.table.value, read.address)
            group.join(split)

    async def knock(self, patience_s: float | None) -> None:
        """Ask once outside a scan whether it is back; with its own patience, or the one given, s."""
        reads = [planned.read for group in self.groups for planned, _ in group.reads]
        self._knocks += 1  # another each time: what has come back may not know one of them, and say nothing
        _, status = await self._ask(reads[self._knocks % len(reads)], patience_s or self._timeout_s)
        if _is_answer(status):
            self._missed = 0
            return
        for group in self.groups:
            for planned, places in group.reads:
                self._take(planned.read, places, status, ())

    async def _ask(self, read: Read, limit_s: float) -> tuple[Answer, int]:
        """The answer, and the status to show: where nothing was even tried, what went wrong before still stands."""
        tried = self.link.connects
        answer = await self.link.read(read, limit_s)
        status = answer.status
        if status == Status.SILENT and self._trouble == Status.SLOW and limit_s < _PATIENT * self._timeout_s:
            status = Status.SLOW  # what it answered before took the time that was there for this
        if status == Status.ABSENT and self.link.connects == tried:
            return answer, self._trouble
        self._trouble = Status.SLOW if _is_answer(status) else status  # no time left after an answer: it took too long
        return answer, status

    def _take(self, read: Read, places: Places, status: int, words: tuple[int, ...]) -> None:
        words = words or (0,) * read.count
        for index, into, part in places:
            self._status[index] = status
            self._words[into] = words[part]
