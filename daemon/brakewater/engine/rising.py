"""Whether the water in a brake rises, told from sloshing and noise: a sequential test on its height above the usual.

Once a second the median of the second's levels is held against the usual level. What it lies higher, less an allowance,
adds up (``physics.cusum``); ten seconds' worth of the allowance is the alarm: 1 cm of allowance is met by 2 cm for ten
seconds or 11 cm for one, so a full choke is out within a second or two and a slow one long before it could reach the
bearings. It stays until the water is down again: what stands high does not count as usual.

The usual level follows slowly (ten minutes) while water flows and the level is near it. Away from it, it is learnt anew
only once the level has stood still for five minutes, with water flowing, and below where it would be too high. A brake
run dry keeps its usual level, so that filling it again is no rise.

Whole micrometres throughout, so that the same stream gives the same however it is cut.
"""

from collections import deque
from itertools import compress
from typing import Any, Final

import numpy as np

from brakewater.engine.held import over_scans
from brakewater.engine.lasting import Mask
from brakewater.physics import cusum
from brakewater.physics.level import group_median, lone_median
from brakewater.quality import Reason, alone, is_bad, is_bad_code
from brakewater.stream import Column, Floats, Ints

_WORTH_S: Final = 10
_FOLLOWS_S: Final = 600
_LEARNS_S: Final = 10
"""So many seconds near each other make the first usual level."""
_STANDS_S: Final = 300
_SCALE: Final = 1024
"""Parts of a micrometre in which the usual level is kept, so that slow following is not rounded away."""
_CALM_AT_FIRST: Final = 16
_UM: Final = 1e6


Medians = tuple[int, Floats, Mask]
"""Scans of a group that waited before a block; of each group that it made whole the median, and whether there is one.
"""


