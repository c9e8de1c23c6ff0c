"""What the hoist puts into the brake, and how much of it the eddy-current brake could take.

    duty = hook load * speed down * line efficiency          law = 2 T0 (I/I0)^2 w / (w/wc + wc/w)

The hook load as measured holds the string's inertia already, so changes of its speed are in the product; friction in
the lines helps when lowering, which the efficiency says; block and drum's own kinetic energy (a few kJ a stand,
against tens of MJ) is left out. At rest an eddy-current brake takes nothing: the friction brake holds.

Sources: torque over speed with its peak T0 at the critical speed wc: form after Wouterse, IEE Proc. B 138(4) 1991, from
memory; torque goes with the square of the exciting current below saturation and, at low speed, with 1/gap^2: common
practice, no published source. Line efficiencies from a textbook table, from memory: 0.874, 0.841, 0.810, 0.770, 0.740
for 6, 8, 10, 12, 14 lines.
"""

from dataclasses import dataclass

import numpy as np

from brakewater.stream import Floats

GRAVITY_M_S2 = 9.80665
STEEL_KG_M3 = 7850.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TorqueLaw:
    """Of one brake as new, at the rated air gap."""

    most_n_m: float
    critical_rad_s: float
    """Speed of the drum at which the torque peaks."""
    rated_a: float


def torque_n_m(law: TorqueLaw, turn_rad_s: Floats, current_a: Floats) -> Floats:
    """Torque the brake should give, N m; [m], 0 at rest."""
    x = np.abs(turn_rad_s) / law.critical_rad_s
    excitation = current_a / law.rated_a
    return 2.0 * law.most_n_m * (excitation * excitation) * (x / (x * x + 1.0))


def gap_factor(gap_m: float, rated_m: float) -> float:
    """Torque with an air gap as part of that with the rated one, at low speed and constant current."""
    return (rated_m / gap_m) * (rated_m / gap_m)


def duty_w(load_n: Floats, down_m_s: Floats, efficiency: float) -> Floats:
    """Power into the brakes, W; 0 when not going down."""
    return load_n * np.maximum(down_m_s, 0.0) * efficiency


def buoyancy(mud_kg_m3: float) -> float:
    """Part of a steel string's weight in air that hangs on the hook."""
    return 1.0 - mud_kg_m3 / STEEL_KG_M3


def stand_j(weight_n: float, length_m: float) -> float:
    """Potential energy that lowering a string of this buoyed weight by one stand sets free."""
    return weight_n * length_m
