"""What the rig file asks for between a point's conversion and its use: records only.

Nothing of it is done, and nothing of it costs, where the rig file does not ask for it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from brakewater.signals.damping import Damping
from brakewater.signals.frozen import Standstill
from brakewater.signals.jump import JumpLimit
from brakewater.signals.trim import Trim
from brakewater.stream import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditioning:
    """The stages of one point, in the order in which they are met."""

    sensor_range: tuple[float, float] | None = None
    """What the sensor can measure, in SI; beyond it a value is no measurement."""
    jump: JumpLimit | None = None
    standstill: Standstill | None = None
    trim: Trim | None = None
    damping: Damping | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Accuracy:
    """A sensor's largest permitted error: ``fixed + share * |value|``, in SI."""

    fixed: float
    share: float = 0.0

    def at(self, values: Floats) -> Floats:
        """At each of [n] values."""
        return self.fixed + self.share * np.abs(values)


def worst(parts: Sequence[Accuracy]) -> Accuracy | None:
    """Independent parts all at their worst at once; None of none."""
    if not parts:
        return None
    return Accuracy(fixed=sum(part.fixed for part in parts), share=sum(part.share for part in parts))
