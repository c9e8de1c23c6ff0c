"""Alarms that come from several signals together: one small function each, from columns to met or not.

Each gives [n] whether it is met and [n] the worst code of what it had to know; a bad one makes the condition unknown.
Where one signal alone already says that it is not met, nothing else needs to be known.
"""

from collections.abc import Callable, Mapping
from typing import Final

import numpy as np

from brakewater.alarms.catalogue import Shape
from brakewater.engine.lasting import NOWHERE, Mask
from brakewater.physics.uncertainty import COVERAGE
from brakewater.quality import Reason, alone, is_bad, is_good
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


def _return_restricted(rule: AlarmRule, brake: Brake, seen: Seen) -> Met:
    """Less comes back than goes in and than usual, and the level is above its usual: choked.

    While a larger inflow fills the brake, no less comes back than before; where the usual is not known, it counts as
    choked. So it does where the level's own signal is bad: nothing else would tell of a choke then.
    """
    met, codes = _restricted_by_level(rule, brake, seen)
    blind = is_bad(seen["brake-level"].codes)
    if not np.count_nonzero(blind):
        return met, codes
    balance = balance_of(seen)
    limit = rule.setpoint or 0.0
    less = (balance.values > limit) & _fallen(seen, limit)
    return np.where(blind, less, met), np.where(blind, balance.codes, codes)


def _restricted_by_level(rule: AlarmRule, _brake: Brake, seen: Seen) -> Met:
    """By the level; with its signal bad it is unknown. Versions before 0.3.0 knew no other way."""
    balance, rise = balance_of(seen), seen["level_rise_m"]
    limit = rule.setpoint or 0.0
    short = balance.values > limit
    return short & _fallen(seen, limit) & (rise.values > _RISEN_M), np.where(
        short, np.maximum(balance.codes, rise.codes), balance.codes
    )


def _fallen(seen: Seen, limit: float) -> Mask:
    drop = seen["return_drop_m3_s"]
    fallen: Mask = is_bad(drop.codes) | (drop.values > 0.5 * limit)
    return fallen


def _water_lost(rule: AlarmRule, brake: Brake, seen: Seen) -> Met:
    """Less comes back than goes in, the level does not rise, and no brake that ran dry fills again: it runs out."""
    met, codes = _lost_unless_higher(rule, brake, seen)
    if not np.count_nonzero(met):
        return met, codes
    return met & ~_fills(brake, seen), codes


def _lost_unless_higher(rule: AlarmRule, _brake: Brake, seen: Seen) -> Met:
    """As versions before 0.3.0 judged it: a brake that filled after every stop of the pump leaked by it."""
    balance, rise = balance_of(seen), seen["level_rise_m"]
    short = balance.values > (rule.setpoint or 0.0)
    return short & (rise.values <= _RISEN_M), np.where(short, np.maximum(balance.codes, rise.codes), balance.codes)


def _fills(brake: Brake, seen: Seen) -> Mask:
    """Where the level is below its usual and half of what is missing is seen to stay.

    Where the housing's area is not known, that it rises is enough.
    """
    rise, rate = seen["level_rise_m"], seen["level_rate_m_s"]
    fills: Mask = is_good(rise.codes) & (rise.values < -_RISEN_M) & is_good(rate.codes)
    if brake.housing_area is None:
        fills &= rate.values > _FILLS_M_S
    else:
        fills &= rate.values * brake.housing_area > _STAYS * balance_of(seen).values
    return fills


def _short_of(value: str, std: str, *, at_least: float = 0.0) -> Callable[[AlarmRule, Brake, Seen], Met]:
    """A quantity lies below the setpoint by more than its own uncertainty explains.

    Where it is negative in any case the brake would cool its water: sensors are exchanged or wrong, and what the brake
    does is not known. Other alarms tell of them.
    """

    def met(rule: AlarmRule, _brake: Brake, seen: Seen) -> Met:
        found, band = seen[value], seen[std]
        at_most = found.values + COVERAGE * band.values
        return (at_most >= at_least) & (at_most < (rule.setpoint or 0.0)), np.maximum(found.codes, band.codes)

    return met


def _rotor_hot_no_flow(rule: AlarmRule, brake: Brake, seen: Seen) -> Met:
    """No water that anybody could vouch for, and the rotor may be hot: its estimate, or that and its uncertainty.

    The condition is known while the estimate is: an unknown flow counts as none.
    """
    flow = seen["inlet-flow"]
    if len(flow.codes) == 1 and flow.codes.item() == 0 and flow.values.item() >= brake.wetting_flow:
        return NOWHERE, alone(Reason.GOOD)  # the same for a lone scan, only quicker
    dry = ~is_good(flow.codes) | (flow.values < brake.wetting_flow)
    if not np.count_nonzero(dry):
        return dry, np.zeros(len(dry), np.uint8)
    hot, codes = may_be_hot(rule.setpoint or 0.0, seen)
    return dry & hot, np.where(dry, codes, np.uint8(Reason.GOOD))


def hottest_of(seen: Seen) -> Column:
    """As hot as a rotor may be, degC: its estimate and its expanded uncertainty."""
    rotor, band = seen["rotor_temperature_degc"], seen["rotor_temperature_std_k"]
    return Column(values=rotor.values + COVERAGE * band.values, codes=np.maximum(rotor.codes, band.codes))


def may_be_hot(limit_degc: float, seen: Seen) -> Met:
    """Whether a rotor may be hotter than ``limit_degc``."""
    hottest = hottest_of(seen)
    return hottest.values > limit_degc, hottest.codes


_RISEN_M: Final = 0.005
"""Above sloshing's median; an assumption."""
_STAYS: Final = 0.5
"""Part of what is missing that a filling brake is seen to hold; an assumption."""
_FILLS_M_S: Final = 3e-4
"""Faster than the level rate's noise; an assumption."""
_SHARES: Final = {
    "heat-share-low": ("heat_share", "heat_share_std"),
    "brake-weakening": ("torque_index", "torque_index_std"),
}
"""What the brake carries of what it should, and its uncertainty."""
OF_BRAKE: Final[dict[str, Callable[[AlarmRule, Brake, Seen], Met]]] = {
    "brake-level-rising": _level_rising,
    "return-restricted": _return_restricted,
    "water-lost": _water_lost,
    **{alarm: _short_of(*of) for alarm, of in _SHARES.items()},
    "rotor-hot-no-flow": _rotor_hot_no_flow,
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


def of_brake(rig: Rig) -> Mapping[str, Callable[[AlarmRule, Brake, Seen], Met]]:
    """By alarm, as today's version judges it or the one that recorded the run did."""
    judges = dict(OF_BRAKE)
    if not rig.practice.sees_choke_blind:
        judges["return-restricted"] = _restricted_by_level
    if not rig.practice.knows_filling:
        judges["water-lost"] = _lost_unless_higher
    if not rig.practice.knows_negative:
        judges |= {alarm: _short_of(*of, at_least=-np.inf) for alarm, of in _SHARES.items()}
    return judges


FIGURES: Final[dict[str, Callable[[Seen], Column]]] = {
    "return-restricted": balance_of,
    "water-lost": balance_of,
    "rotor-hot-no-flow": hottest_of,
}
"""What their events show, where that is not their quantity as it stands: the figure that is held against the setpoint.
"""
OF_RIG: Final[dict[str, Callable[[Rig, Mapping[str, Column]], Met]]] = {"pump-stopped": pump_stopped}


def is_judged(rule: AlarmRule) -> bool:
    """Whether an alarm is one of these."""
    return rule.kind.shape is Shape.MET
