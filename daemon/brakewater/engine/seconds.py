"""Scans grouped to seconds, for everything that need not be faster: a mean and a grade of each column a group.

Scans are grouped by their count since the watch began, ``every`` to a group. A part of a group is carried over, so
where scans are cut into blocks makes no difference. Sums run over a group's scans one by one, never along an axis.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from brakewater.quality import is_bad
from brakewater.stream import Codes, Column, Floats, Ints

GOOD: Final = 0
DOUBTFUL: Final = 1
BAD: Final = 2

_MANY: Final = 16
"""Scans of a group from which on accumulating is quicker than adding one after the other of all groups."""

Grades = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class Groups:
    """m whole groups."""

    t_ns: Ints
    """[m] steady time of each one's last scan."""
    means: dict[str, Floats]
    """[m] by name: over those scans of a group that are not bad; 0.0 where the grade is BAD."""
    grades: dict[str, Grades]
    """[m] by name: BAD with less than half of the scans, DOUBTFUL with any uncertain one."""

    def worst(self, *names: str) -> Grades:
        """[m] the worst grade of several."""
        grades = self.grades[names[0]]
        for name in names[1:]:
            grades = np.maximum(grades, self.grades[name])
        return grades


class Seconds:
    """Collects scans until a group is whole."""

    def __init__(self, scan_ns: int, names: Sequence[str], group_ns: int = 1_000_000_000) -> None:
        self.every = max(1, round(group_ns / scan_ns))
        self.step_s = self.every * scan_ns / 1e9
        """Nominal time from group to group."""
        self._names = tuple(names)
        self._chunks: list[tuple[Ints, Sequence[Column]]] = []
        self._count = 0

    @property
    def waiting(self) -> int:
        """Scans of a group that is not whole yet."""
        return self._count

    def feed(self, t_ns: Ints, columns: Sequence[Column]) -> Groups | None:
        """The groups that a block of [n] scans makes whole, None of none; ``columns`` in the order of the names."""
        self._chunks.append((t_ns, columns))
        self._count += len(t_ns)
        whole = self._count // self.every
        if not whole:
            return None
        t, values, codes = self._together()
        used = whole * self.every
        means, grades = self._grouped(values[:, :used], codes[:, :used])
        rest = [Column(values=v[used:], codes=c[used:]) for v, c in zip(values, codes, strict=True)]
        self._count -= used
        self._chunks = [(t[used:], rest)] if self._count else []
        return Groups(
            t_ns=t[self.every - 1 : used : self.every],
            means=dict(zip(self._names, means, strict=True)),
            grades=dict(zip(self._names, grades, strict=True)),
        )

    def _together(self) -> tuple[Ints, Floats, Codes]:
        """All that waits: times, and [names, n] values and codes."""
        t = np.concatenate([chunk[0] for chunk in self._chunks])
        values, codes = np.empty((len(self._names), len(t))), np.empty((len(self._names), len(t)), np.uint8)
        first = 0
        for t_ns, columns in self._chunks:
            part = slice(first, first + len(t_ns))
            for row, column in enumerate(columns):
                values[row, part], codes[row, part] = column.values, column.codes
            first = part.stop
        return t, values, codes

    def _grouped(self, values: Floats, codes: Codes) -> tuple[Floats, Grades]:
        """[names, m] of [names, m * every]."""
        means = self._totals(values) / self.every
        grades = np.zeros(means.shape, np.uint8)
        rows = np.flatnonzero(codes.any(axis=1))  # most are good all through
        if len(rows):
            means[rows], grades[rows] = self._graded(values[rows], codes[rows])
        return means, grades

    def _totals(self, values: Floats) -> Floats:
        """[names, m]: one scan of a group after the other is added, which accumulating does too."""
        if self.every > _MANY:
            total: Floats = np.add.accumulate(values.reshape(len(values), -1, self.every), axis=2)[:, :, -1]
            return total
        total = values[:, 0 :: self.every].copy()
        for at in range(1, self.every):
            total += values[:, at :: self.every]
        return total

    def _graded(self, values: Floats, codes: Codes) -> tuple[Floats, Grades]:
        """The same where some of them are not good."""
        fair = ~is_bad(codes)
        shape = len(values), -1, self.every
        highest = np.maximum.reduce((codes * fair).reshape(shape), axis=2)  # what is left out makes nothing uncertain
        count = np.count_nonzero(fair.reshape(shape), axis=2)
        bad = 2 * count < self.every
        grades = np.where(bad, np.uint8(BAD), (highest > 0).view(np.uint8))
        return np.where(bad, 0.0, self._totals(values) / np.maximum(count, 1)), grades  # a bad value is 0.0

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "t": [str(t) for chunk in self._chunks for t in chunk[0].tolist()],
            "columns": {
                name: [
                    [x for c in self._chunks for x in getattr(c[1][at], what).tolist()] for what in ("values", "codes")
                ]
                for at, name in enumerate(self._names)
            },
        }

    def restore(self, kept: Mapping[str, Any]) -> None:
        """Go on from a snapshot of the same names."""
        t = np.array([int(t) for t in kept["t"]], np.int64)
        columns = tuple(
            Column(values=np.array(kept["columns"][name][0]), codes=np.array(kept["columns"][name][1], np.uint8))
            for name in self._names
        )
        self._count = len(t)
        self._chunks = [(t, columns)] if len(t) else []
