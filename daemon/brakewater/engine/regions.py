"""Into which region of its alarm each scan falls: one function a shape."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from brakewater.alarms.catalogue import Shape
from brakewater.alarms.condition import BEYOND, CLEAR, UNKNOWN, WITHIN, Regions
from brakewater.quality import Reason, is_bad, is_good
from brakewater.rig import AlarmRule
from brakewater.stream import Column

Mask = NDArray[np.bool_]

_CLEAR, _WITHIN, _BEYOND, _UNKNOWN = (np.uint8(code) for code in (CLEAR, WITHIN, BEYOND, UNKNOWN))
_NOT_THE_SIGNALS: Final = (Reason.NO_FLOW, Reason.AT_LIMIT)
"""Bad for what it says about the water, not for anything wrong with the signal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """What an alarm looks at over a block."""

    column: Column
    """The quantity; for a device, its points' worst code with no value."""
    silent: Mask | None
    """[n] whether the device behind it is silent as a whole; None where that plays no part."""
    gate: Mask | None
    """[n] whether the brake is watched; None for alarms without a gate."""


def regions(rule: AlarmRule, seen: Watched) -> Regions:
    """[n] regions of one alarm."""
    found = _by_shape(rule, seen)
    return found if seen.gate is None else np.where(seen.gate, found, _CLEAR)


def _by_shape(rule: AlarmRule, seen: Watched) -> Regions:
    values, codes = seen.column.values, seen.column.codes
    setpoint, deadband = rule.setpoint or 0.0, rule.deadband
    match rule.kind.shape:
        case Shape.HIGH:
            return _ranked(values > setpoint, values > setpoint - deadband, is_bad(codes))
        case Shape.LOW:
            return _ranked(values < setpoint, values < setpoint + deadband, is_bad(codes))
        case Shape.LOST:
            return _ranked(values < setpoint, values < setpoint + deadband, ~is_good(codes))
        case Shape.DOWN:
            return _ranked(values == 0.0, values == 0.0, is_bad(codes))
        case Shape.BAD:
            bad = is_bad(codes)
            for reason in _NOT_THE_SIGNALS:
                bad &= codes != reason
            return _ranked(bad, bad, _or_none(seen.silent, values))
        case Shape.SILENT:
            silent = _or_none(seen.silent, values)
            return _ranked(silent, silent, np.zeros_like(silent))


def _or_none(mask: Mask | None, like: NDArray[np.float64]) -> Mask:
    return np.zeros(len(like), np.bool_) if mask is None else mask


def _ranked(beyond: Mask, within: Mask, unknown: Mask) -> Regions:
    return np.where(unknown, _UNKNOWN, np.where(beyond, _BEYOND, np.where(within, _WITHIN, _CLEAR)))
