"""What is looked at from outside while the watch runs: its answers, its memory, and whether a calm makes all well."""

import asyncio
import re
import statistics
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import psutil

from brakewater.control import ask
from brakewater.errors import DeviceError
from brokers import retained

from .held import boot_ns
from .plan import CALM_S, ROUND_S, is_calm
from .sides import Sides

ROOT: Final = "brakewater/rig-4"
FRESH_S: Final = 2.0
_SETTLED_S: Final = 20.0
"""After a start, a stop or a starving nothing is said of the age of the newest scan for so long."""
_BACK_S: Final = 2.0
"""Before the end of a calm: by then all must be well."""
_BEHIND_NS: Final = 10_000_000_000
GROWTH_MIB: Final = 5.0
MOST_MORE: Final = 8
"""Descriptors: SQLite keeps those of closed readers of the file that is written, for the next; a leak by each fault
would be dozens."""
_JUDGED_S: Final = 120.0
"""A life must be so long before growth means anything."""


@dataclass(kw_only=True)
class Life:
    """Memory and descriptors of one life of the watch."""

    life: int
    at_s: list[float] = field(default_factory=list)
    mib: list[float] = field(default_factory=list)
    files: list[Counter[str]] = field(default_factory=list)
    """By kind: a path without its numbers."""

    def growth(self) -> tuple[float, Counter[str]] | None:
        """From the medians of the second quarter to those of the last; None for a short life.

        Returns:
            MiB, and which kinds of descriptors how many more are open.
        """
        if not self.at_s or self.at_s[-1] - self.at_s[0] < _JUDGED_S:
            return None
        quarter = len(self.at_s) // 4
        early, late = slice(quarter, 2 * quarter), slice(-quarter, None)
        return (
            statistics.median(self.mib[late]) - statistics.median(self.mib[early]),
            _usual(self.files[late]) - _usual(self.files[early]),
        )


def _usual(looks: list[Counter[str]]) -> Counter[str]:
    """Of each kind the median."""
    kinds = {kind for one in looks for kind in one}
    return Counter({kind: round(statistics.median(one[kind] for one in looks)) for kind in kinds})


def _open_files(number: int) -> Counter[str]:
    """Descriptors of a process by kind.

    Raises:
        OSError: it has gone.
    """
    found: Counter[str] = Counter()
    for one in Path(f"/proc/{number}/fd").iterdir():
        try:
            found[re.sub(r"\d+", "N", str(one.readlink()))] += 1
        except FileNotFoundError:  # closed since
            continue
    return found


