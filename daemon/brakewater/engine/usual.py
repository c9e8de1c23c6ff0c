"""How far the return has fallen below its usual, which tells a choked return from a rising inflow.

While the brake fills, less comes back than goes in, whatever the reason. With a choke the return falls; with a larger
inflow it stands or grows. The usual return follows slowly while what comes back is about what goes in, once a second.
"""

from typing import Any, Final

import numpy as np

from brakewater.engine.held import Held, within
from brakewater.engine.seconds import GOOD, Groups
from brakewater.quality import Reason

_LEVEL_M3_S: Final = 2e-4
"""Inflow and return so near each other count as balanced, 3 gal/min; an assumption."""
_FOLLOWS_S: Final = 120.0
"""How slowly the usual follows; an assumption."""


class UsualReturn:
    """Of one brake."""

    def __init__(self) -> None:
        self._usual: float | None = None

    def feed(self, groups: Groups) -> dict[str, Held]:
        """``return_drop_m3_s``: the usual return less the one now, after each of [m] groups."""
        good = groups.worst("flow", "back") == GOOD
        flows, backs = within(groups.means["flow"], 0.0, 1.0), within(groups.means["back"], 0.0, 1.0)
        values, codes = [], []
        for flow, back, ok in zip(flows.tolist(), backs.tolist(), good.tolist(), strict=True):
            if ok and -_LEVEL_M3_S <= flow - back <= _LEVEL_M3_S:
                self._usual = back if self._usual is None else self._usual + (back - self._usual) / _FOLLOWS_S
            known = ok and self._usual is not None
            values.append((self._usual or 0.0) - back if known else 0.0)
            codes.append(Reason.GOOD if known else Reason.NO_BASIS)
        return {"return_drop_m3_s": Held(values=np.array(values), codes=np.array(codes, np.uint8))}

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {"usual": self._usual}

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot."""
        self._usual = kept["usual"]
