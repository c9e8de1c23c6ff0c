"""Steady time and wall time of this machine.

Steady time drives every delay. It is the kernel's boot clock with an origin that is carried in each Start: within one
boot it goes on exactly over a restart of the daemon; after a reboot it goes on by the wall clock, where that tells a
plausible downtime, and never backwards.
"""

import re
import time
from pathlib import Path
from typing import Final, Protocol

from brakewater.stream import Start

LEAST_STEP_NS: Final = 1_000_000_000
"""A wall clock that moves less against steady time between two scans drifts or is being slewed."""
MOST_DOWNTIME_NS: Final = 30 * 86_400 * 1_000_000_000
"""A longer downtime by the wall clock is not believed."""
_WHOLE: Final = re.compile(r"-?[0-9]+")
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class Clock(Protocol):
    """What the loop stamps inputs with."""

    def steady_ns(self) -> int:
        """Never falls, also not over a restart."""
        ...

    def utc_ns(self) -> int:
        """The wall clock: a label."""
        ...


class MachineClock:
    """The clocks of this machine, going on from an earlier run."""

    def __init__(self, boot_id: str, origin_ns: int, ahead_ns: int | None = None) -> None:
        """Go on.

        Args:
            boot_id: of the machine.
            origin_ns: boot clock where steady time was zero.
            ahead_ns: wall less steady time at the last input recorded; None: what it is now.
        """
        self._boot_id, self._origin_ns = boot_id, origin_ns
        self._ahead_ns = self._ahead() if ahead_ns is None else ahead_ns

    @property
    def boot(self) -> str:
        """Boot identity and origin, as a Start carries them."""
        return f"{self._boot_id}@{self._origin_ns}"

    def steady_ns(self) -> int:
        """Boot clock less the origin."""
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) - self._origin_ns

    def utc_ns(self) -> int:
        """Wall clock."""
        return time.time_ns()

    def _ahead(self) -> int:
        return self.utc_ns() - self.steady_ns()

    def step_ms(self) -> int:
        """How far the wall clock has stepped since this was last asked, or since the last input of the record, ms."""
        before_ns, self._ahead_ns = self._ahead_ns, self._ahead()
        step_ns = self._ahead_ns - before_ns
        return step_ns // 1_000_000 if abs(step_ns) >= LEAST_STEP_NS else 0


def going_on(last: Start | None, last_t_ns: int = 0, last_utc_ns: int = 0) -> MachineClock:
    """The machine's clock with an origin that lets steady time go on.

    Args:
        last: Start of the last run in the record, if any.
        last_t_ns: steady time of the last input recorded.
        last_utc_ns: wall time of the last input recorded.
    """
    boot_id = _BOOT_ID.read_text(encoding="ascii").strip()
    now_ns = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    if last is None:
        return MachineClock(boot_id, now_ns)
    ahead_ns = last_utc_ns - last_t_ns
    known_boot, _, origin = last.boot.partition("@")
    if known_boot == boot_id and _WHOLE.fullmatch(origin) and now_ns - int(origin) >= last_t_ns:
        return MachineClock(boot_id, int(origin), ahead_ns)
    downtime_ns = time.time_ns() - last_utc_ns
    if not 0 <= downtime_ns <= MOST_DOWNTIME_NS:
        downtime_ns = 0
    return MachineClock(boot_id, now_ns - last_t_ns - downtime_ns, ahead_ns)
