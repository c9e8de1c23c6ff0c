"""What really happened in a scenario, for tests that hold findings against it: the trips as they were.

A trip runs from the end of the rest before it, where the block moves to its first stand, until its last one has landed.
Heat is that which the brake took and its coil made, from the plant's own ledger; ``most_asked_w`` is what the load
asked of the brake at most, also where it could not give it.
"""

from typing import Any

from brakewater_sim.hoist import HoistSizes
from brakewater_sim.scenarios import Scenario
from brakewater_sim.simulate import Tick


class Truth:
    """Watches a run tick by tick."""

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self._legs: tuple[HoistSizes, ...] = (scenario.sizes.hoist, *scenario.legs)
        starts, clock = [], -scenario.clock_s
        for leg in self._legs:
            starts.append((clock, clock + leg.wait_s, clock + leg.whole_s))
            clock += leg.whole_s
        self._spans = starts
        self._trips: dict[int, dict[str, Any]] = {}
        self._landed: dict[int, float] = {}
        self.limits: dict[str, float] = {}
        """Limit passed -> when first, s from the start."""

    def see(self, tick: Tick) -> None:
        """One more tick."""
        clock = self._scenario.pace.integral(tick.t_ns * 1e-9)
        for index, (_, begins, ends) in enumerate(self._spans):
            if begins <= clock < ends:
                self._within(index, tick)
        self._note_limits(tick)

    def _within(self, index: int, tick: Tick) -> None:
        leg, t, worked = self._legs[index], tick.t_ns * 1e-9, tick.state.worked_j
        trip = self._trips.setdefault(
            index,
            {"direction": leg.direction, "begin_s": t, "end_s": t, "stands": 0, "heat_j": 0.0, "worked_j": worked,
             "most_asked_w": 0.0, "carried_j": tick.state.carried_j, "carried_heat_j": 0.0},
        )  # fmt: skip
        trip["end_s"], trip["heat_j"] = t, worked - trip["worked_j"]
        trip["carried_heat_j"] = tick.state.carried_j - trip["carried_j"]
        trip["most_asked_w"] = max(trip["most_asked_w"], tick.hook.brake_w)
        trip["stands"] = self._stands(leg, tick)

    def _stands(self, leg: HoistSizes, tick: Tick) -> int:
        """Stands whose way is done, or is so but for the last metre."""
        moved = abs(tick.hook.depth_m - leg.start_depth_m)
        return int((moved + 1.0) / leg.stand_m)

    def _note_limits(self, tick: Tick) -> None:
        t, truth, sizes = tick.t_ns * 1e-9, tick.truth, self._scenario.sizes
        passed = {
            "bearing": truth["brake-level"] >= sizes.brake.bearing_m,
            "outlet": truth["outlet-temperature"] >= OUTLET_LIMIT_DEGC,
            "inlet": truth["inlet-temperature"] >= INLET_LIMIT_DEGC,
            "rotor": tick.state.surface_degc >= ROTOR_LIMIT_DEGC,
        }
        for name, now in passed.items():
            if now:
                self.limits.setdefault(name, t)

    def document(self, seed: int) -> dict[str, Any]:
        """As JSON."""
        trips = [{key: value for key, value in trip.items() if key not in _INNER} for trip in self._trips.values()]
        return {"scenario": self._scenario.name, "seed": seed, "trips": trips, "limits_s": self.limits}


_INNER = ("worked_j", "carried_j")
OUTLET_LIMIT_DEGC = 71.11
"""160 degF (common practice, no published source)."""
INLET_LIMIT_DEGC = 37.78
"""100 degF (common practice, no published source)."""
ROTOR_LIMIT_DEGC = 250.0
"""Of the rotor's skin; invented for the demonstration."""
