"""What is wrong with the plant at one moment, as numbers that the plant's law takes.

Every item is a *part* lost (0 sound, 1 gone), a *factor* (1 sound) or something *added* (0 sound). Two faults on one
item add up: parts as chances do, factors by multiplying, the rest by adding.
"""

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from brakewater_sim.profile import Profile


class Health(NamedTuple):
    """All sound by default."""

    blockage: float = 0.0
    """Blocked part of the return hose."""
    strainer: float = 0.0
    """Blocked part of the suction strainer."""
    filter: float = 0.0
    """Blocked part of the filter."""
    wear: float = 0.0
    """Part of the pump's head that is lost."""
    air: float = 0.0
    """Air in the line: part of the pump's pull that comes and goes."""
    supply_leak: float = 0.0
    """Part of the metered supply that never reaches the brake."""
    valve: float = 1.0
    """Resistance of the supply line as a multiple of its own."""
    gap: float = 1.0
    """Air gap as a multiple of the one as built."""
    excitation: float = 1.0
    """Part of the most coil current that there is."""
    cooler: float = 1.0
    """Heat loss of the tank as a multiple of its own."""
    scale_m: float = 0.0
    """Thickness of scale on the rotor."""
    tank_leak_m3_s: float = 0.0


SOUND = Health()
FACTORS = frozenset({"valve", "gap", "excitation", "cooler"})
ADDED = frozenset({"scale_m", "tank_leak_m3_s"})

Conditions = Mapping[str, tuple[Profile, ...]]


def health(conditions: Conditions, t: float) -> Health:
    """The plant's health at ``t`` s."""
    return SOUND._replace(**{item: _joined(item, [one.value(t) for one in acts]) for item, acts in conditions.items()})


def _joined(item: str, values: Iterable[float]) -> float:
    if item in ADDED:
        return sum(values)
    found = 1.0
    for value in values:
        found *= value if item in FACTORS else 1.0 - value
    return found if item in FACTORS else 1.0 - found
