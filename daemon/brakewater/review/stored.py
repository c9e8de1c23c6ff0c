"""What rotor and housing of a brake hold at two moments: heat put in that has not been carried off, or was from before.

The skin's temperature is the watch's estimate; the iron behind follows it by ``C dT/dt = K (T_skin - T)``, as in
``physics.rotor``, from the record's begin on, where it is taken to be as warm as the skin. The water in the housing is
as warm as the outlet.
"""

from dataclasses import dataclass
from math import sqrt
from typing import Final

import numpy as np

from brakewater.physics import fluid
from brakewater.physics.rotor import CORE_STD_K
from brakewater.review.samples import Samples
from brakewater.rig import Brake
from brakewater.stream import Floats

TO_AIR: Final = 0.03
"""Of what is put in, so much at most goes from rotor and housing into the air; an assumption. Taken as rectangular."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Held:
    """[n] each, as the samples: J over 0 degC, and of the core's part what is not known, J."""

    skin_j: Floats
    core_j: Floats
    water_j: Floats
    begun_j: Floats
    """Standard uncertainty of the core's by what it was when the record began."""
    accuracy: float
    """Relative standard uncertainty of the rotor's masses."""

    def grown(self, first: int, last: int) -> tuple[float, float]:
        """What is held more at ``last`` than at ``first``, J, and its standard uncertainty."""
        of_rotor = float(self.skin_j[last] - self.skin_j[first] + self.core_j[last] - self.core_j[first])
        of_water = float(self.water_j[last] - self.water_j[first])
        begun = float(self.begun_j[first] - self.begun_j[last])
        std = sqrt((self.accuracy * of_rotor) ** 2 + begun**2 + (0.1 * of_water) ** 2)
        return of_rotor + of_water, std


def held(brake: Brake, samples: Samples) -> Held | None:
    """What the brake holds at each sample; None where the rig file has no rotor, or nothing is known of it."""
    rotor, skin = brake.rotor, _filled(samples.values["rotor_degc"])
    outlet = _filled(samples.values["outlet_degc"])
    if rotor is None or skin is None or outlet is None:
        return None
    dt = np.diff(samples.t_ns, prepend=samples.t_ns[:1]) / 1e9
    core = left = 0.0
    cores, lefts = [], []
    by_core = rotor.through / rotor.core
    for at, (warm, seconds) in enumerate(zip(skin.tolist(), dt.tolist(), strict=True)):
        k = seconds * by_core
        core, left = (warm, CORE_STD_K) if at == 0 else ((core + k * warm) / (1.0 + k), left / (1.0 + k))
        cores.append(core)
        lefts.append(left)
    level = samples.values["level_m"]
    water_m3 = (brake.housing_area or 0.0) * float(np.nanmedian(level)) if np.isfinite(level).any() else 0.0
    at_inlet = np.array([brake.inlet_limit])
    per_m3 = float((fluid.density_kg_m3(brake.fluid, at_inlet) * fluid.cp_j_kg_k(brake.fluid, at_inlet))[0])
    return Held(
        skin_j=rotor.surface * skin, core_j=rotor.core * np.array(cores), water_j=per_m3 * water_m3 * outlet,
        begun_j=rotor.core * np.array(lefts), accuracy=rotor.accuracy / sqrt(3.0),
    )  # fmt: skip


def _filled(values: Floats) -> Floats | None:
    """Unknown values as they last were, or first are; None where there is none at all."""
    known = np.flatnonzero(np.isfinite(values))
    if not len(known):
        return None
    at = np.maximum.accumulate(np.where(np.isfinite(values), np.arange(len(values)), known[0]))
    found: Floats = values[at]
    return found
