"""An incident, and what the watch made of it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class Incident:
    """What is played."""

    number: int
    cause: str
    severity: float
    at_s: float
    role: str
    brake: str
    text: str
    """As a scenario file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What the watch made of an incident."""

    incident: Incident
    early: tuple[str, ...]
    """Alarms before anything was wrong."""
    lead: str
    """First alarm after it began; empty: none."""
    accepted: bool
    after_s: float
    limit: str
    """First limit passed; empty: none."""
    lead_time_s: float | None
    """From the first accepted alarm to that limit."""
    wanted_s: float
    """Time to respond of that alarm."""
    passed: Mapping[str, float] = field(default_factory=dict)
    """The worst that the plant came to after it began, by quantity of ``WORST``."""


WORST: dict[str, Callable[[float, float], float]] = {
    "inlet-temperature": max, "outlet-temperature": max, "rotor": max, "brake-level": max, "tank-level": min,
    "inlet-flow": min, "supply-pressure": min, "return-flow": min,
}  # fmt: skip
"""Quantity of the plant -> which of two values is the worse."""


def plain(alarm: str) -> str:
    """A signal's or device's alarm without its subject."""
    return alarm.partition(":")[0]
