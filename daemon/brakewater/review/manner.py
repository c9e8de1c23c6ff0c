"""In which language, units and zone a report or sheet is written."""

from dataclasses import dataclass, replace
from typing import Final

from brakewater.errors import ArgumentError
from brakewater.rig import Rig
from brakewater.units import CREW_UNITS
from brakewater.wording import LANGUAGES, Wording


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """English and the rig file's units, unless said otherwise."""

    code: str = "en"
    """ISO 639-1, of ``wording.LANGUAGES``."""
    units: str | None = None
    """A key of ``units.CREW_UNITS``; None for the rig file's."""

    zone: str = "UTC"
    """In which times are told."""

    @property
    def words(self) -> Wording:
        """The language."""
        return LANGUAGES[self.code]

    def rig(self, rig: Rig) -> Rig:
        """The rig in these units."""
        return rig if self.units is None else replace(rig, units=self.units)


PLAIN: Final = Manner()


def manner_of(rig: Rig, code: str | None = None, units: str | None = None) -> Manner:
    """As asked for, else as the rig file says.

    Raises:
        ArgumentError: there is no such language.
    """
    chosen = code or (rig.panel.language if rig.panel else "en")
    if chosen not in LANGUAGES:
        raise ArgumentError(f"--lang {chosen}; allowed: {', '.join(LANGUAGES)}")
    return Manner(code=chosen, units=units if units in CREW_UNITS else None, zone=rig.time_zone)
