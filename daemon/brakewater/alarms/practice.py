"""How a run is carried out: as today's version does, or as the one that recorded it did.

A record must be replayed to the same alarms. What the engine came to do otherwise with a version is a field of
``Practice`` whose default is today's way; the row of that version in ``_BEFORE`` says how the versions before it did.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from types import MappingProxyType
from typing import Any, Final

from brakewater.alarms.grouping import ESCALATES

_NONE: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True)
class Practice:
    """What differs between versions."""

    escalates: frozenset[str] = ESCALATES
    """Alarms that sound although what they follow from was seen."""
    leads_too: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: _NONE)
    """Alarm -> what it followed from besides the table of consequences."""
    tells_measured: bool = True
    """What came as unknown sounds again when it is measured."""
    doubts_contact: bool = True
    """An in-service contact is doubted while the brake is seen to work."""
    sees_choke_blind: bool = True
    """A choke is told by the two meters where the level's signal is bad."""
    knows_filling: bool = True
    """A brake that fills after a stop of the pump loses no water."""


_BEFORE: Final[tuple[tuple[tuple[int, ...], Mapping[str, Any]], ...]] = (
    (
        (0, 3),
        {
            "escalates": ESCALATES - {"outlet-temperature-high"},
            "leads_too": MappingProxyType({"outlet-rise-high": ("inlet-temperature-high",)}),
            "tells_measured": False,
            "doubts_contact": False,
            "sees_choke_blind": False,
            "knows_filling": False,
        },
    ),
)
"""Version -> how those before it did; the newest first."""


@cache
def practice_of(recorded_by: tuple[int, ...] | None) -> Practice:
    """Of the version that recorded a run; None: today's."""
    practice = Practice()
    for version, differs in _BEFORE:
        if recorded_by is not None and recorded_by < version:
            practice = replace(practice, **differs)
    return practice
