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
        t = np.concatenate([chunk[0] for chunk in self._chunks])
        values = np.concatenate([np.array([column.values for column in chunk[1]]) for chunk in self._chunks], axis=1)
        codes = np.concatenate([np.array([column.codes for column in chunk[1]]) for chunk in self._chunks], axis=1)
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

    def _grouped(self, values: Floats, codes: Codes) -> tuple[Floats, Grades]:
        """[names, m] of [names, m * every]."""
        total = values[:, 0 :: self.every]
        fair = ~is_bad(codes[:, 0 :: self.every])
        highest = codes[:, 0 :: self.every] * fair  # what is left out of the mean does not make it uncertain
        count = fair.astype(np.int64)
        for at in range(1, self.every):
            total = total + values[:, at :: self.every]  # a bad value is 0.0
            fair = ~is_bad(codes[:, at :: self.every])
            highest = np.maximum(highest, codes[:, at :: self.every] * fair)
            count += fair
        bad = 2 * count < self.every
        grades = np.where(bad, np.uint8(BAD), (highest > 0).view(np.uint8))
        return np.where(bad, 0.0, total / np.maximum(count, 1)), grades

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
