"""How a brake wears over a year: a bearing gives way, scale grows in the gap, the faces erode under it.

    play of the bearing   s = s1 * ((h - h0) / 1000 h)^p     after h0 running hours; the rotor moves to one side by s
    scale                 d = rate * heat                    washed off again when the water is treated: not modelled
    eroded faces          e = part * d                       what scale and dirt grind off
    exciter               1 - rate * heat                    what it still gives of the most current

The magnetic gap is the gap as built plus ``e`` on both sides, more by ``s`` on one and less on the other; the feeler
finds what the scale leaves of it. All rates are invented for the demonstration, drawn anew for each year, so that
nothing that reads the book can have been tuned on them. The brake fails when the rotor touches, or when its torque at
the whole of its current no longer holds the pace.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import pow  # noqa: A004 - the one of floats
from random import Random

from brakewater_sim.health import SOUND, Health

INCH_M = 0.0254
BUILT_M = 0.0045 * INCH_M
"""Middle of the 0.004 to 0.005 in of a new brake; common practice, no published source."""
TOUCHES_M = 0.0005 * INCH_M
WEAK = 0.45
"""Part of its torque as built below which the brake no longer holds the pace; invented."""
PLUGS = 4
FEELER_M = 0.0005 * INCH_M
"""Step of the gauge, by two leaves at once."""
HAND_M = 0.0002 * INCH_M
"""Standard deviation of how a hand feels it; invented."""
KINDS = ("sound", "bearing", "scale", "gap", "exciter")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wear:
    """One brake's year; a rate of 0 wears nothing."""

    bearing_from_h: float = 0.0
    bearing_m: float = 0.0
    """Play after 1000 hours of giving way."""
    bearing_power: float = 2.0
    scale_m_j: float = 0.0
    """Scale a joule carried off."""
    eroded: float = 0.5
    """Of the scale's thickness, what the faces lose beside it."""
    exciter_1_j: float = 0.0
    """Part of the most coil current that is lost a joule carried off."""

    def play_m(self, running_h: float) -> float:
        """How far the rotor sits off its middle after ``running_h`` hours."""
        return self.bearing_m * pow(max(0.0, running_h - self.bearing_from_h) / 1000.0, self.bearing_power)

    def scale_m(self, heat_j: float) -> float:
        """Thickness of the scale in the gap, both faces together."""
        return self.scale_m_j * heat_j

    def gap_m(self, heat_j: float) -> float:
        """Mean magnetic gap: the scale is no iron."""
        return BUILT_M + self.eroded * self.scale_m(heat_j)

    def has_failed(self, running_h: float, heat_j: float) -> bool:
        """The rotor touches, or too little torque is left."""
        closest = self.gap_m(heat_j) - self.scale_m(heat_j) - self.play_m(running_h)
        return closest < TOUCHES_M or (BUILT_M / self.gap_m(heat_j)) ** 2 < WEAK

    def health(self, heat_j: float) -> Health:
        """What of it the plant feels: a wider gap, and heat that passes the scale badly."""
        excitation = max(0.0, 1.0 - self.exciter_1_j * heat_j)
        return SOUND._replace(gap=self.gap_m(heat_j) / BUILT_M, scale_m=self.scale_m(heat_j), excitation=excitation)


def drawn(kind: str, seed: int) -> Wear:
    """A year's rates by ``Random(f"{seed}:{kind}")``; a sound brake wears a little too.

    Args:
        kind: one of ``KINDS``.
        seed: nothing else moves them.

    Raises:
        ValueError: no such kind.
    """
    if kind not in KINDS:
        raise ValueError(f"kind: found {kind!r}; allowed: {', '.join(KINDS)}")
    draw = Random(f"{seed}:{kind}")  # noqa: S311 - luck, no secret
    little = draw.uniform(0.0, 4e-18)
    if kind == "bearing":
        return Wear(
            bearing_from_h=draw.uniform(300.0, 1200.0),
            bearing_m=draw.uniform(0.0025, 0.02) * INCH_M,
            bearing_power=draw.uniform(1.3, 2.5),
            scale_m_j=little,
        )
    if kind == "scale":
        return Wear(scale_m_j=draw.uniform(0.8e-17, 3.0e-17), eroded=draw.uniform(1.0, 2.0))
    if kind == "gap":  # sand grinds the faces, and little settles
        return Wear(scale_m_j=1e-18, eroded=draw.uniform(25.0, 60.0))
    if kind == "exciter":
        return Wear(scale_m_j=little, exciter_1_j=draw.uniform(4e-13, 7e-13))
    return Wear(scale_m_j=little)


def feeler(wear: Wear, running_h: float, heat_j: float, draw: Random) -> Mapping[str, float]:
    """A round of readings as a mechanic enters it, m: clearance by ``plug-N-side``, and ``scale``.

    Each has the gauge's step and the hand's error; one in a hundred is wrong by a leaf of 0.001 in.
    """
    found = {}
    scale = wear.scale_m(heat_j)
    for plug in range(1, PLUGS + 1):
        for side, sign in (("left", 1.0), ("right", -1.0)):
            true = wear.gap_m(heat_j) - scale + sign * wear.play_m(running_h)
            read = true + draw.gauss(0.0, HAND_M) + (0.001 * INCH_M if draw.random() < 0.01 else 0.0)
            found[f"plug-{plug}-{side}"] = max(0.0, round(read / FEELER_M) * FEELER_M)
    return {**found, "scale": round(scale / FEELER_M) * FEELER_M}
