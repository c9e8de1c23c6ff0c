"""What part of the current that it is asked for a coil takes, once a second.

Where little is asked for, nothing can be said: a driller who has let go of the lever has not mended the exciter. A
coil's current follows late (its inductance), so what is asked for must have been so for two seconds running: the
lesser of both counts.
"""

from typing import Any, Final

import numpy as np

from brakewater.engine.held import Held, within
from brakewater.engine.seconds import GOOD, Groups
from brakewater.quality import Reason
from brakewater.rig import Brake

_LEAST: Final = 0.1
"""Of the rated current: with less asked for nothing is said; an assumption."""
_LEAST_A: Final = 5.0
"""The same where the rated current is not known."""
_MOST: Final = 10.0
"""As far as a share is told."""


def least_a(brake: Brake) -> float:
    """Less current than this, A, tells nothing of the coil."""
    return _LEAST * brake.torque.current if brake.torque is not None else _LEAST_A


class Excitation:
    """Of one brake."""

    def __init__(self, brake: Brake) -> None:
        self._least_a = least_a(brake)
        self._before_a = 0.0

    def feed(self, groups: Groups) -> dict[str, Held]:
        """``excitation_share`` after each of [m] groups."""
        good = groups.worst("coil", "asked") == GOOD
        asked = np.where(good, within(groups.means["asked"], 0.0, 1e5), 0.0)
        before = np.concatenate(([self._before_a], asked[:-1]))
        self._before_a = float(asked[-1])
        least = np.minimum(asked, before)
        known = least >= self._least_a
        share = within(groups.means["coil"], 0.0, 1e5) / np.where(known, least, 1.0)
        codes = np.where(known, np.uint8(Reason.GOOD), np.uint8(Reason.NO_BASIS))
        return {"excitation_share": Held(values=np.where(known, np.minimum(share, _MOST), 0.0), codes=codes)}

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {"before": self._before_a}

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot."""
        self._before_a = kept["before"]
