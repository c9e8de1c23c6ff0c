"""What the leads of a resistance thermometer add to its ohms, and how to take it off.

Two wires: both leads stand in the reading, so it is always too hot. Three wires: the bridge takes one lead off the
other, and only their difference stays. Four wires: nothing stays.

Sources: the order of the errors, four, three, two wires, is that of instrumentationtools.com; copper's +0.393 % a
kelvin at 20 degC is from memory.
"""

from dataclasses import dataclass
from typing import Final

from brakewater.signals import require

COPPER_PER_K: Final = 0.00393
"""Rise of copper's resistance a kelvin, as a share of that at 20 degC; from memory."""
_REFERENCE_DEGC: Final = 20.0
_COLDEST_DEGC, _HOTTEST_DEGC = -50.0, 150.0  # as far as one coefficient and a cable's insulation go
_MOST_OHMS: Final = {2: 100.0, 3: 5.0, 4: 0.0}
_LEAST_OHMS: Final = {2: 0.0, 3: -5.0, 4: 0.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Leads:
    """Leads of one thermometer."""

    wires: int
    """2, 3 or 4, as the card reads it."""
    ohms: float = 0.0
    """What stands in the reading and is taken off. Two wires: both leads together, there and back, as an ohmmeter shows
    it with the sensor bridged. Three wires: what is left by leads that differ, of either sign. Four wires: 0."""

    def __post_init__(self) -> None:
        if self.wires not in _MOST_OHMS:
            raise ValueError(f"wires: found {self.wires}; allowed: 2, 3 or 4; count the leads at the card")
        least, most = _LEAST_OHMS[self.wires], _MOST_OHMS[self.wires]
        require.between("ohms", self.ohms, least, most, f"what {self.wires} wires leave in the reading")

    @property
    def ohms_offset(self) -> float:
        """What to add to the ohms read: the ``ohms_offset`` of a ``Pt100``."""
        return -self.ohms if self.ohms else 0.0


def copper_ohms(length_m: float, ohms_per_m_at_20: float, t_degc: float) -> float:
    """Resistance in ohm of one copper lead, one way: twice this stands in a two-wire reading.

    Args:
        length_m: from card to sensor.
        ohms_per_m_at_20: of the wire at 20 degC, 0.02095 for 18 AWG (from memory).
        t_degc: the lead's own temperature, -50 to 150.

    Raises:
        ValueError: a number makes no sense.
    """
    require.above_zero("length_m", length_m, "from card to sensor, one way")
    require.above_zero("ohms_per_m_at_20", ohms_per_m_at_20, "ohms a metre, not a kilometre; see the wire's table")
    require.between("t_degc", t_degc, _COLDEST_DEGC, _HOTTEST_DEGC, "the lead's own temperature")
    return length_m * ohms_per_m_at_20 * (1.0 + COPPER_PER_K * (t_degc - _REFERENCE_DEGC))
