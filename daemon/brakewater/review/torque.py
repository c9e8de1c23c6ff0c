"""What a trip's stands say of the brake's torque: as new, weak from the first stand on, or falling as the trip goes.

Where it is known too vaguely for any of these (``physics.gap.vague``: a trip of little heat), that it cannot be told.

The index is heat over what the torque law gives for the current and speed, stand by stand (``engine.hoisting``): 1 as
new. A gap that has widened or coils that have failed weaken it from the first stand on, and stay so from trip to trip;
a rotor that gets hot and grows, or whose cooling is lost, weakens it within minutes and has recovered by the next trip.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from brakewater.physics.gap import KNOWN_TO, vague
from brakewater.physics.uncertainty import COVERAGE
from brakewater.stream import Floats
from brakewater.wording import ENGLISH, Wording

FALL: Final = 0.1
"""A smaller fall within a trip is the rotor's warmth of every trip; an assumption."""
_FEWEST: Final = 2
AS_NEW, WEAK, FALLING, CANNOT_TELL = "as-new", "weak", "falling", "cannot-tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class Torque:
    """Of one trip."""

    index: float
    """Median of its stands."""
    std: float
    """The sensors' errors last through a trip: no smaller for many stands."""
    first: float
    """Median of its first third, where the rotor is still cool."""
    last: float

    @property
    def verdict(self) -> str:
        """``weak`` beyond its uncertainty from the first stand on, else ``falling``, ``as-new`` or ``cannot-tell``."""
        if 1.0 - self.first > COVERAGE * self.std:
            return WEAK
        unsure = vague(self.std)
        if self.first - self.last > (max(FALL, COVERAGE * self.std) if unsure else FALL):
            return FALLING
        return CANNOT_TELL if unsure else AS_NEW


def torque(index: Floats, std: Floats) -> Torque | None:
    """From [n] samples of a trip, each stand's index standing until the next; None for fewer than two stands.

    What stands when the trip begins is of a stand before, and does not count.
    """
    turned = np.flatnonzero(np.isfinite(index[1:]) & (index[1:] != index[:-1])) + 1
    if len(turned) < _FEWEST:
        return None
    stands, third = index[turned], max(1, len(turned) // 3)
    return Torque(
        index=float(np.median(stands)), std=float(np.median(std[turned])), first=float(np.median(stands[:third])),
        last=float(np.median(stands[-third:])),
    )  # fmt: skip


def share_trend(shares: Sequence[tuple[float, float]], trips: Sequence[Torque], short: str = "") -> str | None:
    """What the water took of the hoist's work, trip by trip in, where it fell beyond its uncertainty; else None.

    Args:
        shares: of each trip in, in order, and its standard uncertainty.
        trips: the torque of those of which it is known: it tells a weak current, which the index takes into account,
            from a brake that gives less than its current should.
        short: what is known of a coil that is short of current, which explains the fall.
    """
    if not shares:
        return None
    (first, std), (last, _) = shares[0], shares[-1]
    if first - last <= COVERAGE * std:
        return None
    said = f"the water took {first:.0%} of the hoist's work in the first trip in, {last:.0%} in the last"
    if short:
        return f"{said}: {short}"
    if trips and trips[-1].verdict == AS_NEW:
        return f"{said}, though the torque is what current and speed give: look at the coil current, or see who brakes"
    return said


def trend(trips: Sequence[Torque], words: Wording = ENGLISH) -> str:
    """What the trips of one brake, in order, say together."""
    if not trips:
        return words.word("torque-none")
    first, last = trips[0], trips[-1]
    spread = COVERAGE * max(one.std for one in trips)
    index, about = f"{last.index:.2f}", f"{COVERAGE * last.std:.2f}"
    if first.first - last.first > spread:
        said = words.word("torque-fell", first=f"{first.first:.2f}", last=f"{last.first:.2f}")
    elif last.verdict == WEAK:
        said = words.word("torque-weak", index=index, about=about)
    elif last.verdict == FALLING:
        said = words.word("torque-falls", first=f"{last.first:.2f}", last=f"{last.last:.2f}")
    elif last.verdict == CANNOT_TELL:
        said = words.word("torque-unsure", index=index, about=about, most=f"{KNOWN_TO:.2f}")
        return said + _told_before(trips, words)
    else:
        return words.word("torque-as-new", index=index, about=about)
    return words.word("torque-see-book", said=said)


def _told_before(trips: Sequence[Torque], words: Wording) -> str:
    """The newest trip that tells, where there is one."""
    for ago, one in enumerate(reversed(trips)):
        if not vague(one.std):
            return words.word("torque-told-before", n=ago, index=f"{one.index:.2f}", about=f"{COVERAGE * one.std:.2f}")
    return ""
