"""What torque the brake can give, and what current its driller has it take.

    T = 2 Tmax (I / Imax)^2 (gap0 / gap)^2 / (x + 1/x),   x = drum speed / critical speed

The form over speed is Wouterse's (1991, IEE Proc. B 138(4) 153, from memory); the square of the current holds below
saturation, the square of the gap for iron without it. A hot rotor conducts less, which raises its critical speed. The
driller takes as much current as the load asks for; where Imax is not enough, the friction brake carries the rest.
Torque, speed and coil are invented for the demonstration.
"""

from dataclasses import dataclass

COPPER_1_K = 3.93e-3
"""Temperature coefficient of copper at 20 degC, from memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExciteSizes:
    """Sizes of torque and coil."""

    torque_nm: float = 78_000.0
    """At the most current, the critical speed and the gap as built."""
    critical_rad_s: float = 15.0
    """Drum speed of the most torque, rotor at 20 degC; 143 rpm."""
    resistivity_1_k: float = 4.0e-3
    """How the rotor's resistance, and with it the critical speed, grows with temperature."""
    most_a: float = 75.0
    coil_ohm: float = 1.75
    """At 20 degC."""
    warmer_k: float = 60.0
    """How far the coil stands over the water at the most current."""

    @property
    def hot_ohm(self) -> float:
        """Of the coil at the most current, in water of 40 degC."""
        return self.coil_ohm * (1.0 + COPPER_1_K * (self.warmer_k + 20.0))


def most_w(sizes: ExciteSizes, drum_rad_s: float, gap: float, excitation: float) -> float:
    """Twice the power in W at the critical torque: what ``slope`` divides by (x + 1/x) for the rotor's temperature.

    Args:
        sizes: of the brake.
        drum_rad_s: drum speed.
        gap: air gap as a multiple of the one as built.
        excitation: part of the most current that the exciter still gives.
    """
    part = excitation / gap
    return 2.0 * sizes.torque_nm * part * part * drum_rad_s


def coil_v(sizes: ExciteSizes, current_a: float, water_degc: float) -> float:
    """Voltage across the coil in V."""
    part = current_a / sizes.most_a
    warmer = water_degc + sizes.warmer_k * part * part - 20.0
    return current_a * sizes.coil_ohm * (1.0 + COPPER_1_K * warmer)