class Rising:
    """The test of one brake."""

    def __init__(self, scan_ns: int, *, allowance_m: float, high_m: float, wetting_m3_s: float) -> None:
        self._every = max(1, round(1_000_000_000 / scan_ns))
        self._high_um = round(high_m * _UM)
        self._wetting = wetting_m3_s
        self._rest: tuple[Floats, Mask, Mask] = (np.empty(0), np.empty(0, np.bool_), np.empty(0, np.bool_))
        """Of a second that is not whole yet: levels, whether they are usable, whether water flowed."""
        self._lone: list[tuple[float, bool, bool]] = []
        """Scans that came alone since, not in the rest yet."""
        self._usual: int | None = None
        self._recent: deque[int] = deque(maxlen=_STANDS_S)
        """Seconds' medians in um while water flowed."""
        self._s, self._met, self._known, self._above = 0, False, False, 0
        self._stood_um = 0
        """How far water stood above its usual when another transmitter showed it; until this one's first second."""
        self._standing: dict[str, Column] = {}
        """What lone scans show until the next second is whole."""
        self.allow(allowance_m)

    def allow(self, allowance_m: float) -> None:
        """Change the allowance."""
        self._allowance = max(1, round(allowance_m * _UM))

    def feed(self, level: Column, flow: Column, medians: Medians | None = None) -> dict[str, Column]:
        """``level_rise_m``: height above the usual; ``level_rising``: 1.0 where the test is met. [n] each.

        Args:
            level: m.
            flow: inlet flow, m3/s.
            medians: of the same level's groups of as many scans, where somebody has worked them out already.
        """
        if len(level.values) == 1 and len(self._lone) + len(self._rest[0]) + 1 < self._every:
            return self._alone(level, flow)
        if len(level.values) == 1 and len(self._lone) + 1 == self._every:
            return self._ends_second(level, flow)
        self._gather()
        self._standing = {}
        n, held = len(level.values), len(self._rest[0])
        wet: Mask = np.less_equal(self._wetting, flow.values)
        wet &= ~is_bad(flow.codes)
        new = level.values, ~is_bad(level.codes), wet
        values, usable, wet = (np.concatenate(pair) for pair in zip(self._rest, new, strict=True))
        m = (held + n) // self._every
        whole = m * self._every
        above, met, known = np.empty(m + 1, np.int64), np.zeros(m + 1, np.bool_), np.ones(m + 1, np.bool_)
        above[0], met[0], known[0] = self._above, self._met, self._known
        if whole:
            if medians is None or medians[0] != held:
                medians = held, *group_median(values[:whole].reshape(m, -1), usable[:whole].reshape(m, -1))
            flows = wet[:whole].all()
            flowing = np.ones(m, np.bool_) if flows else np.logical_and.reduce(wet[:whole].reshape(m, -1), axis=1)
            self._seconds((*medians[1:], flowing), (above[1:], met[1:], known[1:]))
        self._rest = values[whole:], usable[whole:], wet[whole:]
        codes = np.where(known, np.uint8(Reason.GOOD), np.uint8(Reason.UNKNOWN))
        codes = over_scans(codes, held, self._every, n)
        height, rises = np.where(known, above / _UM, 0.0), met.astype(np.float64)
        return {
            "level_rise_m": Column(values=over_scans(height, held, self._every, n), codes=codes),
            "level_rising": Column(values=over_scans(rises, held, self._every, n), codes=codes),
        }

    def _alone(self, level: Column, flow: Column) -> dict[str, Column]:
        """A lone scan that ends no second: kept aside, and all stands as it was."""
        self._keep(level, flow)
        return self._shown()

    def _ends_second(self, level: Column, flow: Column) -> dict[str, Column]:
        """A lone scan that makes a second of lone scans whole: the same on Python's own numbers, only quicker."""
        self._keep(level, flow)
        levels, usable, wet = zip(*self._lone, strict=True)
        self._lone.clear()
        median, some = lone_median(compress(levels, usable))
        self._second(round(min(max(median, -1e3), 1e3) * _UM), some, all(wet))
        self._standing = {}
        return self._shown()

    def _keep(self, level: Column, flow: Column) -> None:
        wet = self._wetting <= flow.values.item() and not is_bad_code(flow.codes.item())
        self._lone.append((level.values.item(), not is_bad_code(level.codes.item()), wet))

    def _shown(self) -> dict[str, Column]:
        if not self._standing:
            codes = alone(Reason.GOOD if self._known else Reason.UNKNOWN)
            self._standing = {
                "level_rise_m": Column(values=np.array((self._above / _UM if self._known else 0.0,)), codes=codes),
                "level_rising": Column(values=np.array((float(self._met),)), codes=codes),
            }
        return self._standing

    def _gather(self) -> None:
        if self._lone:
            levels, usable, wet = zip(*self._lone, strict=True)
            new = np.array(levels, np.float64), np.array(usable, np.bool_), np.array(wet, np.bool_)
            rest = self._rest
            self._rest = (
                np.concatenate((rest[0], new[0])),
                np.concatenate((rest[1], new[1])),
                np.concatenate((rest[2], new[2])),
            )
            self._lone.clear()

    def _seconds(self, seconds: tuple[Floats, Mask, Mask], found: tuple[Ints, Mask, Mask]) -> None:
        """What each whole second gives, written into [m] above, met and known.

        Args:
            seconds: [m] medians, whether there is one, whether water flows.
            found: [m] each; nothing met and all known so far.
        """
        medians, some, flowing = seconds
        y, above = _um(medians), found[0]
        others = [*(~(some & flowing)).nonzero()[0].tolist(), len(y)]
        at = next_other = 0
        while at < len(y):
            while others[next_other] < at:
                next_other += 1
            at += self._calm(y[at : others[next_other]], above[at:])
            if at < len(y):
                row = self._second(int(y[at]), bool(some[at]), bool(flowing[at]))
                for column, one in zip(found, row, strict=True):
                    column[at] = one
                at += 1

    def _calm(self, y: Ints, above: Ints) -> int:
        """How many seconds from the first are usual ones, told quickly; their heights go into ``above``.

        Water flows, nothing adds up, and the level is near the usual. It is tried with more and more of them, since
        what was worked out beyond another second is thrown away.

        Args:
            y: [c] medians of seconds in which water flows, um.
            above: at least [c].
        """
        done, most = 0, _CALM_AT_FIRST
        while done < len(y) and self._usual is not None and self._s == 0 and not self._met:
            tried = y[done : done + most]
            usual = self._usual
            usuals = [usual, *[usual := usual + (one - usual) // _FOLLOWS_S for one in (tried * _SCALE).tolist()]]
            heights = tried - np.array(usuals[:-1]) // _SCALE
            near = np.abs(heights) <= self._allowance
            calm = len(tried) if near.all() else int(np.argmin(near))
            if calm:
                self._usual, self._known, self._above = usuals[calm], True, int(heights[calm - 1])
                self._recent.extend(tried[max(0, calm - _STANDS_S) : calm].tolist())
                above[done : done + calm] = heights[:calm]
            done, most = done + calm, 8 * most
            if calm < len(tried):
                break
        return done

    def _second(self, y: int, ok: bool, flows: bool) -> tuple[int, bool, bool]:  # noqa: FBT001 - one row of the stream
        if not ok:
            self._known = False
            return self._above, self._met, False
        if flows:
            self._recent.append(y)
        if self._stood_um:
            self._usual, self._stood_um = (y - self._stood_um) * _SCALE, 0
        if self._usual is None:
            self._begin()
        if self._usual is None:
            self._known = False
            return 0, False, False
        self._known, self._above = True, y - self._usual // _SCALE
        threshold = _WORTH_S * self._allowance
        self._s = cusum.step(self._s, self._above, self._allowance, threshold)
        self._met = cusum.is_met(self._s, threshold, before=self._met)
        self._learn(y, flows=flows)
        return self._above, self._met, True

    def _begin(self) -> None:
        last = list(self._recent)[-_LEARNS_S:]
        if len(last) == _LEARNS_S and max(last) - min(last) <= 2 * self._allowance:
            self._usual = sorted(last)[_LEARNS_S // 2] * _SCALE

    def _learn(self, y: int, *, flows: bool) -> None:
        assert self._usual is not None
        if not flows:
            return
        if abs(self._above) <= self._allowance and not self._met:
            self._usual += (y * _SCALE - self._usual) // _FOLLOWS_S
        elif self._stands() and y < self._high_um:
            self._usual, self._s, self._met, self._above = y * _SCALE, 0, False, 0

    def _stands(self) -> bool:
        """The level has stood still for long."""
        return len(self._recent) == _STANDS_S and max(self._recent) - min(self._recent) <= self._allowance

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        self._gather()
        return {
            "rest": [list(row) for row in zip(*(part.tolist() for part in self._rest), strict=True)],
            "usual": None if self._usual is None else str(self._usual),
            "recent": list(self._recent),
            "s": self._s,
            "met": self._met,
            "known": self._known,
            "above": self._above,
            **({"stood": self._stood_um} if self._stood_um else {}),
        }

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot made with the same points."""
        self._lone.clear()
        levels, usable, wet = zip(*kept["rest"], strict=True) if kept["rest"] else ((), (), ())
        self._rest = np.array(levels, np.float64), np.array(usable, np.bool_), np.array(wet, np.bool_)
        self._usual = None if kept["usual"] is None else int(kept["usual"])
        self._recent = deque(kept["recent"], maxlen=_STANDS_S)
        self._s, self._met = int(kept["s"]), bool(kept["met"])
        self._known, self._above = bool(kept["known"]), int(kept["above"])
        self._stood_um = int(kept.get("stood", 0))

    def begin_above(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot made with other points, of other metres: only what stood too high still does.

        How far the usual level was below it is all that is known in the new metres; where water stood as usual, the
        usual level is found anew.
        """
        above = int(kept.get("stood", kept["above"]))
        if bool(kept["met"]) or above > self._allowance:
            self._stood_um, self._s, self._met = max(0, above), int(kept["s"]), bool(kept["met"])


def _um(metres: Floats) -> Ints:
    """Whole micrometres; garbage beyond a kilometre is held there."""
    return np.rint(np.clip(metres, -1e3, 1e3) * _UM).astype(np.int64)
