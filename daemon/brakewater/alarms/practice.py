"""How a run is carried out: as today's version does, or as the one that recorded it did.

A record must be replayed to the same alarms. What the engine came to do otherwise with a version is a field of
``Practice`` whose default is today's way; the row of that version in ``_BEFORE`` says how the versions before it did.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any, Final

from brakewater.alarms.grouping import ESCALATES


@dataclass(frozen=True, slots=True, kw_only=True)
class Practice:
    """What differs between versions."""

    escalates: frozenset[str] = ESCALATES
    """Alarms that sound although what they follow from was seen."""
    leads_too: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Alarm -> what it followed from besides the table of consequences."""
    tells_measured: bool = True
    """What came as unknown sounds again when it is measured."""
    doubts_contact: bool = True
    """An in-service contact is doubted while the brake is seen to work."""
    sees_choke_blind: bool = True
    """A choke is told by the two meters where the level's signal is bad."""
    knows_filling: bool = True
    """A brake that fills after a stop of the pump loses no water."""
    sums_times: bool = True
    """A signal or a device that fails for moments, often, is told of: a loose wire."""
    frees_followers: bool = True
    """Nothing follows any more from what is over."""
    hears_gateway: bool = True
    """A device is silent for which only a gateway answers, that it is not there."""
    doubts_meter: bool = True
    """An inlet meter is doubted that shows water which neither the pump sends nor the return gives back."""
    knows_negative: bool = True
    """A brake that seems to cool its water tells nothing of its torque: signals are wrong."""
    asks_flow: bool = True
    """No time to the outlet's limit is told while no water runs past its sensor."""
    keeps_rise: bool = True
    """Where another transmitter shows the level, water that stood too high is not taken for the usual level."""
    ahead_only: bool = True
    """That the inlet will be too warm is not announced any more once it is."""
    doubts_by_water: bool = True
    """An in-service contact is doubted by what stand after stand does to the water as well."""
    names_holder: bool = True
    """An alarm that several rows suppress by design is said to be for the basis of a row that holds."""
    keeps_use: bool = True
    """What a round has used up stays used up where its brake goes by another name and counts anew."""


_BEFORE: Final[tuple[tuple[tuple[int, ...], Mapping[str, Any]], ...]] = (
    (
        (0, 4),
        dict.fromkeys(
            (
                "sums_times",
                "frees_followers",
                "hears_gateway",
                "doubts_meter",
                "knows_negative",
                "asks_flow",
                "keeps_rise",
                "ahead_only",
                "doubts_by_water",
                "names_holder",
                "keeps_use",
            ),
            False,
        ),
    ),
    (
        (0, 3),
        {
            "escalates": ESCALATES - {"outlet-temperature-high"},
            "leads_too": {"outlet-rise-high": ("inlet-temperature-high",)},
            **dict.fromkeys(("tells_measured", "doubts_contact", "sees_choke_blind", "knows_filling"), False),
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
