"""Heat carried off since the brake last went into service, as integer millijoules, with its standard uncertainty.

What each sensor may be off by stays the same over a trip, so its part of the energy is summed with its sign like the
energy itself, and the parts are put together at the end: errors do not average out over time. Integer sums are exact
however the stream is cut. Time that was not seen counts nothing, and makes the total doubtful.
"""

from typing import Any, Final

import numpy as np

from brakewater.engine.held import Held, whole
from brakewater.engine.seconds import BAD, GOOD, Groups
from brakewater.physics.balance import Circuit
from brakewater.physics.uncertainty import Spreads, heat_and_parts_w
from brakewater.quality import Reason
from brakewater.stream import Floats, Ints

_ROWS: Final = 5
"""Heat; its parts by flow, inlet and outlet; groups missed."""
_LONGEST_STEPS: Final = 3


class Energy:
    """Running totals of one brake."""

    def __init__(self, circuit: Circuit, spreads: Spreads, step_s: float) -> None:
        self._circuit, self._spreads = circuit, spreads
        self._step_ns = round(step_s * 1e9)
        self._totals = [0] * _ROWS
        self._last_ns: int | None = None
        self._served = True

    def feed(self, groups: Groups) -> tuple[dict[str, Held], Ints]:
        """``energy_j`` and ``energy_std_j`` after each of [m] groups, and [4, m] what each added, mJ.

        The heat of each group, W, is put among its ``means`` for those who come after.
        """
        added = self._added(groups)
        begins = self._begins(groups)
        sums = np.cumsum(added, axis=1)
        before: Ints = np.array(self._totals).reshape(-1, 1)
        if begins.any():
            at = np.maximum.accumulate(np.where(begins, np.arange(len(begins)), -1))
            before = np.where(at >= 0, (added - sums)[:, np.maximum(at, 0)], before)
        totals = sums + before
        self._totals = totals[:, -1].tolist()
        joules = totals / 1e3
        flow, inlet, outlet = joules[1:4]
        pair = (2.0 * self._spreads.correlation) * inlet * outlet
        std = np.sqrt(np.maximum(flow * flow + inlet * inlet + outlet * outlet + pair, 0.0))
        codes = np.where(totals[4] > 0, np.uint8(Reason.DOUBTFUL_BASIS), np.uint8(Reason.GOOD))
        return {"energy_j": Held(values=joules[0], codes=codes), "energy_std_j": Held(values=std, codes=codes)}, added[
            :4
        ]

    def _added(self, groups: Groups) -> Ints:
        before = groups.t_ns[0] - self._step_ns if self._last_ns is None else self._last_ns
        self._last_ns = int(groups.t_ns[-1])
        worst = groups.worst("flow", "inlet", "outlet")
        dt = groups.t_ns - np.concatenate(([before], groups.t_ns[:-1]))
        seen = (worst != BAD) & (dt <= _LONGEST_STEPS * self._step_ns)
        dry = (groups.grades["flow"] == GOOD) & (groups.means["flow"] < self._circuit.wetting_flow_m3_s)
        water = (groups.means["flow"], groups.means["inlet"], groups.means["outlet"])
        heat, parts = heat_and_parts_w(self._circuit, self._spreads, *water)
        groups.means["heat"] = np.where((worst != BAD) & ~dry, heat, 0.0)
        groups.grades["heat"] = worst
        rows: Floats = np.array([heat, parts.flow, parts.inlet, parts.outlet])
        counted = np.where(seen & ~dry, dt, 0) * 1e-6
        # In service without flow, heat leaves as steam or stays in the rotor: of that the water tells nothing.
        return np.concatenate((whole(rows * counted), [~seen | (dry & self._served_in(groups))]))

    @staticmethod
    def _served_in(groups: Groups) -> Any:
        """[m] whether the brake is in service; unknown counts as in service."""
        if "service" not in groups.means:
            return np.ones(len(groups.t_ns), np.bool_)
        return (groups.means["service"] >= 0.5) | (groups.grades["service"] != GOOD)

    def _begins(self, groups: Groups) -> Any:
        if "service" not in groups.means:
            return np.zeros(len(groups.t_ns), np.bool_)
        served = self._served_in(groups)
        before = np.concatenate(([self._served], served[:-1]))
        self._served = bool(served[-1])
        return served & ~before

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        last = None if self._last_ns is None else str(self._last_ns)
        return {"totals": [str(n) for n in self._totals], "last": last, "served": self._served}

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot."""
        self._totals = [int(n) for n in kept["totals"]]
        self._last_ns = None if kept["last"] is None else int(kept["last"])
        self._served = kept["served"]
