"""Heat without the thermowell's lag, from the same water at inlet and outlet, and what the housing's water stores.

Once a second, four seconds late (``physics.lag``). What leaves the brake came in a residence time before; the inlet is
taken from where the volume that has flowed since fills the housing. Where the rig file does not give the housing's area
inlet and outlet are taken at one time, and nothing is known of what the water stores.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from brakewater.engine.held import Held, graded, whole, within
from brakewater.engine.seconds import BAD, Grades, Groups
from brakewater.engine.tail import Tail
from brakewater.physics import balance, fluid
from brakewater.physics.balance import Circuit
from brakewater.physics.lag import DELAY, POINTS, recovered, recovery
from brakewater.stream import Floats

_BACK: Final = POINTS - 1
_MOST_W: Final = 1e8
_LONGEST_S: Final = 120
"""Of residence: 165 L at a third of 75 gal/min."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recovered:
    """[m] each, at the middle of a window."""

    heat_w: Held
    to_water_w: Floats
    """Heat from the rotor: carried off and stored in the housing's water."""
    rise_k: Floats
    """Of the outlet over the same water's inlet."""
    grades: Grades


class LagFree:
    """Of one brake."""

    def __init__(self, circuit: Circuit, lag_s: float, step_s: float, area_m2: float | None) -> None:
        self._circuit, self._step_s, self._area = circuit, step_s, area_m2
        self._recovery = recovery(lag_s, step_s)
        self._tail = Tail(_BACK, 0.0, 0.0, 0.0, 0.0, float(BAD))
        self._longest = round(_LONGEST_S / step_s)
        self._past = Tail(self._longest + DELAY, 0.0, 0.0, float(BAD))
        self._volume_ul = 0

    def feed(self, groups: Groups) -> Recovered:
        """What the groups' windows give."""
        m = len(groups.t_ns)
        means = groups.means
        worst = groups.worst("flow", "inlet", "outlet", "level").astype(np.float64)
        flow, _, outlet, level, grades = self._tail.extended(
            means["flow"], means["inlet"], means["outlet"], means["level"], worst
        )
        middle = slice(DELAY, DELAY + m)
        worst_of_window = grades[:m]
        for at in range(1, POINTS):
            worst_of_window = np.maximum(worst_of_window, grades[at : at + m])
        at_outlet, rate = recovered(outlet, self._recovery)
        at_inlet, of_inlet = self._same_water(groups, flow[middle], level[middle])
        heat = balance.heat(self._circuit, flow[middle], at_inlet, at_outlet)
        dry = flow[middle] < self._circuit.wetting_flow_m3_s
        worst_of_all = np.where(dry, BAD, np.maximum(worst_of_window, of_inlet)).astype(np.uint8)
        held = fluid.held(self._circuit.fluid, at_outlet)
        capacity = fluid.density_kg_m3(self._circuit.fluid, held) * fluid.cp_j_kg_k(self._circuit.fluid, held)
        stored = capacity * ((self._area or 0.0) * level[middle]) * rate
        to_water = within(heat + stored, -_MOST_W, _MOST_W)
        return Recovered(
            heat_w=graded(heat, worst_of_all), to_water_w=to_water, rise_k=at_outlet - at_inlet, grades=worst_of_all
        )

    def _same_water(self, groups: Groups, flow: Floats, level: Floats) -> tuple[Floats, Floats]:
        """Inlet temperature and grade of the water that stands at the outlet, at the middle of each window."""
        m = len(groups.t_ns)
        passed = whole(groups.means["flow"] * (self._step_s * 1e9))
        volume = np.cumsum(passed) + self._volume_ul
        self._volume_ul = int(volume[-1])
        inlet, volumes, grades = self._past.extended(
            groups.means["inlet"], volume.astype(np.float64), groups.grades["inlet"].astype(np.float64)
        )
        now = np.arange(len(inlet) - m - DELAY, len(inlet) - DELAY)
        if self._area is None:
            return inlet[now], grades[now]
        came = np.searchsorted(volumes, volumes[now] - np.rint(self._area * level * 1e9))
        # No further back than a single new group would see, so that it is the same however the stream is cut.
        at = np.where((came <= now - self._longest) | (flow <= 0.0), now, np.minimum(came, now))
        return inlet[at], grades[at]

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {"tail": self._tail.state(), "past": self._past.state(), "volume": str(self._volume_ul)}

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot."""
        self._tail.restore(kept["tail"])
        self._past.restore(kept["past"])
        self._volume_ul = int(kept["volume"])
