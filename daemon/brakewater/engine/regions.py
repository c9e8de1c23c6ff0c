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
from brakewater.stream import Codes, Floats

_SIGN: Final = {Shape.LOW: -1.0, Shape.LOST: -1.0, Shape.DOWN: -1.0}
_HALF: Final = 0.5
_FROM_BAD: Final = int(Reason.NO_FLOW)
_FROM_UNCERTAIN: Final = int(Reason.GOOD) + 1


def _limit(rule: AlarmRule) -> float:
    """What is met or not has its setpoint behind it already."""
    return _HALF if rule.setpoint is None or rule.kind.shape is Shape.MET else rule.setpoint


class Scale:
    """Setpoints and deadbands of all alarms as columns, ready to be held against values."""

    def __init__(self, rules: Sequence[AlarmRule]) -> None:
        def column(numbers: list[float]) -> Floats:
            return np.array(numbers, np.float64).reshape(-1, 1)

        self._off = np.array([at for at, rule in enumerate(rules) if rule.kind.shape is Shape.OFF], np.intp)
        self._sign = column([_SIGN.get(rule.kind.shape, 1.0) for rule in rules])
        self._beyond = self._sign * column([_limit(rule) for rule in rules])
        self._within = self._beyond - column([0.0 if rule.kind.shape is Shape.MET else rule.deadband for rule in rules])
        unknown = [_FROM_UNCERTAIN if rule.kind.shape is Shape.LOST else _FROM_BAD for rule in rules]
        self._unknown = np.array(unknown, np.uint8).reshape(-1, 1)

    def regions(self, values: Floats, codes: Codes) -> Regions:
        """[alarms, n] regions of [alarms, n] values and codes. CLEAR, WITHIN and BEYOND count up, so they are a sum."""
        turned = values * self._sign
        turned[self._off] = np.abs(turned[self._off])
        known = (turned > self._beyond).view(np.uint8) + (turned > self._within).view(np.uint8)
        return np.where(codes >= self._unknown, np.uint8(UNKNOWN), known)
