"""The record looked at while it grows: words, numbers, times, and whether the one alarm that matters most is out."""

import time
from pathlib import Path
from typing import Final

from brakewater.errors import StorageError
from brakewater.quality import Status
from brakewater.record.reader import Record
from brakewater.rig import Rig
from brakewater.stream import Block, Event, Gap, Input, Start
from faults.device import Device
from faults.fault_server import Request

from .rig import COUNTS, FLOW, is_dry, is_plenty, shown
from .told import Tally

S: Final = 1_000_000_000
LATE_S: Final = 2.0
UNKNOWN_S: Final = 3.0
CAUSE_S: Final = 6.0
_FOREIGN: Final = "far1"
_SLACK_NS: Final = 1_000_000
"""Steady time is stamped to a tenth of a millisecond."""
_LABEL_NS: Final = 100_000_000
"""From the label of an input to its steady time and the step of a clock, on a busy machine."""

Spans = list[tuple[int, int]]
"""ns of the boot clock."""


class Noted:
    """When each request came to a scripted device, by the boot clock; ns."""

    def __init__(self, device: Device) -> None:
        """Note its requests from now on, and have it tell the words of ``rig.shown``."""
        self.at: list[int] = []
        requested, device.shown = device._request, shown

        def request(raw: bytes) -> Request:
            self.at.append(boot_ns())
            return requested(raw)

        device._request = request  # type: ignore[method-assign]


def boot_ns() -> int:
    """The kernel's boot clock, which no step of the wall clock moves."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)


class Steps:
    """What the watch's wall clock showed, by the boot clock."""

    def __init__(self) -> None:
        self._ahead_ns = time.time_ns() - boot_ns()
        self._from: list[tuple[int, int]] = [(0, 0)]

    def stepped(self, at_ns: int, off_ns: int) -> None:
        """From that moment on it is off by so much."""
        self._from.append((at_ns, off_ns))

    def fits(self, at_ns: int, label_ns: int) -> bool:
        """Whether it may have shown that label at that moment: as it was, or became within ``_LABEL_NS``."""
        near, ends = [], [at for at, _ in self._from[1:]] + [2**63 - 1]
        for (begin, off), end in zip(reversed(self._from), reversed(ends), strict=True):
            if begin - _LABEL_NS <= at_ns < end + _LABEL_NS:
                near.append(off)
            elif near:
                break
        return any(abs(label_ns - at_ns - self._ahead_ns - off) < _LABEL_NS for off in near)


