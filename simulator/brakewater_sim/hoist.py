"""The hoist on a trip: stands lowered or pulled one after another, and the power this asks of the brake.

The travelling block follows a timetable, stand by stand. In: lower a stand, set the slips, hoist the empty block,
connect the next stand, lift it off the slips. Out: hoist a stand, set the slips, break it out, lower the empty block,
latch on. Speeds ramp as half a cosine, so position, speed and acceleration are closed forms of time; nothing has to be
integrated. A pace (1 normal, 0 hold) stretches the timetable; a crew (``crew.py``) strays from it.

Power asked of the brake = hook load x hook speed x line efficiency (friction in the lines helps when lowering) x share.
The share fades at crawling speed: an eddy-current brake has no torque at standstill, the friction brake takes the rest.
All sizes are invented for the demonstration; pipe mass is from memory, line efficiency that of ten lines. The empty
block is lowered on the friction brake.
"""

from bisect import bisect_right
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from math import cos, floor, pi, sin
from typing import Literal, NamedTuple

from brakewater_sim.crew import STEADY, Crew, Habit

G_M_S2 = 9.80665
STEEL_KG_M3 = 7850.0


class Phase(NamedTuple):
    """One move of the block, at rest at both ends; without a ramp it only waits."""

    duration_s: float
    from_m: float
    to_m: float
    ramp_s: float
    loaded: bool
    """The string hangs on the hook."""
    over: int
    """Stands that hang on the hook beyond what the slips hold once this stand is done."""


class Move(NamedTuple):
    """A phase where it stands in a leg."""

    start_s: float
    phase: Phase
    landed_m: float
    """Bit depth once its stand is done."""


