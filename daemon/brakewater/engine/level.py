"""The level rate as the engine carries it from block to block: a robust slope once a second.

Scans are grouped by their count since the watch began, ``every`` to a group of about a second. Each group gives its
median; the slope through the last eight groups is the rate until the next group is whole. Where scans are cut into
blocks makes no difference: a part of a group is carried over, and windows are met row by row.
"""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from brakewater.engine.held import Held
from brakewater.physics.level import group_median, lone_median, lone_theil_sen, theil_sen
from brakewater.quality import Reason, alone, is_bad, is_bad_code
from brakewater.stream import Codes, Column, Floats, Ints

GROUPS: Final = 8
_STALE = 3
"""A group older than this many windows counts no more."""

Mask = NDArray[np.bool_]


class LevelRate:
    """Rate of rise in m/s of one brake's water."""

    def __init__(self, scan_ns: int) -> None:
        self._every = max(1, round(1_000_000_000 / scan_ns))
        self._oldest_ns = _STALE * GROUPS * max(1_000_000_000, scan_ns)
        self._t: Ints = np.empty(0, np.int64)
        self._y: Floats = np.empty(0)
        self._ok: Mask = np.empty(0, np.bool_)
        self._lone: list[tuple[int, float, bool]] = []
        """Scans that came alone since, not in the columns yet."""
        self.medians: tuple[int, Floats, Mask] | None = None
        """Of the last block: scans that waited before it, and of each group it made whole the median."""
        self._group_t: Ints = np.zeros(GROUPS - 1, np.int64)
        self._group_y: Floats = np.zeros(GROUPS - 1)
        self._group_ok: Mask = np.zeros(GROUPS - 1, np.bool_)
        self._rate = 0.0
        self._code = int(Reason.UNKNOWN)
        self._standing: Column | None = None
        """What lone scans show until the next group is whole."""

    def feed(self, t_ns: Ints, level: Column) -> Column:
        """The rate at each scan of a block: [n] values in m/s and codes, UNKNOWN until enough is known."""
        if len(t_ns) == 1 and len(self._lone) + len(self._t) + 1 < self._every:
            return self._alone(int(t_ns[0]), level)
        if len(t_ns) == 1 and len(self._lone) + 1 == self._every:
            return self._ends_group(int(t_ns[0]), level)
        self._gather()
        self.medians = None
        t = np.concatenate((self._t, t_ns))
        y = np.concatenate((self._y, level.values))
        ok = np.concatenate((self._ok, ~is_bad(level.codes)))
        whole = len(t) // self._every
        used = whole * self._every
        rates, codes = self._groups(t[:used], y[:used], ok[:used])
        cut = len(self._t), self._every, len(t_ns)
        column = Held(values=rates, codes=codes).after((self._rate, self._code), cut)
        self._t, self._y, self._ok = t[used:], y[used:], ok[used:]
        self._rate, self._code = float(column.values[-1]), int(column.codes[-1])
        self._standing = None
        return column

    def _alone(self, t_ns: int, level: Column) -> Column:
        """A lone scan that ends no group: kept aside, which is quicker than to grow arrays by one."""
        self._lone.append((t_ns, level.values.item(), not is_bad_code(level.codes.item())))
        if self._standing is None:
            self._standing = Column(values=np.array((self._rate,)), codes=alone(self._code))
        return self._standing

    def _ends_group(self, t_ns: int, level: Column) -> Column:
        """A lone scan that makes a group of lone scans whole: the same, only quicker."""
        self._lone.append((t_ns, level.values.item(), not is_bad_code(level.codes.item())))
        t, y, ok = zip(*self._lone, strict=True)
        self._lone.clear()
        self.medians = None
        rates, codes = self._lone_group(list(t), list(y), list(ok))
        self._rate, self._code = rates.item(), codes.item()
        self._standing = Column(values=rates, codes=codes)
        return self._standing

    def _gather(self) -> None:
        if self._lone:
            t, y, ok = zip(*self._lone, strict=True)
            self._t = np.concatenate((self._t, np.array(t, np.int64)))
            self._y = np.concatenate((self._y, np.array(y, np.float64)))
            self._ok = np.concatenate((self._ok, np.array(ok, np.bool_)))
            self._lone.clear()

    def _groups(self, t: Ints, y: Floats, ok: Mask) -> tuple[Floats, Codes]:
        if not len(t):
            return np.empty(0), np.empty(0, np.uint8)
        if len(t) == self._every:
            return self._lone_group(t.tolist(), y.tolist(), ok.tolist())
        rows_t = t.reshape(-1, self._every)
        medians, some = group_median(y.reshape(-1, self._every), ok.reshape(-1, self._every))
        self.medians = len(self._t), medians, some
        all_t = np.concatenate((self._group_t, (rows_t[:, 0] + rows_t[:, -1]) // 2))
        all_y = np.concatenate((self._group_y, medians))
        all_ok = np.concatenate((self._group_ok, some))
        window_t, window_y, window_ok = (
            np.lib.stride_tricks.sliding_window_view(column, GROUPS).T for column in (all_t, all_y, all_ok)
        )
        # [GROUPS, m]: laid out a row a place in the windows, which is how they are gone through
        elapsed_ns = np.subtract(window_t, window_t[-1], out=np.empty(window_t.shape, np.int64))
        usable = window_ok & (elapsed_ns >= -self._oldest_ns)
        slopes, enough = theil_sen((elapsed_ns / 1e9).T, window_y.T, usable.T)
        self._group_t, self._group_y, self._group_ok = all_t[1 - GROUPS :], all_y[1 - GROUPS :], all_ok[1 - GROUPS :]
        return slopes, np.where(enough, np.uint8(Reason.GOOD), np.uint8(Reason.UNKNOWN))

    def _lone_group(self, t: list[int], y: list[float], ok: list[bool]) -> tuple[Floats, Codes]:
        """The same for one group, only quicker."""
        median, some = lone_median(level for level, use in zip(y, ok, strict=True) if use)
        all_t = [*self._group_t.tolist(), (t[0] + t[-1]) // 2]
        all_y, all_ok = [*self._group_y.tolist(), median], [*self._group_ok.tolist(), some]
        fresh = [use and all_t[-1] - at <= self._oldest_ns for at, use in zip(all_t, all_ok, strict=True)]
        slope, enough = lone_theil_sen([(at - all_t[-1]) / 1e9 for at in all_t], all_y, fresh)
        self._group_t, self._group_y = np.array(all_t[1:], np.int64), np.array(all_y[1:])
        self._group_ok = np.array(all_ok[1:], np.bool_)
        return np.array([slope]), np.array([Reason.GOOD if enough else Reason.UNKNOWN], np.uint8)

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps; times as text, since they are larger than JSON's whole numbers."""
        self._gather()
        return {
            "t": [str(t) for t in self._t.tolist()],
            "y": self._y.tolist(),
            "ok": self._ok.tolist(),
            "group-t": [str(t) for t in self._group_t.tolist()],
            "group-y": self._group_y.tolist(),
            "group-ok": self._group_ok.tolist(),
            "rate": self._rate,
            "code": self._code,
        }

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot."""
        self._lone.clear()
        self._t = np.array([int(t) for t in kept["t"]], np.int64)
        self._y = np.array(kept["y"], np.float64)
        self._ok = np.array(kept["ok"], np.bool_)
        self._group_t = np.array([int(t) for t in kept["group-t"]], np.int64)
        self._group_y = np.array(kept["group-y"], np.float64)
        self._group_ok = np.array(kept["group-ok"], np.bool_)
        self._rate, self._code, self._standing = float(kept["rate"]), int(kept["code"]), None
