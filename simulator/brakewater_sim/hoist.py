"""The hoist on a trip in: stands lowered one after another, and the power this puts into the brake.

The travelling block follows a fixed timetable, repeated stand by stand: lower a stand, set the slips, hoist the empty
block, connect the next stand, lift it off the slips. Speeds ramp as half a cosine, so position, speed and acceleration
are closed forms of time and nothing has to be integrated. A pace (1 normal, 0 hold) stretches the timetable.

Power into the brake = hook load x hook speed x line efficiency (friction in the lines helps when lowering) x share. The
share fades at crawling speed: an eddy-current brake has no torque at standstill, the friction brake takes the rest.
All sizes are invented for the demonstration; pipe mass is from memory, line efficiency that of ten lines.
"""

from dataclasses import dataclass
from functools import cached_property
from math import cos, floor, pi, sin
from typing import NamedTuple

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


@dataclass(frozen=True, kw_only=True)
class HoistSizes:
    """Sizes of the string and the pace of the crew (no slots: the timetable is worked out once and kept)."""

    stand_m: float = 28.65
    pipe_kg_m: float = 31.0
    """5 in drill pipe with its tool joints, in air."""
    collars_kg: float = 25_000.0
    """What the collars weigh more than drill pipe of their length."""
    block_kg: float = 20_000.0
    mud_kg_m3: float = 1200.0
    drag: float = 0.04
    """Part of the string's weight that the hole carries when lowering."""
    lowering_m_s: float = 1.0
    hoisting_m_s: float = 1.5
    ramp_s: float = 3.0
    slips_s: float = 8.0
    connect_s: float = 75.0
    lift_m: float = 0.3
    lift_s: float = 6.0
    bottom_m: float = 1.0
    """Block position (above the floor) with a stand landed in the slips."""
    line_efficiency: float = 0.81
    share: float = 0.95
    crawl_m_s: float = 0.1
    start_depth_m: float = 2400.0
    """Bit depth when stand 0 is about to be lowered."""
    end_depth_m: float = 3400.0

    @cached_property
    def timetable(self) -> tuple["Phase", ...]:
        """Phases of one stand at pace 1."""
        top = self.bottom_m + self.stand_m
        lower, hoist = self.stand_m + self.lift_m, self.stand_m
        way = (
            (lower / self.lowering_m_s + self.ramp_s, top + self.lift_m, self.bottom_m, self.ramp_s, True),
            (self.slips_s, self.bottom_m, self.bottom_m, 0.0, False),
            (hoist / self.hoisting_m_s + self.ramp_s, self.bottom_m, top, self.ramp_s, False),
            (self.connect_s, top, top, 0.0, False),
            (self.lift_s, top, top + self.lift_m, 0.5 * self.lift_s, True),
        )
        return tuple(Phase(*phase) for phase in way)

    @cached_property
    def cycle_s(self) -> float:
        """Time from stand to stand at pace 1."""
        return sum(phase.duration_s for phase in self.timetable)

    @cached_property
    def stands(self) -> int:
        """Stands lowered from the start depth until the end depth."""
        return max(0, floor((self.end_depth_m - self.start_depth_m) / self.stand_m + 1e-9))

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
    braking: float
    """0 to 1: how far the brake rather than friction holds the load."""
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
    number = floor(clock_s / sizes.cycle_s)
    if number >= sizes.stands:
        return _landed(sizes)
    s, phase = _phase(sizes, clock_s - number * sizes.cycle_s)
    way, speed, faster = _move(phase, s)
    landed = sizes.start_depth_m + (number + 1) * sizes.stand_m
    # The first phase lowers this cycle's stand; the last one lifts the string with the next stand made up on it.
    hanging = landed if phase is sizes.timetable[0] else landed + sizes.stand_m
    block, down = phase.from_m + way, 0.0 - speed * pace
    depth = hanging - (block - sizes.bottom_m) if phase.loaded else landed
    load = _load_n(sizes, hanging if phase.loaded else None, down, 0.0 - faster * pace * pace - speed * pace_slope)
    braking = down * down / (down * down + sizes.crawl_m_s**2) if phase.loaded and down > 0.0 else 0.0
    return Hook(
        load_n=load,
        block_m=block,
        lowering_m_s=down,
        depth_m=depth,
        brake_w=load * max(0.0, down) * sizes.line_efficiency * sizes.share * braking,
        braking=braking,
        in_service=True,
    )


def _phase(sizes: HoistSizes, s: float) -> tuple[float, Phase]:
    for phase in sizes.timetable:
        if s < phase.duration_s:
            return s, phase
        s -= phase.duration_s
    return phase.duration_s, phase


def _move(phase: Phase, s: float) -> tuple[float, float, float]:
    if not phase.ramp_s:
        return 0.0, 0.0, 0.0
    return travel(s, phase.to_m - phase.from_m, phase.duration_s, phase.ramp_s)


def _load_n(sizes: HoistSizes, string_m: float | None, down_m_s: float, faster_m_s2: float) -> float:
    mass, weight = sizes.block_kg, sizes.block_kg * G_M_S2
    if string_m is not None:
        mass += sizes.pipe_kg_m * string_m + sizes.collars_kg
        weight += sizes.string_n(string_m) * (1.0 - sizes.drag if down_m_s > 0.0 else 1.0)
    return weight - mass * faster_m_s2


def _landed(sizes: HoistSizes) -> Hook:
    return Hook(
        load_n=sizes.block_kg * G_M_S2,
        block_m=sizes.bottom_m,
        lowering_m_s=0.0,
        depth_m=sizes.start_depth_m + sizes.stands * sizes.stand_m,
        brake_w=0.0,
        braking=0.0,
        in_service=False,
    )