@dataclass(frozen=True, kw_only=True)
class HoistSizes:
    """Sizes of the string and the pace of the crew (no slots: the timetable is worked out once and kept)."""

    direction: Literal["in", "out"] = "in"
    stand_m: float = 28.65
    pipe_kg_m: float = 31.0
    """5 in drill pipe with its tool joints, in air."""
    collars_kg: float = 25_000.0
    """What the collars weigh more than drill pipe of their length."""
    block_kg: float = 20_000.0
    mud_kg_m3: float = 1200.0
    drag: float = 0.04
    """Part of the string's weight that the hole carries when lowering, and adds when pulling."""
    lowering_m_s: float = 1.0
    hoisting_m_s: float = 1.5
    pulling_m_s: float = 0.8
    """Hoisting with the string on the hook."""
    ramp_s: float = 3.0
    slips_s: float = 8.0
    connect_s: float = 75.0
    lift_m: float = 0.3
    lift_s: float = 6.0
    bottom_m: float = 1.0
    """Block position (above the floor) with a stand landed in the slips."""
    line_efficiency: float = 0.81
    lines: int = 10
    drum_m: float = 0.75
    """Diameter at which the line runs off the drum."""
    share: float = 0.95
    crawl_m_s: float = 0.1
    start_depth_m: float = 2400.0
    """Bit depth when stand 0 is about to be moved."""
    end_depth_m: float = 3400.0
    wait_s: float = 0.0
    """Rest before the leg, block low and empty; a leg in then first picks up a stand."""
    follows: bool = False
    """Another leg went before, which left the block low and empty."""
    crew: Crew | None = None

    @property
    def top_m(self) -> float:
        """Block position with a whole stand above the slips."""
        return self.bottom_m + self.stand_m

    @property
    def step_m(self) -> float:
        """What a stand adds to the bit's depth."""
        return self.stand_m if self.direction == "in" else -self.stand_m

    @cached_property
    def timetable(self) -> tuple[Phase, ...]:
        """Phases of one stand at pace 1."""
        return self.phases(STEADY)

    def phases(self, habit: Habit) -> tuple[Phase, ...]:
        """Phases of one stand, handled so."""
        return self._in(habit) if self.direction == "in" else self._out(habit)

    def _in(self, habit: Habit) -> tuple[Phase, ...]:
        return (
            *self._way(self.top_m + self.lift_m, self.bottom_m, self.lowering_m_s, 0, habit),
            Phase(self.slips_s * habit.slips + habit.rest_s, self.bottom_m, self.bottom_m, 0.0, loaded=False, over=0),
            *self.pick_up(habit),
        )

    def pick_up(self, habit: Habit) -> tuple[Phase, ...]:
        """The empty block goes up, the next stand is connected and lifted off the slips."""
        bottom, top = self.bottom_m, self.top_m
        up_s = self.stand_m / self.hoisting_m_s + self.ramp_s
        return (
            Phase(up_s, bottom, top, self.ramp_s, loaded=False, over=0),
            Phase(self.connect_s * habit.connect, top, top, 0.0, loaded=False, over=0),
            Phase(self.lift_s, top, top + self.lift_m, 0.5 * self.lift_s, loaded=True, over=1),
        )

    def _out(self, habit: Habit) -> tuple[Phase, ...]:
        bottom, top = self.bottom_m, self.top_m
        down_s = self.stand_m / self.hoisting_m_s + self.ramp_s
        return (
            *self._way(bottom, top + self.lift_m, self.pulling_m_s, 1, habit),
            Phase(self.lift_s, top + self.lift_m, top, 0.5 * self.lift_s, loaded=True, over=1),
            Phase(self.connect_s * habit.connect + habit.rest_s, top, top, 0.0, loaded=False, over=0),
            Phase(down_s, top, bottom, self.ramp_s, loaded=False, over=0),
            Phase(self.slips_s * habit.slips, bottom, bottom, 0.0, loaded=False, over=0),
        )

    def _way(self, a: float, b: float, speed: float, over: int, habit: Habit) -> tuple[Phase, ...]:
        """The loaded way of a stand, in one go or with a stop."""
        stops = (a, a + habit.hitch_at * (b - a), b) if habit.hitch_at else (a, b)
        found: list[Phase] = []
        for start, end in pairwise(stops):
            if found:
                found.append(Phase(habit.hitch_s, start, start, 0.0, loaded=True, over=over))
            duration = abs(end - start) / (speed * habit.speed) + self.ramp_s
            found.append(Phase(duration, start, end, self.ramp_s, loaded=True, over=over))
        return tuple(found)

    @cached_property
    def cycle_s(self) -> float:
        """Time from stand to stand at pace 1, as the timetable has it."""
        return sum(phase.duration_s for phase in self.timetable)

    @cached_property
    def stands(self) -> int:
        """Stands moved from the start depth until the end depth."""
        return max(0, floor((self.end_depth_m - self.start_depth_m) / self.step_m + 1e-9))

    @cached_property
    def moves(self) -> tuple[Move, ...]:
        """The whole leg from its rest on."""
        found: list[Move] = []
        clock = 0.0
        if self.wait_s or self.follows:
            rest = (Phase(self.wait_s, self.bottom_m, self.bottom_m, 0.0, loaded=False, over=0),) if self.wait_s else ()
            before = self.pick_up(STEADY) if self.direction == "in" and self.stands else ()
            for phase in (*rest, *before):
                found.append(Move(clock, phase, self.start_depth_m))
                clock += phase.duration_s
        for number in range(self.stands):
            habit = self.crew.stand(number) if self.crew else STEADY
            landed = self.start_depth_m + (number + 1) * self.step_m
            phases = self.phases(habit)
            if number == self.stands - 1 and self.direction == "in":  # nothing is left to be picked up
                phases = phases[: -len(self.pick_up(habit))]
            for phase in phases:
                found.append(Move(clock, phase, landed))
                clock += phase.duration_s
        return tuple(found)

    @cached_property
    def _starts(self) -> list[float]:
        return [move.start_s for move in self.moves]

    @cached_property
    def whole_s(self) -> float:
        """Length of the leg at pace 1."""
        return self.moves[-1].start_s + self.moves[-1].phase.duration_s if self.moves else self.wait_s

    def move_at(self, clock_s: float) -> Move | None:
        """The move at ``clock_s``; None after the leg. Before it the timetable runs as if stands had gone before."""
        if clock_s >= self.whole_s:
            return None
        if clock_s >= 0.0:
            return self.moves[bisect_right(self._starts, clock_s) - 1]
        number = floor(clock_s / self.cycle_s)
        s, start = clock_s - number * self.cycle_s, number * self.cycle_s
        for phase in self.timetable:
            if s < phase.duration_s:
                break
            s -= phase.duration_s
            start += phase.duration_s
        return Move(start, phase, self.start_depth_m + (number + 1) * self.step_m)

    def string_n(self, depth_m: float) -> float:
        """Buoyed weight in N of a string reaching to ``depth_m``."""
        mass = self.pipe_kg_m * depth_m + self.collars_kg
        return mass * G_M_S2 * (1.0 - self.mud_kg_m3 / STEEL_KG_M3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hook:
    """What the hoist does at one moment."""

    load_n: float
    block_m: float
    lowering_m_s: float
    """Positive down."""
    depth_m: float
    brake_w: float
    """Power asked of the brake."""
    braking: float
    """0 to 1: how far the brake rather than friction holds the load."""
    drum_rad_s: float
    in_service: bool


def travel(s: float, distance: float, duration: float, ramp: float) -> tuple[float, float, float]:
    """Way, speed and acceleration ``s`` seconds into a move that rests at both ends (m, m/s, m/s2)."""
    speed = distance / (duration - ramp)
    if s > 0.5 * duration:
        way, v, a = travel(duration - s, distance, duration, ramp)
        return distance - way, v, -a
    if s >= ramp:
        return speed * (s - 0.5 * ramp), speed, 0.0
    w = pi / ramp
    return 0.5 * speed * (s - sin(w * s) / w), 0.5 * speed * (1.0 - cos(w * s)), 0.5 * speed * w * sin(w * s)


def hook(sizes: HoistSizes, clock_s: float, pace: float = 1.0, pace_slope: float = 0.0) -> Hook:
    """The hoist when its timetable stands at ``clock_s`` and runs at ``pace``, changing by ``pace_slope`` per s."""
    move = sizes.move_at(clock_s)
    if move is None:
        return _landed(sizes)
    phase, landed = move.phase, move.landed_m
    way, speed, faster = _way(phase, clock_s - move.start_s)
    hanging = landed + phase.over * sizes.stand_m
    block, down = phase.from_m + way, 0.0 - speed * pace
    depth = hanging - (block - sizes.bottom_m) if phase.loaded else landed
    load = _load_n(sizes, hanging if phase.loaded else None, down, 0.0 - faster * pace * pace - speed * pace_slope)
    braking = down * down / (down * down + sizes.crawl_m_s**2) if phase.loaded and down > 0.0 else 0.0
    resting = 0.0 <= clock_s < sizes.wait_s
    return Hook(
        load_n=load,
        block_m=block,
        lowering_m_s=down,
        depth_m=depth,
        brake_w=load * max(0.0, down) * sizes.line_efficiency * sizes.share * braking,
        braking=braking,
        drum_rad_s=abs(down) * sizes.lines * 2.0 / sizes.drum_m,
        in_service=sizes.direction == "in" and not resting,
    )


def _way(phase: Phase, s: float) -> tuple[float, float, float]:
    if not phase.ramp_s:
        return 0.0, 0.0, 0.0
    return travel(s, phase.to_m - phase.from_m, phase.duration_s, phase.ramp_s)


def _load_n(sizes: HoistSizes, string_m: float | None, down_m_s: float, faster_m_s2: float) -> float:
    mass, weight = sizes.block_kg, sizes.block_kg * G_M_S2
    if string_m is not None:
        mass += sizes.pipe_kg_m * string_m + sizes.collars_kg
        drag = -sizes.drag if down_m_s > 0.0 else sizes.drag if down_m_s < 0.0 else 0.0
        weight += sizes.string_n(string_m) * (1.0 + drag)
    return weight - mass * faster_m_s2


def _landed(sizes: HoistSizes) -> Hook:
    return Hook(
        load_n=sizes.block_kg * G_M_S2,
        block_m=sizes.bottom_m,
        lowering_m_s=0.0,
        depth_m=sizes.start_depth_m + sizes.stands * sizes.step_m,
        brake_w=0.0,
        braking=0.0,
        drum_rad_s=0.0,
        in_service=False,
    )