class Looks:
    """One look a second."""

    def __init__(self, sides: Sides, began_s: float) -> None:
        self._sides, self._began_s = sides, began_s
        self.lives: list[Life] = []
        self.oldest_s, self.slowest_s = 0.0, 0.0

    async def run(self) -> None:
        """For ever."""
        while True:
            await asyncio.to_thread(self._weigh)
            await asyncio.to_thread(self._age)
            await asyncio.sleep(1.0)

    def _weigh(self) -> None:
        sides, watch = self._sides, self._sides.watch
        if watch is None or not sides.wanted:
            return
        status = watch.process.poll()
        sides.tally.check("never ends by itself", status is None, f"life {sides.life}: {status}\n{watch.said[-2000:]}")
        if status is not None:
            sides.start_watch()
            return
        try:
            process = psutil.Process(watch.process.pid)
            mib, files = process.memory_info().rss / 2**20, _open_files(watch.process.pid)
        except (psutil.Error, OSError):
            return
        if time.monotonic() < sides.began_s + _SETTLED_S:
            return
        if not self.lives or self.lives[-1].life != sides.life:
            self.lives.append(Life(life=sides.life))
        life = self.lives[-1]
        life.at_s.append(time.monotonic())
        life.mib.append(mib)
        life.files.append(files)

    def _age(self) -> None:
        sides, began = self._sides, boot_ns()
        found = self._status()
        stopped = sides.stopped[-1][1] if sides.stopped else 0
        is_settled = time.monotonic() - sides.began_s > _SETTLED_S and began - stopped > _SETTLED_S * 1e9
        if found is None or not sides.wanted or not is_settled:
            return
        age_s = found["scan_age_s"] or 0.0
        self.oldest_s = max(self.oldest_s, age_s)
        sides.tally.check("the newest scan is under 2 s old while it runs", age_s < FRESH_S, f"{age_s:.2f} s")

    def _status(self) -> dict[str, Any] | None:
        try:
            return ask(self._sides.record, {"ask": "status"}, timeout_s=3.0)
        except DeviceError:
            return None

    async def calms(self) -> None:
        """In each calm all has to be well again before its end."""
        while True:
            at_s = time.monotonic() - self._began_s
            if not is_calm(at_s):
                await asyncio.sleep(0.5)
                continue
            calm_s, end_s = at_s, self._began_s + (at_s // ROUND_S + 1) * ROUND_S - _BACK_S
            await self.well_by(end_s, calm_s)
            await asyncio.sleep(max(0.0, end_s + _BACK_S + 0.1 - time.monotonic()))

    async def well_by(self, end_s: float, calm_s: float = 0.0) -> None:
        """Wait until nothing ails it any more; what still does at the end is a break."""
        ails = await asyncio.to_thread(self._ails)
        while ails and time.monotonic() < end_s:
            await asyncio.sleep(0.5)
            ails = await asyncio.to_thread(self._ails)
        self._sides.tally.check("well again in each calm", not ails, f"calm of {CALM_S:g} s: {'; '.join(ails)}")
        if calm_s:
            self.slowest_s = max(self.slowest_s, time.monotonic() - self._began_s - calm_s)

    def _ails(self) -> list[str]:
        found = self._status()
        if found is None:
            return ["no answer"]
        mirror = found["mirrors"]["base"]
        ails = [f"{name} {one['status']}" for name, one in found["devices"].items() if one["status"] != "ok"]
        ails += [] if found["links"]["broker"] else ["broker lost"]
        ails += [] if found["record"]["recording"] else ["not recording"]
        if mirror["backlog_ns"] > _BEHIND_NS or mirror["last_error"] is not None:
            ails.append(f"mirror {mirror}")
        if not ails:
            told = self._told_otherwise()
            ails += [f"broker holds {told}"] if told else []
        return ails

    def _told_otherwise(self) -> dict[str, tuple[str, str]]:
        """Alarms that a newcomer at the broker is told otherwise than they stand before and after he asked."""
        before = self._states()
        said = {
            "/".join(topic.split("/")[2:]).replace("/alarm/", "."): body["state"]
            for topic, body in retained(self._sides.broker.port, f"{ROOT}/+/alarm/#").items()
        }
        after = self._states()
        steady = {key for key in said if before.get(key, "normal") == after.get(key, "normal")}
        return {key: (said[key], after.get(key, "normal")) for key in steady if said[key] != after.get(key, "normal")}

    def _states(self) -> dict[str, str]:
        found = self._status() or {"alarms": []}
        return {f"{one['brake'] or 'rig'}.{one['alarm']}": one["state"] for one in found["alarms"]}

    def judge(self) -> None:
        """Growth of the long lives."""
        tally, told = self._sides.tally, []
        for life in self.lives:
            grown = life.growth()
            if grown is None:
                continue
            mib, files = grown
            tally.check("memory grows by less than 5 MiB", mib < GROWTH_MIB, f"life {life.life}: {mib:.1f} MiB")
            tally.check("descriptors do not grow", files.total() < MOST_MORE, f"life {life.life}: {dict(files)}")
            told.append(
                f"{life.at_s[-1] - life.at_s[0]:.0f} s: {max(life.mib):.0f} MiB at most, {mib:+.1f} MiB,"
                f" {files.total():+}"
            )
        tally.figures["lives long enough to judge (memory, its growth, descriptors')"] = "; ".join(told) or "none"
