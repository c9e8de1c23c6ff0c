"""What contact between rotor and water a trip speaks for: whether the heat comes out of the rotor as late as it should.

The outlet of the trip is worked out (``outlet_model``) for a row of contacts, a twentieth of the rig file's to four
times it; gain and offset are free for each, so neither the brake's share nor a bias of the thermometers moves it. What
fits best is the trip's contact; its 95 % interval is where the squares have not grown beyond what chance would do to
residuals that hang together. A thermowell that has become slow looks just the same from here, so ``SYSTEMATIC`` comes
on top; between trips with the same thermometer it drops out.

``engine.contact`` tells the same while the trip runs, stand by stand, as a ratio without an interval; this needs the
whole trip, and says how sure it is.

Source: profile likelihood of one parameter (chi-square of 3.84), as in any text of statistics.
"""

from dataclasses import dataclass
from math import exp, log, sqrt
from typing import Final

import numpy as np

from brakewater.review.outlet_model import OutletModel, Series
from brakewater.review.samples import Samples
from brakewater.rig import Brake
from brakewater.stream import Floats

SYSTEMATIC: Final = 0.2
"""Relative standard uncertainty by lag and masses that are known to 10 % (``tests/results/2026-11-26-physics.txt``)."""
_SCALES: Final = np.exp(np.linspace(log(0.05), log(4.0), 23))
_CHANCE: Final = 3.84
_WARM_S: Final = 60
"""So long what the rotor was before is not known."""
_LEAST_S: Final = 300
_LONGEST_S: Final = 7200
_LOST_S: Final = 120
"""So long after the water came back the balance counts for nothing."""
_FEWEST: Final = 3.0
"""Samples that do not hang together."""
_NEEDED: Final = ("duty_w", "flow_m3_s", "inlet_degc", "outlet_degc", "level_m")


@dataclass(frozen=True, slots=True, kw_only=True)
class Contact:
    """As a scale of what the rig file says."""

    scale: float
    std: float
    """Relative, by this trip's residuals alone."""

    @property
    def whole_std(self) -> float:
        """Relative, with what lag and masses leave open."""
        return sqrt(self.std * self.std + SYSTEMATIC * SYSTEMATIC)

    @property
    def band(self) -> tuple[float, float]:
        """95 %."""
        part = exp(1.96 * self.whole_std)
        return self.scale / part, self.scale * part


def contact(brake: Brake, samples: Samples, ends: tuple[int, int]) -> Contact | None:
    """Of the samples from ``ends[0]`` up to ``ends[1]``; None where they cannot tell.

    Args:
        brake: with its rotor and housing.
        samples: about a second apart.
        ends: places in them.
    """
    if brake.rotor is None or brake.housing_area is None:
        return None
    within = slice(ends[0], min(ends[1], ends[0] + _LONGEST_S))
    values = {name: samples.values[name][within] for name in _NEEDED}
    known = np.isfinite(np.stack(list(values.values()))).all(axis=0) & (values["flow_m3_s"] >= brake.wetting_flow)
    for at in np.flatnonzero(~known).tolist():
        known[at : at + _LOST_S] = False
    known[:_WARM_S] = False
    if np.count_nonzero(known) < _LEAST_S:
        return None
    filled = {name: _filled(row) for name, row in values.items()}
    series = Series(
        duty=np.nan_to_num(values["duty_w"]), flow=filled["flow_m3_s"], inlet=filled["inlet_degc"],
        outlet=filled["outlet_degc"], level=filled["level_m"], known=known, step_s=samples.step_s,
    )  # fmt: skip
    return _told(series, OutletModel(series, brake))


def _filled(row: Floats) -> Floats:
    good = np.flatnonzero(np.isfinite(row))
    found: Floats = np.interp(np.arange(len(row)), good, row[good])
    return found


def _told(series: Series, model: OutletModel) -> Contact | None:
    used = series.known
    base = model.run(0.0, contact=_SCALES)[used]
    answer = model.run(1.0, contact=_SCALES)[used] - base
    left = series.outlet[used][:, None] - base
    left = left - left.mean(axis=0)
    answer = answer - answer.mean(axis=0)
    gain = (answer * left).sum(axis=0) / np.maximum((answer * answer).sum(axis=0), 1e-12)
    residual = left - gain * answer
    squares = (residual * residual).sum(axis=0)
    best = int(np.argmin(squares))
    if best in (0, len(_SCALES) - 1) or gain[best] <= 0.0:
        return None
    own = residual[:, best]
    hangs = float((own[1:] * own[:-1]).sum() / max(float(squares[best]), 1e-12))
    samples = max(_FEWEST, len(own) * (1.0 - hangs) / (1.0 + hangs))
    logs, grown = np.log(_SCALES), squares / squares[best] - 1.0
    # A parabola through the three about the best: where it is least, and how far until chance explains it no more.
    curve = np.polyfit(logs[best - 1 : best + 2] - logs[best], grown[best - 1 : best + 2], 2)
    bend = max(float(curve[0]), 1e-9)
    shift = max(-0.2, min(0.2, -0.5 * float(curve[1]) / bend))
    return Contact(scale=exp(logs[best] + shift), std=min(2.0, sqrt(_CHANCE / samples / bend) / 1.96))