class Held:
    """Looks from where it stopped the last time. One thread."""

    def __init__(
        self, folder: Path, rig: Rig, tally: Tally, noted: dict[str, Noted], steps: Steps, stopped: Spans
    ) -> None:
        self._record, self._tally, self._noted, self._steps, self._stopped = (
            Record(folder),
            tally,
            noted,
            steps,
            stopped,
        )
        self._slots = {name: [slot for slot in rig.slots if slot.point.device == name] for name in COUNTS}
        self._place, self._event = (0, -1), (0, 0)
        self._waiting: dict[tuple[int, int], list[Event]] = {}
        """Events whose inputs are not looked at yet."""
        self._last_of: dict[int, int] = {}
        self._t_ns, self._scan_real, self._scan_run = -(2**62), 0, 0
        self._number = dict.fromkeys(noted, 0)
        self._lost: bool | None = False
        """Whether cooling lost stands by the events; None: an event of it may have been lost."""
        self._dry, self._unknown_ns, self._cause_ns, self._begin_ns = 0, 0, 0, 0
        self.longest_s, self.lost, self._origin_ns = 0.0, 0, 0
        self.why_not = ""

    @property
    def event(self) -> tuple[int, int]:
        """Run and n of the newest event."""
        return self._event

    def newest_t_ns(self) -> int:
        """Steady time of the newest input looked at."""
        return self._t_ns

    def look(self) -> None:
        """At all that came; a disk that cannot be read just now is looked at again."""
        try:
            items = list(self._record.inputs(after=self._place))
            events = [one.event for one in self._record.events(after=self._event)]
            self.why_not = ""
        except StorageError as error:
            self.why_not = str(error)
            return
        for event in events:  # read after the inputs, with which they were committed: none is wanting
            self._count_event(event)
        for item in items:
            if isinstance(item, Block):
                self._block(item)
            else:
                self._other(item)

    def _count_event(self, event: Event) -> None:
        run, n = self._event
        follows = event.n == (n + 1 if event.run == run else 1) and event.run >= run
        self._tally.check("events: no number left out or used twice", follows, f"{event.identity} after {run}..{n}")
        self._event = (event.run, event.n)
        self._waiting.setdefault((event.run, event.input), []).append(event)

    def _numbered(self, run: int, first: int, last: int) -> None:
        before = self._last_of.get(run, -1)
        self._tally.check("inputs: no hole, none twice", first == before + 1, f"{run}.{first} after {before}")
        self._last_of[run] = last
        self._place = (run, last)

    def _stamped(self, t_ns: int, where: object) -> None:
        self._tally.check("steady time never falls", t_ns >= self._t_ns, f"{where}: {t_ns} after {self._t_ns}")
        self._t_ns = t_ns

    def _other(self, item: Input) -> None:
        assert not isinstance(item, Block)
        self._numbered(item.run, item.input, item.input)
        self._stamped(item.t_ns, f"{item.run}.{item.input}")
        self._follow((item.run, item.input), item.t_ns, None)
        if isinstance(item, Start):
            self._begin_ns, self._dry, self._unknown_ns = item.t_ns, 0, 0
            self._origin_ns = int(item.boot.partition("@")[2])
        if isinstance(item, Gap):
            follows = self._last_of.get(item.lost_run) == item.lost_first - 1
            self._tally.check("a gap names what was lost", follows, f"{item}, recorded up to {self._last_of}")
            self.lost += item.lost_last - item.lost_first + 1
            self._lost = None

    def _block(self, block: Block) -> None:
        self._numbered(block.run, int(block.input[0]), int(block.input[-1]))
        for at, number in enumerate(block.input.tolist()):
            where, t_ns = f"{block.run}.{number}", int(block.t_ns[at])
            self._stamped(t_ns, where)
            real = t_ns + self._origin_ns
            fits = self._steps.fits(real, int(block.utc_ns[at]))
            self._tally.check("labels tell the wall clock as it was", fits, f"{where}: {int(block.utc_ns[at])}")
            self._apart(block.run, real, t_ns, where)
            got = {name: self._device(name, block, at, real, where) for name in self._slots}["plc1"]
            flow = None if got is None else got[FLOW]
            self._follow((block.run, number), t_ns, flow)
            self._judge(flow, t_ns, where)

    def _apart(self, run: int, real: int, t_ns: int, where: str) -> None:
        """Distance of two scans, less what stopped the watch in between."""
        if run == self._scan_run:
            held = self._stood(self._scan_real, real)
            self._cause_ns = t_ns if held else self._cause_ns  # what was read before is old now
            apart_s = (real - self._scan_real - held) / S
            self.longest_s = max(self.longest_s, apart_s)
            name = "between two scans, beyond what stopped it, under 2 s"
            self._tally.check(name, apart_s < LATE_S, f"{where}: {apart_s:.2f} s")
        self._scan_real, self._scan_run = real, run

    def _stood(self, begin_ns: int, end_ns: int) -> int:
        """How long of that the watch was stopped."""
        total = 0
        for begin, end in reversed(self._stopped):
            if end < begin_ns:
                break
            total += max(0, min(end, end_ns) - max(begin, begin_ns))
        return total

    def _device(self, name: str, block: Block, at: int, real: int, where: str) -> dict[str, int] | None:
        """Words of a device in one scan; None where it did not answer."""
        slots, words, status = self._slots[name], block.words[at], block.status[at]
        if any(int(status[slot.index]) != Status.OK for slot in slots):
            bare = all(int(words[slot.column]) == 0 for slot in slots if int(status[slot.index]) != Status.OK)
            self._tally.check("no words where nothing was answered", bare, f"{where} {name}")
            return None
        got = {slot.point.name: int(words[slot.column]) for slot in slots}
        number = got[COUNTS[name]]
        right = all(got[slot.point.name] == self._right(name, slot.point.address, number) for slot in slots)
        fresh = name == _FOREIGN or self._fresh(name, number, real)
        what = "words genuine and of the request of their own scan"
        self._tally.check(what, right and fresh, f"{where} {name}: {got}, request {self._number.get(name)}")
        return got

    @staticmethod
    def _right(name: str, address: int, number: int) -> int:
        if name == _FOREIGN:
            return number if address % 2 else address
        return shown(address, number)

    def _fresh(self, name: str, number: int, real: int) -> bool:
        """Whether it answers the newest request made before the scan closed, and none was answered twice."""
        before, at = self._number[name], self._noted[name].at
        step = (number - before) & 0xFFFF
        n = self._number[name] = before + step
        if not 0 < step < 2**15 or n > len(at):
            return False
        following = at[n] if n < len(at) else 2**63 - 1
        return at[n - 1] <= real + _SLACK_NS and following >= real - _SLACK_NS

    def _follow(self, place: tuple[int, int], t_ns: int, flow: int | None) -> None:
        for event in self._waiting.pop(place, []):
            if event.alarm != "cooling-lost":
                continue
            if event.was == "normal" and event.active and self._lost is False:
                lately = t_ns - max(self._cause_ns, self._begin_ns) < CAUSE_S * S
                has_cause = flow is None or not is_plenty(flow) or lately
                self._tally.check("cooling lost comes only with cause", has_cause, event.identity)
            self._lost = event.active

    def _judge(self, flow: int | None, t_ns: int, where: str) -> None:
        """Two scans without flow, or three seconds without knowing: it must stand."""
        if flow is None:
            self._dry, self._unknown_ns = 0, self._unknown_ns or t_ns
        else:
            self._dry, self._unknown_ns = self._dry + 1 if is_dry(flow) else 0, 0
        if flow is None or not is_plenty(flow):
            self._cause_ns = t_ns
        due = self._dry >= 2 or (self._unknown_ns and t_ns - self._unknown_ns >= UNKNOWN_S * S)
        if due and self._lost is not None and t_ns - self._begin_ns > S:
            what = "no flow in two scans, or unknown for 3 s: cooling lost is out"
            self._tally.check(what, self._lost, f"{where}: dry {self._dry}, unknown since {self._unknown_ns}")
