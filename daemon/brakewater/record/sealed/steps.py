"""Times in the coarsest step that holds all of them exactly: what a clock's stamp does not tell costs nothing."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from brakewater.stream import Block, Ints

STEPS: Final = (1_000_000, 100_000, 10_000, 1_000, 1)
"""Nanoseconds a step may be."""
WALL_STEPS: Final = (1_000_000, 1_000, 1)
"""Those that Parquet knows of a wall time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """How the times of one run are written.

    ``utc`` is wall time. Steady time, which drives every delay, follows it closely:
    ``t_ns = utc_ns + base_ns + offset_ns * steady_offset``.
    """

    wall_ns: int = WALL_STEPS[0]
    offset_ns: int = STEPS[0]
    base_ns: int = 0
    age_ns: int = STEPS[0]


class StepsSeen:
    """Finds the steps while the scans pass."""

    def __init__(self) -> None:
        self._base_ns: int | None = None
        self._wall, self._offset, self._age = list(WALL_STEPS), list(STEPS), list(STEPS)

    def see(self, block: Block) -> None:
        """Take some scans into account."""
        offset = block.t_ns - block.utc_ns
        if self._base_ns is None:
            self._base_ns = int(offset[0])
        self._wall = _fitting(self._wall, block.utc_ns)
        self._offset = _fitting(self._offset, offset - self._base_ns)
        self._age = _fitting(self._age, block.age_ns)

    def steps(self) -> Steps:
        """What holds all that was seen."""
        return Steps(wall_ns=self._wall[0], offset_ns=self._offset[0], base_ns=self._base_ns or 0, age_ns=self._age[0])


def _fitting(steps: list[int], times: Ints) -> list[int]:
    while len(steps) > 1 and np.any(times % steps[0]):
        steps = steps[1:]
    return steps
