"""What is meant to be done on a trip, and how far each cause of what comes of it is known."""

from dataclasses import dataclass
from math import isfinite
from typing import Final

from brakewater.physics.fluid import Fluid
from brakewater.physics.rotor import RotorModel

LONGEST_S: Final = 86_400.0
"""Nobody plans further than a day."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is meant to be done, and with which water; SI."""

    load_first_n: float
    """What hangs on the hook with the first stand, block and all."""
    load_last_n: float
    stands: int
    stand_m: float
    lowering_m_s: float
    """Mean over the stand."""
    cycle_s: float
    """From stand to stand."""
    efficiency: float
    """Of the lines: friction that helps when lowering."""
    share: float
    """Part of what is left that the brake takes; the friction brake has the rest."""
    flow_m3_s: float
    tank_degc: float
    ambient_degc: float
    tank_m3: float
    loss_w_k: float
    other_w: float
    """What others put into the tank."""
    housing_m3: float
    kind: Fluid
    rotor: RotorModel | None
    """None: what is put in is in the water at once."""

    def __post_init__(self) -> None:
        positive = ("load_first_n", "load_last_n", "stands", "stand_m", "lowering_m_s", "flow_m3_s", "tank_m3")
        for name in (*positive, "efficiency", "share", "housing_m3"):
            value = getattr(self, name)
            if not (isfinite(value) and value > 0.0):
                raise ValueError(f"{name}: found {value}; allowed: above 0")
        if self.stand_m / self.lowering_m_s > self.cycle_s:
            raise ValueError(
                f"pace: found {3600 / self.cycle_s:.3g} stands an hour; allowed: at most "
                f"{3600 * self.lowering_m_s / self.stand_m:.3g} at this lowering speed, with no time for the next stand"
            )
        if self.stands * self.cycle_s > LONGEST_S:
            raise ValueError(f"length: found {self.stands * self.cycle_s / 3600:.1f} h; allowed: up to a day")


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """Standard uncertainties, relative unless their name ends in a unit."""

    load: float
    efficiency: float
    share: float
    flow: float
    water_k: float
    ambient_k: float
    content: float
    """Of what the tank holds."""
    loss: float
    other: float
    model: float
    """Of the rotor: its masses together, and its contact with the water."""
