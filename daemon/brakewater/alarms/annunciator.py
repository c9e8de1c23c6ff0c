"""Lamps and horn from alarm states: one table a sequence, one interpreter.

Sequence A of ANSI/ISA-18.1 (automatic reset; from memory, agreeing with secondary extracts): a new alarm locks in and
flashes with the horn until acknowledged, then stays steady while its condition holds, and goes out by itself.
Colours by meaning after IEC 60073.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from brakewater.alarms.lifecycle import State


class Aspect(StrEnum):
    """What a lamp does; who shows it does the flashing."""

    OFF = "off"
    STEADY = "steady"
    FLASH = "flash"


class Sound(StrEnum):
    """What the horn does."""

    OFF = "off"
    ALARM = "alarm"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """One row of a sequence."""

    aspect: Aspect
    sound: Sound


_NEW = Shown(aspect=Aspect.FLASH, sound=Sound.ALARM)
_SEEN = Shown(aspect=Aspect.STEADY, sound=Sound.OFF)
_DARK = Shown(aspect=Aspect.OFF, sound=Sound.OFF)

SEQUENCE_A: Final = {
    State.NORMAL: _DARK,
    State.UNACKNOWLEDGED: _NEW,
    State.ACKNOWLEDGED: _SEEN,
    State.RETURNED_UNACKNOWLEDGED: _NEW,
    State.LATCHED_UNACKNOWLEDGED: _NEW,
    State.LATCHED_ACKNOWLEDGED: _SEEN,
}

WATCHING: Final = "watching"
"""The one lamp that is lit when all is well."""

_RANK = (Aspect.OFF, Aspect.STEADY, Aspect.FLASH)


def lamp(states: Iterable[State]) -> Aspect:
    """What a window shows that several alarms share: the most urgent of theirs."""
    return max((SEQUENCE_A[state].aspect for state in states), key=_RANK.index, default=Aspect.OFF)


def horn(states: Iterable[State]) -> Sound:
    """What the horn does for all alarms together."""
    return Sound.ALARM if any(SEQUENCE_A[state].sound is Sound.ALARM for state in states) else Sound.OFF
