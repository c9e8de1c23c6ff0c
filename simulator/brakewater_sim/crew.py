"""How a crew works: every stand a little otherwise, now and then a stop on the way, and rests to fill the pipe.

Drawn from the crew's own seed, stand by stand, so that the truth of a scenario never hangs on the seed of its noise.
Draws are sums of three uniforms: near normal, bounded, and the same to the last bit on every machine. All invented; the
spread is what makes stands of 1.5 to 3 minutes (common practice, no published source).
"""

from dataclasses import dataclass
from random import Random


@dataclass(frozen=True, slots=True, kw_only=True)
class Crew:
    """How far the moves of one stand stray from the timetable."""

    seed: int
    spread: float = 0.12
    """Standard deviation of speeds and waits, as part of their size."""
    hitch: float = 0.04
    """Part of the stands that are stopped on their way and go on after ``hitch_s``."""
    hitch_s: float = 25.0
    rest_every: int = 0
    """Stands from one rest to the next; 0 never."""
    rest_s: float = 300.0

    def stand(self, number: int) -> "Habit":
        """How stand ``number`` is handled."""
        draw = Random(f"crew:{self.seed}:{number}")  # noqa: S311 - a pace, no secret

        def stray() -> float:
            sum_of_three = draw.random() + draw.random() + draw.random() - 1.5
            return min(1.6, max(0.6, 1.0 + 2.0 * self.spread * sum_of_three))

        speed, slips, connect = stray(), stray(), stray()
        hitched, where = draw.random() < self.hitch, 0.25 + 0.5 * draw.random()
        resting = self.rest_every > 0 and number > 0 and number % self.rest_every == 0
        return Habit(
            speed=speed,
            slips=slips,
            connect=connect,
            hitch_at=where if hitched else 0.0,
            hitch_s=self.hitch_s * stray(),
            rest_s=self.rest_s if resting else 0.0,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Habit:
    """Factors on the timetable of one stand."""

    speed: float = 1.0
    slips: float = 1.0
    connect: float = 1.0
    hitch_at: float = 0.0
    """Part of the way at which the string is stopped; 0 it is not."""
    hitch_s: float = 0.0
    rest_s: float = 0.0
    """Rest in the slips after the stand has landed."""


STEADY = Habit()
