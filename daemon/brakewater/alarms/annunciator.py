"""Lamps and horn from alarm states: one table a sequence, one interpreter.

Theory of operation. A window shows what its sequence has for the state of each of its alarms, the most urgent of them
where several share it. ANSI/ISA-18.1 names the sequences by letters; their contents are from memory, A and M agreeing
with secondary extracts. What returns to normal only by hand (M, R) waits in the latched states of the life cycle, so a
lamp with such a sequence makes its alarms latch. All lock in: what came and went goes on flashing until acknowledged.

    A    automatic reset: goes out by itself once acknowledged and over
    M    manual reset: stays steady until reset
    R    ringback: once over it flashes slowly, with a tone of its own, until reset
    F1   first-out: later ones are steady, without a sound
    F2   first-out: later ones are steady, with the horn
    F3   first-out: the first flashes in a way of its own, later ones flash with the horn; acknowledged, the first
         flashes slowly until a reset, or until it is over

Silence is not acknowledgement: it stops the sound of what sounds now and leaves the lamps as they are; whatever comes
next sounds again. Colours by meaning after IEC 60073: red danger, act at once; yellow caution; green safe; blue
mandatory; white no meaning of its own.
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
    SLOW_FLASH = "slow-flash"
    FLASH = "flash"
    FIRST_FLASH = "first-flash"


class Sound(StrEnum):
    """What the horn does."""

    OFF = "off"
    RINGBACK = "ringback"
    ALARM = "alarm"


class Colour(StrEnum):
    """Of a lamp, by meaning (IEC 60073)."""

    RED = "red"
    YELLOW = "yellow"
    GREEN = "green"
    BLUE = "blue"
    WHITE = "white"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """One cell of a sequence."""

    aspect: Aspect
    sound: Sound


def _cell(aspect: Aspect, sound: Sound = Sound.OFF) -> Shown:
    return Shown(aspect=aspect, sound=sound)


_DARK, _SEEN, _NEW = _cell(Aspect.OFF), _cell(Aspect.STEADY), _cell(Aspect.FLASH, Sound.ALARM)
_SEEN_SOUNDING, _SLOW = _cell(Aspect.STEADY, Sound.ALARM), _cell(Aspect.SLOW_FLASH)
_RINGING, _FIRST = _cell(Aspect.SLOW_FLASH, Sound.RINGBACK), _cell(Aspect.FIRST_FLASH, Sound.ALARM)

Table = dict[State, tuple[Shown, Shown]]
"""State -> what the first-out shows, and what any other."""


def _table(new: Shown, later: Shown, first_seen: Shown = _SEEN, over: Shown = _SEEN) -> Table:
    """A whole sequence from the four cells in which they differ; ``over``: gone, seen, waits for a reset."""
    return {
        State.NORMAL: (_DARK, _DARK),
        State.UNACKNOWLEDGED: (new, later),
        State.ACKNOWLEDGED: (first_seen, _SEEN),
        State.RETURNED_UNACKNOWLEDGED: (new, later),
        State.LATCHED_UNACKNOWLEDGED: (new, later),
        State.LATCHED_ACKNOWLEDGED: (first_seen if first_seen is not _SEEN else over, over),
        State.SHELVED: (_DARK, _DARK),
        State.SUPPRESSED: (_DARK, _DARK),
        State.OUT_OF_SERVICE: (_DARK, _DARK),
    }


SEQUENCES: Final[dict[str, Table]] = {
    "A": _table(_NEW, _NEW),
    "M": _table(_NEW, _NEW),
    "R": _table(_NEW, _NEW, over=_RINGING),
    "F1A": _table(_NEW, _SEEN),
    "F1M": _table(_NEW, _SEEN),
    "F2A": _table(_NEW, _SEEN_SOUNDING),
    "F2M": _table(_NEW, _SEEN_SOUNDING),
    "F3A": _table(_FIRST, _NEW, first_seen=_SLOW),
    "F3M": _table(_FIRST, _NEW, first_seen=_SLOW),
}
BY_HAND: Final = frozenset({"M", "R", "F1M", "F2M", "F3M"})
"""Sequences that stay lit until reset: their alarms latch."""

WATCHING: Final = "watching"
"""The one lamp that is lit when all is well."""
READY: Final = "ready"
"""Lit before a trip when nothing stands in its way; dark with the brake in service, where alarms speak."""

_LAMPS, _SOUNDS = tuple(Aspect), tuple(Sound)


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What of an alarm its lamp and the horn need."""

    state: State
    first_out: bool = False
    silenced: bool = False


def cell(sequence: str, alarm: Seen) -> Shown:
    """The cell of a table."""
    return SEQUENCES[sequence][alarm.state][0 if alarm.first_out else 1]


def lamp(sequence: str, alarms: Iterable[Seen], *, test: bool = False) -> Aspect:
    """What a window shows that several alarms share: the most urgent of theirs; under lamp test steady at least."""
    least = Aspect.STEADY if test else Aspect.OFF
    return max((least, *(cell(sequence, alarm).aspect for alarm in alarms)), key=_LAMPS.index)


def horn(shown: Iterable[tuple[str, Seen]], *, test: bool = False) -> Sound:
    """What the horn does for all alarms together, each with its sequence; what was silenced makes no sound."""
    sounds = [cell(sequence, alarm).sound for sequence, alarm in shown if not alarm.silenced]
    return max((Sound.ALARM if test else Sound.OFF, *sounds), key=_SOUNDS.index)
