"""Damping: the mean of the last N scans.

A transmitter's damping is a first-order lag. That one is a recursion, whose last bit would depend on how it is
vectorised, and it never quite forgets a wrong sample. The moving mean has neither fault. N is fixed from the cadence
so that both let the same noise through: the lag's equivalent noise bandwidth is 1/(4 tau), the mean's 1/(2 N scan), so
N = 2 tau/scan. A step is through after N scans, two time constants, where the lag shows 86 % of it. (From memory.)

What is bad is left out of the mean, and *a bad newest sample shows at once*, bad with its own reason: damping never
hides a failure. A sample after a failure shows at once as well, undamped at first. A mean is as uncertain as the most
uncertain sample in it.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from brakewater.quality import Codes, Reason, is_bad
from brakewater.signals import kept, require
from brakewater.stream import Floats, Ints

MOST_SCANS: Final = 600
"""Keeps a point's state below about 15 KB."""

_D = TypeVar("_D", np.float64, np.int64, np.uint8)


@dataclass(frozen=True, slots=True, kw_only=True)
class Damping:
    """How much."""

    damping_ns: int
    """Time constant of the first-order lag that lets the same noise through."""
    scan_ns: int
    """The rig's cadence."""

    def __post_init__(self) -> None:
        require.above_zero("scan_ns", self.scan_ns, "the rig's cadence")
        require.above_zero("damping_ns", self.damping_ns, "leave damping out where none is wanted")
        if self.scans > MOST_SCANS:
            most = MOST_SCANS * self.scan_ns // 2
            raise ValueError(f"damping_ns: found {self.damping_ns}; allowed: up to {most} at this cadence; damp less")

    @property
    def scans(self) -> int:
        """N, at least 1, which does nothing."""
        return max(1, round(2 * self.damping_ns / self.scan_ns))


class Damper:
    """Damps one point. Bit-identical however the scans are cut; after N scans' time without any, afresh."""

    def __init__(self, damping: Damping) -> None:
        self._n = damping.scans
        self._span_ns = self._n * damping.scan_ns
        self._last_ns: int | None = None
        self._forget()

    def _forget(self) -> None:
        self._values: Floats = np.zeros(self._n - 1)
        self._codes: Codes = np.zeros(self._n - 1, np.uint8)
        self._used: Ints = np.zeros(self._n - 1, np.int64)

    def feed(self, values: Floats, codes: Codes, t_ns: Ints) -> tuple[Floats, Codes]:
        """[n] damped values and codes of [n] values, codes and times of the scans (steady, never backwards)."""
        if not len(t_ns):
            return values, codes
        before = t_ns[:1] if self._last_ns is None else np.array([self._last_ns])
        breaks = np.flatnonzero(np.diff(t_ns, prepend=before) >= self._span_ns)
        self._last_ns = int(t_ns[-1])
        if not len(breaks):
            return self._unbroken(values, codes)
        parts = [self._unbroken(values[: breaks[0]], codes[: breaks[0]])]
        for first, end in zip(breaks, [*breaks[1:], len(t_ns)], strict=True):
            self._forget()
            parts.append(self._unbroken(values[first:end], codes[first:end]))
        return np.concatenate([part[0] for part in parts]), np.concatenate([part[1] for part in parts])

    def _unbroken(self, values: Floats, codes: Codes) -> tuple[Floats, Codes]:
        bad = is_bad(codes)
        x = np.concatenate((self._values, np.where(bad, 0.0, values)))
        worst = np.concatenate((self._codes, np.where(bad, np.uint8(0), codes)))
        used = np.concatenate((self._used, (~bad).astype(np.int64)))
        keep = len(x) - self._n + 1
        self._values, self._codes, self._used = x[keep:], worst[keep:], used[keep:]
        with np.errstate(over="ignore"):
            mean = _window(x, self._n, np.add) / np.maximum(_window(used, self._n, np.add), 1)
        told = np.where(bad, codes, _window(worst, self._n, np.maximum))
        told = np.where(bad | np.isfinite(mean), told, np.uint8(Reason.NOT_A_NUMBER))
        return np.where(is_bad(told), 0.0, mean), told

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "last": kept.text(self._last_ns),
            "values": self._values.tolist(),
            "codes": self._codes.tolist(),
            "used": self._used.tolist(),
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a snapshot made with the same settings."""
        self._last_ns = kept.number(state["last"])
        self._values = np.array(state["values"], np.float64)
        self._codes = np.array(state["codes"], np.uint8)
        self._used = np.array(state["used"], np.int64)


def _window(x: NDArray[_D], n: int, join: Callable[[NDArray[_D], NDArray[_D]], NDArray[_D]]) -> NDArray[_D]:
    """Every n neighbours joined: [len(x) - n + 1], window i starting at i.

    Stretches of 1, 2, 4... neighbours are joined to stretches of twice the length, and those that make up n are joined.
    The order depends on n alone, so a window's last bit does not depend on where the array was cut.
    """
    windows = len(x) - n + 1
    stretch, length, at = x, 1, 0
    joined: NDArray[_D] | None = None
    while True:
        if n & length:
            part = stretch[at : at + windows]
            joined = part if joined is None else join(joined, part)
            at += length
        if 2 * length > n:
            assert joined is not None  # n is at least 1, so it has a highest bit
            return joined
        stretch = join(stretch[:-length], stretch[length:])
        length *= 2
