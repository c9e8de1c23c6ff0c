"""The tank: 200 bbl, well mixed, losing heat to the air.

    C dT/dt = Q - UA (T - T_ambient),  C = mass x heat capacity

UA is that of a tank with a spray return, invented so that a whole trip in stays below the inlet limit on a mild day.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class TankSizes:
    """Sizes of the tank."""

    volume_m3: float = 31.7974589856
    """200 bbl of 42 US gal, full."""
    height_m: float = 2.4
    """Level when full."""
    ambient_w_k: float = 6000.0

    @property
    def area_m2(self) -> float:
        """Water surface."""
        return self.volume_m3 / self.height_m
