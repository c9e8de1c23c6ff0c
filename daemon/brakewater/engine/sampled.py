"""When the values of a scan were taken, by read group: the scan's time less the group's age.

A group that is read every N-th scan shows one sample N times. Its age is measured by another clock than the scan is
stamped with, so the sample's time comes out a little different each time; a time less than half a scan after the one
before is the same sample met again, and keeps the time at which it was first met.
"""

from collections.abc import Iterable
from typing import Any

import numpy as np

from brakewater.rig import Rig
from brakewater.stream import Block, Ints


class _Repeated:
    """Sample times of one slow group."""

    def __init__(self, scan_ns: int) -> None:
        self._least_ns = scan_ns // 2
        self._before: tuple[int, int] | None = None
        """The last time as measured, and as told."""

    def feed(self, taken_ns: Ints) -> Ints:
        measured, told = self._before or (int(taken_ns[0]) - 2 * self._least_ns - 1, 0)
        steps = np.diff(taken_ns, prepend=measured)
        is_new = np.abs(steps) > self._least_ns
        at = np.maximum.accumulate(np.where(is_new, np.arange(len(taken_ns)), -1))
        found: Ints = np.where(at < 0, told, taken_ns[np.maximum(at, 0)])
        self._before = int(taken_ns[-1]), int(found[-1])
        return found

    def state(self) -> list[str] | None:
        return None if self._before is None else [str(number) for number in self._before]

    def restore(self, state: list[str] | None) -> None:
        self._before = None if state is None else (int(state[0]), int(state[1]))


class SampleTimes:
    """Of those groups that anybody asks for."""

    def __init__(self, rig: Rig, groups: Iterable[int]) -> None:
        """Columns of ages, as ``rig.slots`` name them."""
        self._wanted = sorted(set(groups))
        self._slow = {group: _Repeated(rig.scan_ns) for group in self._wanted if rig.groups[group].every > 1}
        self._names = {group: f"{rig.groups[group].device}/{rig.groups[group].every}" for group in self._slow}

    def feed(self, block: Block) -> dict[int, Ints]:
        """Group -> [n] times."""
        taken = {group: block.t_ns - block.age_ns[:, group] for group in self._wanted}
        for group, repeated in self._slow.items():
            taken[group] = repeated.feed(taken[group])
        return taken

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps, by device and pace."""
        return {self._names[group]: repeated.state() for group, repeated in self._slow.items()}

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a snapshot, also of another rig file."""
        for group, repeated in self._slow.items():
            repeated.restore(state.get(self._names[group]))
