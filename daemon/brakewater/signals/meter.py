"""Flow from a pulse counter: the pulses of the last window over the time they took.

The difference over a window, not from scan to scan: at 20 pulses a second and five scans a second one pulse more or
less is a quarter of the flow, over 2 s a fortieth. The window begins at the last sample that is at least ``window_ns``
old. Only pulses and times of steps that are known enter: none in which the count went back or began anew, and none
longer than the window, since a mean over a long silence says nothing of now. Everything is a whole number until the one
division at the end, so nothing depends on how the scans are cut.

    COUNTER_REVERSED (bad)        the count went back within the window
    UNKNOWN (bad)                 no known step within the window: the first sample of all, or after a silence
    COUNTER_RESET (uncertain)     the counter began anew within the window
    SETTLING (uncertain)          the known steps do not fill the window yet
    OUT_OF_SENSOR_RANGE (bad)     the register shows a count that it should have rolled over at

Volume goes on by every step that can be told, the long ones too; a count that went back takes off, and where a counter
began anew nothing is added, since nobody saw what was counted before.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from brakewater.quality import Codes, Reason, is_bad
from brakewater.signals import kept
from brakewater.signals.pulse import Pulse, Steps, Went, steps
from brakewater.stream import Floats, Ints

_ML_PER_M3 = 1e6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Metered:
    """A counter over [n] scans."""

    flow: Floats
    """In m3/s; 0.0 where bad."""
    codes: Codes
    volume_ml: Ints
    """Total since the stage was made, in whole mL, after each scan; goes on from a snapshot."""


class PulseMeter:
    """Makes the flow of one counter."""

    def __init__(self, pulse: Pulse) -> None:
        self._pulse = pulse
        self._count: int | None = None
        self._total = 0
        # Samples of the running window, oldest first, each with the step that led to it.
        self._t: Ints = np.empty(0, np.int64)
        self._pulses: Ints = np.empty(0, np.int64)
        self._known_ns: Ints = np.empty(0, np.int64)
        self._went: Codes = np.empty(0, np.uint8)

    def feed(self, counts: Floats, codes: Codes, t_ns: Ints) -> tuple[Floats, Codes]:
        """[n] flows in m3/s and codes; see ``meter``."""
        metered = self.meter(counts, codes, t_ns)
        return metered.flow, metered.codes

    def meter(self, counts: Floats, codes: Codes, t_ns: Ints) -> Metered:
        """Flow, codes and volume of [n] counts, their codes and sample times (scan time less the sample's age).

        A sample met again on a slow line, its time unmoved, changes nothing.
        """
        beyond = ~is_bad(codes) & ~((counts >= 0.0) & (counts < self._pulse.rolls_at))
        told = np.where(beyond, np.uint8(Reason.OUT_OF_SENSOR_RANGE), codes)
        flow, totals = np.zeros(len(counts)), np.full(len(counts), self._total, np.int64)
        counted = ~is_bad(told)
        at = np.flatnonzero(counted)
        if len(at):
            since = self._take(counts[at].astype(np.int64), t_ns[at])
            flow[at], own = self._flow(len(at))
            told[at] = np.maximum(told[at], own)
            totals += np.concatenate(([0], since))[np.cumsum(counted)]
            self._total = int(totals[-1])
        volume = np.floor(totals * (_ML_PER_M3 / self._pulse.pulses_per_m3)).astype(np.int64)
        return Metered(flow=flow, codes=told, volume_ml=volume)

    def _take(self, counts: Ints, t_ns: Ints) -> Ints:
        """Put [m] samples to the window; pulses since the block's beginning after each of them."""
        before = counts[:1] if self._count is None else np.array([self._count])
        t = np.maximum.accumulate(np.concatenate((self._t[-1:] if len(self._t) else t_ns[:1], t_ns)))
        new = steps(self._pulse, np.concatenate((before, counts)), t)
        self._count = int(counts[-1])
        self._t = np.concatenate((self._t, t[1:]))
        self._remember(new)
        return np.cumsum(new.pulses)

    def _remember(self, new: Steps) -> None:
        known = (new.went == Went.ON) & (new.elapsed_ns <= self._pulse.window_ns)
        self._pulses = np.concatenate((self._pulses, np.where(known, new.pulses, 0)))
        self._known_ns = np.concatenate((self._known_ns, np.where(known, new.elapsed_ns, 0)))
        self._went = np.concatenate((self._went, new.went))

    def _flow(self, m: int) -> tuple[Floats, Codes]:
        """Flow and own code of the newest m samples; forgets what no later window can reach."""
        window_ns = self._pulse.window_ns
        end = np.arange(len(self._t) - m, len(self._t))
        begin = np.maximum(np.searchsorted(self._t, self._t[end] - window_ns, side="right") - 1, 0)
        pulses, known_ns = _within(self._pulses, begin, end), _within(self._known_ns, begin, end)
        codes = np.where(known_ns < window_ns, np.uint8(Reason.SETTLING), np.uint8(Reason.GOOD))
        codes = np.where(known_ns == 0, np.uint8(Reason.UNKNOWN), codes)
        for went, reason in ((Went.ANEW, Reason.COUNTER_RESET), (Went.BACK, Reason.COUNTER_REVERSED)):
            those = self._went == went
            if those.any():
                codes = np.where(_within(those, begin, end) > 0, np.maximum(codes, np.uint8(reason)), codes)
        flow = (pulses / self._pulse.pulses_per_m3) / (np.maximum(known_ns, 1) / 1e9)
        self._forget(int(begin[-1]))
        return np.where(is_bad(codes), 0.0, flow), codes

    def _forget(self, before: int) -> None:
        self._t, self._pulses = self._t[before:], self._pulses[before:]
        self._known_ns, self._went = self._known_ns[before:], self._went[before:]

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps: about 40 bytes a sample of the window."""
        return {
            "count": self._count,
            "total": str(self._total),
            "t": kept.texts(self._t),
            "pulses": self._pulses.tolist(),
            "known": kept.texts(self._known_ns),
            "went": self._went.tolist(),
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a snapshot made with the same settings."""
        self._count = state["count"]
        self._total = int(state["total"])
        self._t = kept.ints(state["t"])
        self._pulses = np.array(state["pulses"], np.int64)
        self._known_ns = kept.ints(state["known"])
        self._went = np.array(state["went"], np.uint8)


def _within(column: Ints | NDArray[np.bool_], begin: Ints, end: Ints) -> Ints:
    """Sums of whole numbers over windows, each after its begin and up to its end."""
    sums = np.cumsum(column, dtype=np.int64)
    return sums[end] - sums[begin]
