"""A scenario run: true and measured values at any cadence, the same however they are asked for.

    for tick in simulate(SCENARIOS["demo"], seed=1, every_s=0.2): ...

    simulation = Simulation(scenario, seed)      # warmed up, at t = 0
    tick = simulation.advance_to(t_ns)           # whole steps of 50 ms up to t_ns

A ``Tick`` holds engineering values by role (``UNITS``), both true and as the transmitters show them. Bits are 0.0 or
1.0. Where a role stands in ``broken`` its measured value means nothing: the encoder shows the break (``words.py``). A
device in ``silent`` does not answer. Quantisation is the encoder's.

Truth depends on the scenario alone; the seed moves only noise and waves. Nothing reads a clock.
"""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from math import sqrt

from brakewater_sim.brake import return_m3_s
from brakewater_sim.excite import coil_v, most_w
from brakewater_sim.health import SOUND, health
from brakewater_sim.hoist import G_M_S2, Hook
from brakewater_sim.journey import Legs
from brakewater_sim.lines import discharge_m, fouled, pull, resistance_s2_m5, suction
from brakewater_sim.plant import (
    Drive,
    PlantState,
    at_rest,
    brake_degc,
    brake_level_m,
    commanded_a,
    slope,
    taken,
    tank_degc,
    tank_level_m,
)
from brakewater_sim.rotor import scale_k_w
from brakewater_sim.scenarios import Scenario
from brakewater_sim.sensors import sensor
from brakewater_sim.stepping import State, rk4
from brakewater_sim.water import density_kg_m3

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
    "pump-commanded": "bit",
    "overflow-open": "bit",
    "return-flow": "m3/s",
    "supply-pressure": "Pa",
    "strainer-differential": "Pa",
    "filter-differential": "Pa",
    "coil-current": "A",
    "coil-commanded": "A",
    "coil-voltage": "V",
    "drum-speed": "rad/s",
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
    stuck: frozenset[str]
    """Devices that repeat what they held."""
    state: PlantState
    hook: Hook


class Simulation:
    """One scenario under way, in whole steps of 50 ms.

    Args:
        scenario: What happens.
        seed: Of noise and waves.
        roles: Whose transmitters are wanted; the others show the truth. Each draws its own noise, so that leaving
            one out changes no other.
    """

    def __init__(self, scenario: Scenario, seed: int = 1, roles: Collection[str] | None = None) -> None:
        self.scenario = scenario
        self._slope = partial(slope, scenario.sizes)
        self._legs = Legs((scenario.sizes.hoist, *scenario.legs))
        self._step = -round(scenario.warmup_s / STEP_S)
        self._state: State = tuple(at_rest(scenario.sizes, scenario.water_degc))
        self._drive_now = self._drive(self._step * STEP_S, self._hook_at(self._step * STEP_S))
        wanted = [one for one in scenario.sensors if roles is None or one.role in roles]
        start = self._truth()
        self._sensors = [sensor(sizes, start[sizes.role], seed, scenario.faults) for sizes in wanted]
        self._shows = [(one, one.sizes.role) for one in self._sensors]
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
        start = self._drive_now._replace(pump_running=running)
        middle = self._drive(t + 0.5 * STEP_S, self._hook_at(t + 0.5 * STEP_S), running=running)
        self._hook = self._hook_at(t + STEP_S)
        self._drive_now = self._drive(t + STEP_S, self._hook, running=running)
        self._state = rk4(self._slope, self._state, STEP_S, (start, middle, self._drive_now))
        self._step += 1
        truth, stirred = self._truth(), self._hook.braking
        t, flow, air = self._step * STEP_S, truth["inlet-flow"], self._health.air
        for one, role in self._shows:
            one.step(truth[role], t, STEP_S, flow, stirred, air)

    def _hook_at(self, t: float) -> Hook:
        pace = self.scenario.pace
        self._hook = self._legs.hook(self.scenario.clock_s + pace.integral(t), pace.value(t), pace.slope(t))
        return self._hook

    def _drive(self, t: float, now: Hook, *, running: bool = True) -> Drive:
        scenario = self.scenario
        sizes, hard = scenario.sizes, SOUND
        if scenario.conditions:
            hard = health(scenario.conditions, t)
        self._health = hard
        excite = sizes.excite
        most_a = excite.most_a * hard.excitation
        return Drive(
            now.brake_w,
            most_a * most_a * excite.hot_ohm,
            1.0 - (1.0 - scenario.blockage.value(t)) * (1.0 - hard.blockage),
            scenario.ambient_degc.value(t),
            running,
            most_w(excite, now.drum_rad_s, hard.gap, hard.excitation),
            now.drum_rad_s / excite.critical_rad_s,
            pull(hard, t),
            None if hard is SOUND else resistance_s2_m5(sizes.line, hard),
            scale_k_w(sizes.rotor, hard.scale_m),
            hard.supply_leak,
            hard.cooler,
            hard.tank_leak_m3_s,
        )

    def _truth(self) -> dict[str, float]:
        scenario, y, t = self.scenario, self._state, self._step * STEP_S
        sizes, now, hard = scenario.sizes, self._hook, self._health
        tank, outlet, flow = tank_degc(y), brake_degc(y), max(0.0, y[8])
        level, tank_level = brake_level_m(sizes, y), tank_level_m(sizes, y)
        drawing = suction(sizes.line, tank_level) * pull(hard, t)
        head, strainer = density_kg_m3(tank) * G_M_S2, fouled(hard.strainer)
        current = sizes.excite.most_a * hard.excitation * sqrt(taken(sizes, y[0], self._drive_now)[1])
        running = float(scenario.pump.value(t) >= 0.5)
        return {
            "inlet-flow": flow,
            "inlet-temperature": tank,
            "outlet-temperature": outlet,
            "brake-level": level,
            "hook-load": now.load_n,
            "block-position": now.block_m,
            "tank-temperature": tank,
            "tank-level": tank_level,
            "ambient-temperature": self._drive_now.ambient_degc,
            "in-service": float(now.in_service),
            "pump-running": running,
            "pump-commanded": 1.0,
            "overflow-open": float(level > sizes.brake.bearing_m),
            "return-flow": return_m3_s(sizes.brake, level, self._drive_now.blockage),
            "supply-pressure": head * discharge_m(sizes.line, flow, y[9], drawing, tank_level, strainer),
            "strainer-differential": head * sizes.line.strainer_s2_m5 * strainer * flow * flow,
            "filter-differential": head * sizes.line.filter_s2_m5 * fouled(hard.filter) * flow * flow,
            "coil-current": current,
            "coil-commanded": commanded_a(sizes, y[0], self._drive_now, hard.gap, now.drum_rad_s),
            "coil-voltage": coil_v(sizes.excite, current, outlet),
            "drum-speed": now.drum_rad_s,
        }

    def _tick(self) -> Tick:
        t, truth = self._step * STEP_S, self._truth()
        measured = dict(truth)
        measured.update({one.sizes.role: one.shown for one in self._sensors})
        broken = {one.sizes.role: one.broken(t) for one in self._sensors if one.broken(t)}
        out = [one for one in self.scenario.silences if one.from_s <= t < one.to_s]
        return Tick(
            t_ns=self._step * STEP_NS,
            truth=truth,
            measured=measured,
            broken=broken,
            silent=frozenset(one.device for one in out if not one.stuck),
            stuck=frozenset(one.device for one in out if one.stuck),
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
