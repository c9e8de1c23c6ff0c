"""What the transmitters make of the plant: lag, waves on the water, noise, bias, and their faults.

A reading follows the truth by dy/dt = (x - y) / lag, stepped by the trapezoid rule. An RTD's lag grows as the flow past
it fades. Noise is the sum of three uniform draws: near normal, never beyond 3 sigma, and the same to the last bit on
every machine, as it needs no transcendental function. Sizes invented for the demonstration.
"""

from dataclasses import dataclass
from math import inf, sin
from random import Random
from typing import Literal

RATED_M3_S = 4.7317647e-3
STILL = 0.1
"""How fast an RTD follows in standing water, as part of its speed at rated flow."""

FaultKind = Literal["open-circuit", "short-circuit", "stuck", "drift", "bias", "wrong-range"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorSizes:
    """One transmitter."""

    role: str
    lag_s: float
    noise: float
    """Standard deviation, in the role's unit."""
    bias: float = 0.0
    in_flow: bool = False
    """Follows slower as the flow past it fades."""
    waves: float = 0.0
    """Height of the waves it sees with the brake at rest; a turning rotor triples them."""
    airy: float = 0.0
    """How many times its noise it strays by where the line is all air."""


SENSORS = (
    SensorSizes(role="inlet-flow", lag_s=0.3, noise=1.5e-5, bias=1.0e-5, airy=30.0),
    SensorSizes(role="inlet-temperature", lag_s=6.0, noise=0.02, bias=0.05, in_flow=True),
    SensorSizes(role="outlet-temperature", lag_s=6.0, noise=0.02, bias=-0.05, in_flow=True),
    SensorSizes(role="brake-level", lag_s=0.5, noise=0.001, waves=0.0012),
    SensorSizes(role="hook-load", lag_s=0.3, noise=2.0e3),
    SensorSizes(role="block-position", lag_s=0.1, noise=0.003),
    SensorSizes(role="tank-temperature", lag_s=15.0, noise=0.02),
    SensorSizes(role="tank-level", lag_s=1.0, noise=0.002),
    SensorSizes(role="ambient-temperature", lag_s=30.0, noise=0.03),
    SensorSizes(role="return-flow", lag_s=0.3, noise=2.0e-5, bias=-1.0e-5, airy=30.0),
    SensorSizes(role="supply-pressure", lag_s=0.2, noise=800.0),
    SensorSizes(role="strainer-differential", lag_s=0.5, noise=150.0),
    SensorSizes(role="filter-differential", lag_s=0.5, noise=150.0),
    SensorSizes(role="coil-current", lag_s=0.3, noise=0.15),
    SensorSizes(role="coil-voltage", lag_s=0.2, noise=0.4),
    SensorSizes(role="drum-speed", lag_s=0.1, noise=0.02),
    SensorSizes(role="coil-commanded", lag_s=0.1, noise=0.1),
)


IDEAL = tuple(SensorSizes(role=one.role, lag_s=0.0, noise=0.0) for one in SENSORS)
"""Transmitters that show the truth at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorFault:
    """Something wrong with one transmitter for a while."""

    role: str
    kind: FaultKind
    from_s: float
    to_s: float = inf
    size: float = 0.0
    """Drift per s, or bias, in the role's unit; with ``wrong-range`` what the value is multiplied by."""


@dataclass(slots=True, kw_only=True)
class Sensor:
    """One transmitter at work; ``step`` once a plant step, whoever asks and however often."""

    sizes: SensorSizes
    faults: tuple[SensorFault, ...]
    draw: Random
    phases: tuple[float, float]
    truth: float
    follows: float
    shown: float

    def step(self, truth: float, t: float, h: float, flow: float, stirred: float, air: float = 0.0) -> None:
        """Moves on by ``h`` s to time ``t`` s, where the truth is ``truth``."""
        sizes = self.sizes
        if sizes.waves:
            a, b = self.phases
            truth += sizes.waves * (1.0 + 2.0 * stirred) * (sin(2.2 * t + a) + sin(3.4 * t + b))
        lag = sizes.lag_s
        if sizes.in_flow:
            lag /= STILL + (1.0 - STILL) * min(1.0, flow / RATED_M3_S)
        if lag:
            self.follows += (0.5 * (self.truth + truth) - self.follows) * h / (lag + 0.5 * h)
        else:
            self.follows = truth
        self.truth = truth
        random = self.draw.random
        noise = sizes.noise * (1.0 + sizes.airy * air)
        shown = self.follows + sizes.bias + noise * (random() + random() + random() - 1.5) * 2.0
        held = False
        for fault in self.faults:
            if fault.from_s <= t < fault.to_s:
                held = held or fault.kind in _HOLDS
                shown = _falsified(fault, shown, t)
        self.shown = self.shown if held else shown

    def broken(self, t: float) -> str:
        """``open-circuit`` or ``short-circuit`` where the wiring has failed at ``t`` s, else empty."""
        for fault in self.faults:
            if fault.kind in {"open-circuit", "short-circuit"} and fault.from_s <= t < fault.to_s:
                return fault.kind
        return ""


_HOLDS: frozenset[FaultKind] = frozenset({"stuck", "open-circuit", "short-circuit"})
"""What shows the last value whatever else is wrong; of broken wiring the encoder shows the break instead."""


def _falsified(fault: SensorFault, shown: float, t: float) -> float:
    if fault.kind == "drift":
        return shown + fault.size * (t - fault.from_s)
    if fault.kind == "bias":
        return shown + fault.size
    return shown * fault.size if fault.kind == "wrong-range" else shown


def sensor(sizes: SensorSizes, truth: float, seed: int, faults: tuple[SensorFault, ...] = ()) -> Sensor:
    """A transmitter that has long followed ``truth``, its noise drawn from ``seed`` and its own role."""
    draw = Random(f"{seed}:{sizes.role}")  # noqa: S311 - noise, no secret
    return Sensor(
        sizes=sizes,
        faults=tuple(fault for fault in faults if fault.role == sizes.role),
        draw=draw,
        phases=(6.283 * draw.random(), 6.283 * draw.random()),
        truth=truth,
        follows=truth,
        shown=truth + sizes.bias,
    )
