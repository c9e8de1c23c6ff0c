"""Into which region of its alarm each scan falls, for all alarms of a rig at once.

Every alarm is put as "too high": a low one with its sign turned, a contact or a mask as 1.0 against a limit of a half.
So one comparison serves them all, a row an alarm.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np

from brakewater.alarms.catalogue import Shape
from brakewater.alarms.condition import UNKNOWN, Regions
from brakewater.quality import Reason
from brakewater.rig import AlarmRule
from brakewater.stream import Codes, Column, Floats

_SIGN: Final = {Shape.LOW: -1.0, Shape.LOST: -1.0, Shape.DOWN: -1.0}
_HALF: Final = 0.5
_ALL: Final = slice(None)
FROM_BAD: Final = int(Reason.NO_FLOW)
_FROM_UNCERTAIN: Final = int(Reason.GOOD) + 1


def _limit(rule: AlarmRule) -> float:
    """What is met or not has its setpoint behind it already."""
    return _HALF if rule.setpoint is None or rule.kind.shape is Shape.MET else rule.setpoint


class Scale:
    """Setpoints and deadbands of all alarms as columns, ready to be held against values."""

    def __init__(self, rules: Sequence[AlarmRule]) -> None:
        def column(numbers: list[float]) -> Floats:
            return np.array(numbers, np.float64).reshape(-1, 1)

        self._off = np.array([rule.kind.shape is Shape.OFF for rule in rules], np.bool_)
        self._sign = column([_SIGN.get(rule.kind.shape, 1.0) for rule in rules])
        self._beyond = self._sign * column([_limit(rule) for rule in rules])
        self._within = self._beyond - column([0.0 if rule.kind.shape is Shape.MET else rule.deadband for rule in rules])
        unknown = [_FROM_UNCERTAIN if rule.kind.shape is Shape.LOST else FROM_BAD for rule in rules]
        self._unknown = np.array(unknown, np.uint8).reshape(-1, 1)
        clear = np.minimum(self._beyond, self._within)[:, 0].tolist()
        self._quick = list(zip(self._sign[:, 0].tolist(), clear, unknown, self._off.tolist(), strict=True))
        limits = (self._beyond[:, 0].tolist(), self._within[:, 0].tolist())
        self._lone = list(zip(self._sign[:, 0].tolist(), *limits, unknown, self._off.tolist(), strict=True))

    def is_clear(self, row: int, column: Column) -> bool:
        """Whether one alarm is clear in all scans of a block, told by the extremes of what it looks at."""
        sign, limit, unknown, either_side = self._quick[row]
        if column.codes.max() >= unknown:
            return False
        worst = sign * (column.values.min() if sign < 0.0 else column.values.max())
        if either_side:
            worst = max(worst, -column.values.min())
        return bool(worst <= limit)

    def region(self, row: int, value: float, code: int) -> int:
        """The region of one alarm at one scan: the same as ``regions``, on Python's own numbers."""
        sign, beyond, within, unknown, either_side = self._lone[row]
        if code >= unknown:
            return UNKNOWN
        turned = value * sign
        if either_side:
            turned = abs(turned)
        return int(turned > beyond) + int(turned > within)

    def regions(self, values: Floats, codes: Codes, rows: Sequence[int] | slice = _ALL) -> Regions:
        """[rows, n] regions of [rows, n] values and codes of some alarms, or of all.

        CLEAR, WITHIN and BEYOND count up, so they are a sum.
        """
        turned = values * self._sign[rows]
        off = self._off[rows]
        turned[off] = np.abs(turned[off])
        known = (turned > self._beyond[rows]).view(np.uint8) + (turned > self._within[rows]).view(np.uint8)
        return np.where(codes >= self._unknown[rows], np.uint8(UNKNOWN), known)
