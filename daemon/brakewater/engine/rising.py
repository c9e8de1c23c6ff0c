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
from typing import Any, Final

import numpy as np

from brakewater.engine.lasting import Mask
from brakewater.physics import cusum
from brakewater.physics.level import group_median
from brakewater.quality import Reason, alone, is_bad, is_bad_code
from brakewater.stream import Column, Floats, Ints

_WORTH_S: Final = 10
_FOLLOWS_S: Final = 600
_LEARNS_S: Final = 10
"""So many seconds near each other make the first usual level."""
_STANDS_S: Final = 300
_SCALE: Final = 1024
"""Parts of a micrometre in which the usual level is kept, so that slow following is not rounded away."""
_UM: Final = 1e6


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
        self.allow(allowance_m)

    def allow(self, allowance_m: float) -> None:
        """Change the allowance."""
        self._allowance = max(1, round(allowance_m * _UM))

    def feed(self, level: Column, flow: Column) -> dict[str, Column]:
        """``level_rise_m``: height above the usual; ``level_rising``: 1.0 where the test is met. [n] each.

        Args:
            level: m.
            flow: inlet flow, m3/s.
        """
        if len(level.values) == 1 and len(self._lone) + len(self._rest[0]) + 1 < self._every:
            return self._alone(level, flow)
        self._gather()
        n, held = len(level.values), len(self._rest[0])
        wet: Mask = np.less_equal(self._wetting, flow.values)
        wet &= ~is_bad(flow.codes)
        new = level.values, ~is_bad(level.codes), wet
        values, usable, wet = (np.concatenate(pair) for pair in zip(self._rest, new, strict=True))
        whole = (held + n) // self._every * self._every
        outcomes = [(self._above, self._met, self._known)]
        if whole:
            outcomes += self._seconds(values[:whole], usable[:whole], wet[:whole])
        self._rest = values[whole:], usable[whole:], wet[whole:]
        done = np.arange(held + 1, held + n + 1) // self._every
        above, met, known = (np.array(column)[done] for column in zip(*outcomes, strict=True))
        codes = np.where(known, np.uint8(Reason.GOOD), np.uint8(Reason.UNKNOWN)).astype(np.uint8)
        return {
            "level_rise_m": Column(values=np.where(known, above / _UM, 0.0), codes=codes),
            "level_rising": Column(values=met.astype(np.float64), codes=codes),
        }

    def _alone(self, level: Column, flow: Column) -> dict[str, Column]:
        """A lone scan that ends no second: kept aside, and all stands as it was."""
        wet = self._wetting <= flow.values.item() and not is_bad_code(flow.codes.item())
        self._lone.append((level.values.item(), not is_bad_code(level.codes.item()), wet))
        codes = alone(Reason.GOOD if self._known else Reason.UNKNOWN)
        return {
            "level_rise_m": Column(values=np.array((self._above / _UM if self._known else 0.0,)), codes=codes),
            "level_rising": Column(values=np.array((float(self._met),)), codes=codes),
        }

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

    def _seconds(self, values: Floats, usable: Mask, wet: Mask) -> list[tuple[int, bool, bool]]:
        """What each whole second gives."""
        shape = (-1, self._every)
        medians, some = group_median(values.reshape(shape), usable.reshape(shape))
        flowing: list[bool] = np.logical_and.reduce(wet.reshape(shape), axis=1).tolist()
        rows = list(zip(_um(medians), some.tolist(), flowing, strict=True))
        found: list[tuple[int, bool, bool]] = []
        while len(found) < len(rows):
            found += self._calm(rows, len(found))
            if len(found) < len(rows):
                found.append(self._second(*rows[len(found)]))
        return found

    def _calm(self, rows: list[tuple[int, bool, bool]], first: int) -> list[tuple[int, bool, bool]]:
        """The usual seconds from ``first`` up to another one, told quickly.

        Water flows, nothing adds up, and the level is near the usual.
        """
        usual, allowance, heights = self._usual, self._allowance, []
        if usual is None or self._s != 0 or self._met:
            return []
        for at in range(first, len(rows)):
            y, ok, flows = rows[at]
            above = y - usual // _SCALE
            if not (ok and flows and -allowance <= above <= allowance):
                break
            usual += (y * _SCALE - usual) // _FOLLOWS_S
            heights.append(above)
        if heights:
            self._usual, self._known, self._above = usual, True, heights[-1]
            self._recent.extend(y for y, _, _ in rows[first : first + len(heights)])
        return [(above, False, True) for above in heights]

    def _second(self, y: int, ok: bool, flows: bool) -> tuple[int, bool, bool]:  # noqa: FBT001 - one row of the stream
        if not ok:
            self._known = False
            return self._above, self._met, False
        if flows:
            self._recent.append(y)
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


def _um(metres: Floats) -> list[int]:
    """Whole micrometres; garbage beyond a kilometre is held there."""
    rounded: Ints = np.rint(np.clip(metres, -1e3, 1e3) * _UM).astype(np.int64)
    whole: list[int] = rounded.tolist()
    return whole
