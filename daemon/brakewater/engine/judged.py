"""Alarms that come from several signals together: one small function each, from columns to met or not.

Each gives [n] whether it is met and [n] the worst code of what it had to know; a bad one makes the condition unknown.
Where one signal alone already says that it is not met, nothing else needs to be known.
"""

from collections.abc import Callable, Mapping
from typing import Final

import numpy as np

from brakewater.alarms.catalogue import Shape
from brakewater.quality import is_bad, is_good
from brakewater.rig import AlarmRule, Brake, Rig
from brakewater.stream import Codes, Column

Seen = Mapping[str, Column]
"""By role or derived quantity."""
Met = tuple[np.ndarray[tuple[int], np.dtype[np.bool_]], Codes]


def _level_rising(_rule: AlarmRule, _brake: Brake, seen: Seen) -> Met:
    column = seen["level_rising"]
    return column.values > 0.0, column.codes


def balance_of(seen: Seen) -> Column:
    """What goes in less what comes back, m3/s."""
    into, back = seen["inlet-flow"], seen["return-flow"]
    codes = np.maximum(into.codes, back.codes)
    with np.errstate(over="ignore"):
        values = into.values - back.values
    return Column(values=np.where(is_bad(codes), 0.0, values), codes=codes)


def _return_restricted(rule: AlarmRule, _brake: Brake, seen: Seen) -> Met:
    """Less comes back than goes in, and the level is above its usual: choked. A rising inflow comes back as well."""
    balance, rise = balance_of(seen), seen["level_rise_m"]
    short = balance.values > (rule.setpoint or 0.0)
    return short & (rise.values > _RISEN_M), np.where(short, np.maximum(balance.codes, rise.codes), balance.codes)


def _water_lost(rule: AlarmRule, _brake: Brake, seen: Seen) -> Met:
    """Less comes back than goes in, and the level does not rise: it runs out somewhere."""
    balance, rise = balance_of(seen), seen["level_rise_m"]
    short = balance.values > (rule.setpoint or 0.0)
    return short & (rise.values <= _RISEN_M), np.where(short, np.maximum(balance.codes, rise.codes), balance.codes)


_RISEN_M: Final = 0.005
"""Above sloshing's median; an assumption."""
OF_BRAKE: Final[dict[str, Callable[[AlarmRule, Brake, Seen], Met]]] = {
    "brake-level-rising": _level_rising,
    "return-restricted": _return_restricted,
    "water-lost": _water_lost,
}


def pump_stopped(rig: Rig, readings: Mapping[str, Column]) -> Met:
    """Not running, and not switched off where that is known. Unknown running is unknown."""
    running = rig.role("pump-running")
    assert running is not None
    column = readings[running.name]
    met = column.values == 0.0
    commanded = rig.role("pump-commanded")
    if commanded is not None:
        order = readings[commanded.name]
        met &= ~(is_good(order.codes) & (order.values == 0.0))
    return met, column.codes


OF_RIG: Final[dict[str, Callable[[Rig, Mapping[str, Column]], Met]]] = {"pump-stopped": pump_stopped}


def is_judged(rule: AlarmRule) -> bool:
    """Whether an alarm is one of these."""
    return rule.kind.shape is Shape.MET
