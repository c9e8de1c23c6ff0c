"""What is done to each side and when, drawn from a seed: the same seed gives the same plan.

Accelerated: each side is harmed about once a minute where a rig PC sees a few such things a week, so an hour here holds
about as many as a year there; devices meet a fault in one request of twelve besides. Every ``ROUND_S`` there is a calm,
in which everything has to be well again, and the watch is killed only in the first part of each third, so that the
rest of it shows whether memory and descriptors stay flat.
"""

import random
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

ROUND_S: Final = 240.0
CALM_S: Final = 60.0
"""The end of each round."""
LIVES: Final = 3
KILLING: Final = 0.3
"""Share of each of ``LIVES`` parts in which the watch is killed."""
FAULTY: Final = 1 / 12
"""Of the requests to a device that plays faults."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Harm:
    """One thing that is done."""

    at_s: float
    side: str
    what: str
    for_s: float
    amount: float = 0.0
    """Of a clock: by how many seconds it is off from now on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    what: str
    weight: int
    least_s: float
    most_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Side:
    every_s: float
    """Mean time from the end of one to the next."""
    kinds: tuple[_Kind, ...]


def _kind(what: str, weight: int, least_s: float, most_s: float) -> _Kind:
    return _Kind(what=what, weight=weight, least_s=least_s, most_s=most_s)


SIDES: Final = {
    "device tcp": _Side(every_s=40, kinds=(_kind("away", 1, 0.2, 8),)),
    "device rtu": _Side(every_s=40, kinds=(_kind("unplugged", 1, 0.2, 8),)),
    "device foreign": _Side(every_s=40, kinds=(_kind("killed", 1, 0.2, 8), _kind("frozen", 1, 0.2, 8))),
    "broker": _Side(
        every_s=40, kinds=(_kind("killed", 2, 0.1, 10), _kind("stopped", 1, 0.1, 10), _kind("frozen", 1, 0.5, 15))
    ),
    "mirror": _Side(every_s=50, kinds=(_kind("killed", 2, 0.1, 15), _kind("frozen", 1, 0.5, 15))),
    "disk": _Side(every_s=50, kinds=(_kind("full", 4, 1, 25), _kind("full for long", 1, 125, 140))),
    "clock": _Side(every_s=40, kinds=(_kind("stepped", 3, 0, 0), _kind("set right", 1, 0, 0))),
    "processor": _Side(every_s=25, kinds=(_kind("stopped", 1, 0.3, 4), _kind("starved", 2, 1, 6))),
    "watch": _Side(every_s=20, kinds=(_kind("kill -9", 4, 0, 3), _kind("SIGTERM", 1, 0, 3))),
}


def drawn(seed: int, seconds: float) -> list[Harm]:
    """The plan, in order of time."""
    return sorted((harm for side in SIDES for harm in _of(side, seed, seconds)), key=lambda harm: harm.at_s)


def _of(side: str, seed: int, seconds: float) -> Iterator[Harm]:
    chance, kinds = random.Random(f"{side}-{seed}"), SIDES[side].kinds
    at_s = 5.0
    while (at_s := at_s + chance.expovariate(1 / SIDES[side].every_s)) < seconds:
        kind = chance.choices(kinds, [one.weight for one in kinds])[0]
        for_s, amount = chance.uniform(kind.least_s, kind.most_s), 0.0
        if kind.what == "stepped":
            amount = chance.choice((-1, 1)) * chance.choice((chance.uniform(0.3, 30), chance.uniform(30, 3600)))
        if is_calm(at_s) or is_calm(at_s + for_s) or (side == "watch" and not is_killing(at_s, seconds)):
            continue
        yield Harm(at_s=at_s, side=side, what=kind.what, for_s=for_s, amount=amount)
        at_s += for_s


def is_calm(at_s: float) -> bool:
    """Whether nothing is done at that time; the first calm is at the end of the first round."""
    return at_s % ROUND_S >= ROUND_S - CALM_S


def is_killing(at_s: float, seconds: float) -> bool:
    """Whether the watch may be killed then."""
    part_s = seconds / LIVES
    return at_s % part_s < KILLING * part_s
