"""What the outlet should show each second of what the hoist puts in: rotor, housing and thermowell as one chain.

The same balance that the estimate uses (``physics.rotor``), with the water in the housing as one stirred volume and the
thermometer's lag behind it. ``fit`` scales its parameters until the outlet comes out as recorded; ``contact`` asks what
contact between rotor and water a trip speaks for.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from brakewater.physics import fluid
from brakewater.physics.rotor import contact_w_k
from brakewater.rig import Brake
from brakewater.rig.rotor_model import rotor_model
from brakewater.stream import Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Series:
    """[n] each, ``step_s`` apart; SI."""

    duty: Floats
    flow: Floats
    inlet: Floats
    outlet: Floats
    level: Floats
    known: Any
    """[n] all of them are."""
    step_s: float = 1.0
    """About a second; not quite one where the rig's scan does not divide it."""


class OutletModel:
    """Of one brake over one series.

    Raises:
        ValueError: the rig file lacks the rotor.
    """

    def __init__(self, series: Series, brake: Brake) -> None:
        model = rotor_model(brake)
        if model is None:
            raise ValueError(f"brake {brake.name}: found no rotor in the rig file; allowed: one")
        self._rotor = model
        contact = contact_w_k(model, series.level, series.flow).tolist()
        held = fluid.held(brake.fluid, series.outlet)
        per_m3 = fluid.density_kg_m3(brake.fluid, held) * fluid.cp_j_kg_k(brake.fluid, held)
        water = np.maximum(per_m3 * (brake.housing_area or 0.0) * series.level, 1e4).tolist()
        carried = (per_m3 * np.maximum(series.flow, 0.0)).tolist()
        # the duty of a second is a mean about half a second before what is shown with it
        duty = 0.5 * (series.duty + np.concatenate((series.duty[1:], series.duty[-1:])))
        self._rows = list(zip(duty.tolist(), contact, water, carried, series.inlet.tolist(), strict=True))
        self._lag_s = max(brake.thermowell_lag / 1e9, 1e-3)
        self._start = float(series.outlet[0])
        self._half_s = 0.5 * series.step_s

    def run(self, share: Any, masses: Any = 1.0, lag: Any = 1.0, contact: Any = 1.0, through: float = 1.0) -> Floats:
        """[n] outlet as the thermometer would show it; [n, g] where a scale is [g].

        Args:
            share: part of the duty that goes into the rotor.
            masses: scale of both heat capacities.
            lag: scale of the thermometer's lag.
            contact: scale of the contact with the water.
            through: scale of what goes from the skin to the core.
        """
        rotor, lag_s = self._rotor, self._lag_s * lag
        skin = core = tank = shown = self._start + 0.0 * (share + masses + lag + contact)
        surface, iron, through = rotor.surface_j_k * masses, rotor.core_j_k * masses, rotor.through_w_k * through
        half_s = self._half_s
        by_skin, by_core, by_lag = half_s / surface, half_s / iron * through, half_s / lag_s
        found = []
        for power, touches, capacity, flow, inlet in self._rows:
            put_in, touch, by_water = share * power, contact * touches, half_s / capacity
            for _ in range(2):  # half a step at a time keeps the implicit steps close to the truth
                skin = (skin + by_skin * (put_in + touch * tank + through * core)) / (1.0 + by_skin * (touch + through))
                core = (core + by_core * skin) / (1.0 + by_core)
                tank = (tank + by_water * (touch * skin + flow * inlet)) / (1.0 + by_water * (touch + flow))
                shown = (shown + by_lag * tank) / (1.0 + by_lag)
            found.append(shown)
        return np.array(found)
