"""A scenario run: true and measured values at any cadence, the same however they are asked for.

    for tick in simulate(SCENARIOS["demo"], seed=1, every_s=0.2): ...

    simulation = Simulation(scenario, seed)      # warmed up, at t = 0
    tick = simulation.advance_to(t_ns)           # whole steps of 50 ms up to t_ns

A ``Tick`` holds engineering values by role (``UNITS``), both true and as the transmitters show them. Bits are 0.0 or
1.0. Where a role stands in ``broken`` its measured value means nothing: the encoder shows the break (``words.py``). A
device in ``silent`` does not answer. Quantisation is the encoder's.

Truth depends on the scenario alone; the seed moves only noise and waves. Nothing reads a clock.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import partial

from brakewater_sim.hoist import Hook, hook
from brakewater_sim.plant import Drive, PlantState, at_rest, brake_degc, brake_level_m, slope, tank_degc, tank_level_m
from brakewater_sim.scenarios import Scenario
from brakewater_sim.sensors import SENSORS, sensor
from brakewater_sim.stepping import State, rk4

STEP_NS = 50_000_000
STEP_S = 0.05

UNITS = {
    "inlet-flow": "m3/s",
    "inlet-temperature": "degC",
    "outlet-temperature": "degC",
    "brake-level": "m",
    "hook-load": "N",
    "block-position": "m",
    "tank-temperature": "degC",
    "tank-level": "m",
    "ambient-temperature": "degC",
    "in-service": "bit",
    "pump-running": "bit",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """The plant at one moment."""

    t_ns: int
    """From the scenario's start."""
    truth: Mapping[str, float]
    measured: Mapping[str, float]
    broken: Mapping[str, str]
    """Role -> ``open-circuit`` or ``short-circuit``."""
    silent: frozenset[str]
    state: PlantState
    hook: Hook


class Simulation:
    """One scenario under way, in whole steps of 50 ms.

    Args:
        scenario: What happens.
        seed: Of noise and waves.
    """

    def __init__(self, scenario: Scenario, seed: int = 1) -> None:
        self.scenario = scenario
        self._slope = partial(slope, scenario.sizes)
        self._step = -round(scenario.warmup_s / STEP_S)
        self._state: State = tuple(at_rest(scenario.sizes, scenario.water_degc))
        self._hook = self._hook_at(self._step * STEP_S)
        start = self._truth()
        self._sensors = [sensor(sizes, start[sizes.role], seed, scenario.faults) for sizes in SENSORS]
        self.advance_to(0)

    def advance_to(self, t_ns: int) -> Tick:
        """The plant after the last whole step at or before ``t_ns`` from the start.

        Raises:
            ValueError: the plant is already past that step.
        """
        last = t_ns // STEP_NS
        if last < self._step:
            raise ValueError(
                f"asked for {t_ns} ns, but the plant stands at {self._step * STEP_NS} ns; it never goes back"
            )
        while self._step < last:
            self._move()
        return self._tick()

    def _move(self) -> None:
        t = self._step * STEP_S
        running = self.scenario.pump.value(t) >= 0.5
        middle, end = self._hook_at(t + 0.5 * STEP_S), self._hook_at(t + STEP_S)
        drives = (
            self._drive(t, self._hook, running=running),
            self._drive(t + 0.5 * STEP_S, middle, running=running),
            self._drive(t + STEP_S, end, running=running),
        )
        self._state = rk4(self._slope, self._state, STEP_S, drives)
        self._hook, self._step = end, self._step + 1
        truth, stirred = self._truth(), end.braking
        t, flow = self._step * STEP_S, truth["inlet-flow"]
        for one in self._sensors:
            one.step(truth[one.sizes.role], t, STEP_S, flow, stirred)

    def _hook_at(self, t: float) -> Hook:
        pace, hoist = self.scenario.pace, self.scenario.sizes.hoist
        return hook(hoist, self.scenario.clock_s + pace.integral(t), pace.value(t), pace.slope(t))

    def _drive(self, t: float, now: Hook, *, running: bool) -> Drive:
        scenario = self.scenario
        coil = scenario.sizes.brake.coil_w * now.braking
        return Drive(now.brake_w, coil, scenario.blockage.value(t), scenario.ambient_degc.value(t), running)

    def _truth(self) -> dict[str, float]:
        scenario, y, t = self.scenario, self._state, self._step * STEP_S
        tank = tank_degc(y)
        return {
            "inlet-flow": max(0.0, y[6]),
            "inlet-temperature": tank,
            "outlet-temperature": brake_degc(y),
            "brake-level": brake_level_m(scenario.sizes, y),
            "hook-load": self._hook.load_n,
            "block-position": self._hook.block_m,
            "tank-temperature": tank,
            "tank-level": tank_level_m(scenario.sizes, y),
            "ambient-temperature": scenario.ambient_degc.value(t),
            "in-service": float(self._hook.in_service),
            "pump-running": float(scenario.pump.value(t) >= 0.5),
        }

    def _tick(self) -> Tick:
        t, truth = self._step * STEP_S, self._truth()
        measured = dict(truth)
        measured.update({one.sizes.role: one.shown for one in self._sensors})
        broken = {one.sizes.role: one.broken(t) for one in self._sensors if one.broken(t)}
        silences = self.scenario.silences
        return Tick(
            t_ns=self._step * STEP_NS,
            truth=truth,
            measured=measured,
            broken=broken,
            silent=frozenset(silence.device for silence in silences if silence.from_s <= t < silence.to_s),
            state=PlantState(*self._state),
            hook=self._hook,
        )


def simulate(
    scenario: Scenario, *, seed: int = 1, every_s: float = 0.2, seconds: float | None = None
) -> Iterator[Tick]:
    """Ticks from 0 on, ``every_s`` apart, for ``seconds`` (default: the scenario's length).

    Raises:
        ValueError: ``every_s`` is no multiple of the plant's step of 50 ms.
    """
    every = round(every_s * 1e9)
    if every <= 0 or every % STEP_NS:
        raise ValueError(
            f"every_s = {every_s}: allowed are multiples of {STEP_S} s; an asker in between uses advance_to"
        )
    length = round((scenario.length_s if seconds is None else seconds) * 1e9)
    simulation = Simulation(scenario, seed)
    for t_ns in range(0, length, every):
        yield simulation.advance_to(t_ns)
