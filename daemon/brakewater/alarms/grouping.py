"""Which alarms follow from which: one cause gives one leading alarm, and its consequences are shown as such.

An alarm that comes while one of its leaders stands follows from it. It is announced all the same, and keeps its own
priority; only it is no first-out, and does not sound again where its leader is at least as urgent and was silenced or
seen, unless it is a danger of its own. A masked leader leads nothing.
"""

from typing import Final

_HOT: Final = ("outlet-temperature-high", "outlet-rise-high", "cooling-margin-low")
_WARM: Final = ("outlet-temperature-high", "cooling-margin-low")
"""Of a warm inlet: how much the water warms up in the brake does not hang on it."""
_DRY: Final = ("cooling-lost", "cooling-flow-low", "rotor-hot-no-flow", *_HOT)

CONSEQUENCES: Final[dict[str, tuple[str, ...]]] = {
    "device-silent": ("cooling-lost", "rotor-hot-no-flow"),
    "device-stuck": ("cooling-lost", "rotor-hot-no-flow"),
    "pump-stopped": ("supply-pressure-low", *_DRY),
    "tank-level-low": ("supply-pressure-low", *_DRY),
    "strainer-fouling": ("supply-pressure-low", *_DRY),
    "supply-pressure-low": _DRY,
    "cooling-lost": ("cooling-flow-low", "rotor-hot-no-flow", *_HOT),
    "cooling-flow-low": _HOT,
    "inlet-limit-ahead": ("inlet-temperature-high",),
    "inlet-temperature-high": _WARM,
    "return-restricted": ("brake-level-rising", "brake-level-high"),
    "brake-level-rising": ("brake-level-high",),
    "excitation-low": ("excitation-reduced", "brake-weakening", "heat-share-low"),
    "excitation-reduced": ("brake-weakening", "heat-share-low"),
}
"""Leader -> what follows from it; of one brake, or of the rig and any brake."""

ESCALATES: Final = frozenset({"brake-level-high", "rotor-hot-no-flow", "outlet-temperature-high"})
"""What follows and yet asks for another response: whoever has seen that the level rises, or that the water is lost, has
not seen that it is at the bearings, or the rotor hot; who has seen that the inlet is warm or the flow small, not that
the outlet is at its limit, hours later perhaps. It sounds in any case."""

BY_UNKNOWN: Final = frozenset({"device-silent", "device-stuck"})
"""Leaders that only make values unknown: nothing measured follows from them."""


def leaders(kind: str) -> tuple[str, ...]:
    """What an alarm may follow from, in the order of the table."""
    return tuple(leader for leader, follow in CONSEQUENCES.items() if kind in follow)


def depth(kind: str) -> int:
    """0 for what follows from nothing, else one more than its farthest leader: the order within one scan."""
    return max((1 + depth(leader) for leader in leaders(kind)), default=0)
