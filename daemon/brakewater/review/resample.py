"""Scans as equal stretches of time: time-weighted mean, least and most of what was known, and how much that was.

A value is in force from its scan to the next one by steady time, but no longer than ``hold``: beyond that nothing is
known. So each quantity is a function of time in steps, and a row says of its stretch

    mean   integral of the known values over the time they were known
    least, most   of the known values in force at any time of it, also of one that came before it and was still in force
    known, good   share of the whole stretch in which the value was not bad, and in which it was good

A bad value counts for nothing; an uncertain one counts, and the share that was good tells. Stretches are laid out by
wall time, begun at whole multiples since 1970, and go on from one run into the next; a wall clock that is set back
gives rows of the same time again.
Stretches in which no scan was in force give no row.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from brakewater.quality import is_bad, is_good
from brakewater.stream import Codes, Floats, Ints

_PIECES: Final = 65_536
"""Pieces of scans handled at once, so that memory does not depend on how fine the stretches are."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretches:
    """[k] stretches of [Q] quantities."""

    from_utc_ns: Ints
    """[k]"""
    mean: Floats
    """[k, Q]; means nothing where ``known`` is 0, as ``least`` and ``most``."""
    least: Floats
    most: Floats
    known: Floats
    """[k, Q], 0 to 1"""
    good: Floats
    """[k, Q], 0 to 1"""

    def __len__(self) -> int:
        return len(self.from_utc_ns)


@dataclass(slots=True, kw_only=True, eq=False)
class _Sums:
    """What is summed up over [k] stretches."""

    at: Ints
    integral: Floats
    least: Floats
    most: Floats
    known_ns: Ints
    good_ns: Ints

    def join(self, later: "_Sums") -> None:
        """Take the first stretch of ``later``, which is this one's last, out of it."""
        self.integral[-1] += later.integral[0]
        self.least[-1] = np.minimum(self.least[-1], later.least[0])
        self.most[-1] = np.maximum(self.most[-1], later.most[0])
        self.known_ns[-1] += later.known_ns[0]
        self.good_ns[-1] += later.good_ns[0]

    def cut(self, first: int, last: int) -> "_Sums":
        """Stretches by place."""
        part = slice(first, last)
        return _Sums(
            at=self.at[part],
            integral=self.integral[part],
            least=self.least[part],
            most=self.most[part],
            known_ns=self.known_ns[part],
            good_ns=self.good_ns[part],
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Held:
    """The newest scan, whose time in force is not known yet."""

    t_ns: Ints
    utc_ns: Ints
    values: Floats
    codes: Codes


class Resampler:
    """Takes scans in any number of blocks; gives stretches as soon as they are over."""

    def __init__(self, *, every_ns: int, hold_ns: int, period_ns: int) -> None:
        """Empty.

        Args:
            every_ns: length of a stretch.
            hold_ns: longest time that a value is in force.
            period_ns: how long the last scan of a run is in force.
        """
        self._every_ns, self._hold_ns, self._period_ns = every_ns, hold_ns, period_ns
        self._held: _Held | None = None
        self._open: _Sums | None = None
        """The last stretch, which may not be over."""

    def feed(self, t_ns: Ints, utc_ns: Ints, values: Floats, codes: Codes) -> Iterator[Stretches]:
        """Take scans.

        Args:
            t_ns: [n] steady time.
            utc_ns: [n] wall time.
            values: [n, Q]; what is bad may be anything but NaN.
            codes: [n, Q] reasons.

        Yields:
            Stretches that are over.
        """
        if self._held is not None:
            t_ns, utc_ns = np.concatenate([self._held.t_ns, t_ns]), np.concatenate([self._held.utc_ns, utc_ns])
            values, codes = np.concatenate([self._held.values, values]), np.concatenate([self._held.codes, codes])
        self._held = _Held(t_ns=t_ns[-1:], utc_ns=utc_ns[-1:], values=values[-1:].copy(), codes=codes[-1:].copy())
        lasts = np.minimum(np.diff(t_ns), self._hold_ns)
        step = max(1, _PIECES // (self._hold_ns // self._every_ns + 2))
        for first in range(0, len(lasts), step):
            part = slice(first, min(first + step, len(lasts)))
            yield from self._take(utc_ns[part], lasts[part], values[part], codes[part])

    def pause(self) -> Iterator[Stretches]:
        """No scan follows the last one for now, as at the end of a run; the next run may go on in the same stretch."""
        held, self._held = self._held, None
        if held is not None:
            lasts = np.array([min(self._period_ns, self._hold_ns)])
            yield from self._take(held.utc_ns, lasts, held.values, held.codes)

    def go_on(self, *, hold_ns: int, period_ns: int) -> None:
        """The same quantities, as another run has them: it may scan at another pace."""
        self._hold_ns, self._period_ns = hold_ns, period_ns

    def end(self) -> Iterator[Stretches]:
        """No scan follows any more."""
        yield from self.pause()
        if self._open is not None:
            yield self._stretches(self._open)
            self._open = None

    def _take(self, utc_ns: Ints, lasts_ns: Ints, values: Floats, codes: Codes) -> Iterator[Stretches]:
        sums = self._sums(utc_ns, lasts_ns, values, codes)
        if sums is None:
            return
        if self._open is not None and self._open.at[0] == sums.at[0]:
            self._open.join(sums)
            sums = sums.cut(1, len(sums.at))
        if not len(sums.at):
            return
        if self._open is not None:
            yield self._stretches(self._open)
        if len(sums.at) > 1:
            yield self._stretches(sums.cut(0, -1))
        self._open = sums.cut(len(sums.at) - 1, len(sums.at))

    def _sums(self, utc_ns: Ints, lasts_ns: Ints, values: Floats, codes: Codes) -> _Sums | None:
        """Cut each scan's time where a stretch ends, and sum up neighbouring pieces of one stretch."""
        every = self._every_ns
        ends = utc_ns + lasts_ns
        first = utc_ns // every
        counts = np.where(lasts_ns > 0, (ends - 1) // every - first + 1, 0)
        scan = np.repeat(np.arange(len(utc_ns)), counts)
        if not len(scan):
            return None
        before = np.repeat(np.cumsum(counts) - counts, counts)
        at = first[scan] + np.arange(len(scan)) - before
        length = np.minimum(ends[scan], (at + 1) * every) - np.maximum(utc_ns[scan], at * every)
        starts = np.flatnonzero(np.concatenate([[True], at[1:] != at[:-1]]))
        bad = is_bad(codes)[scan]
        known = np.where(bad, 0, length[:, np.newaxis])
        taken = values[scan]
        return _Sums(
            at=at[starts],
            integral=np.add.reduceat(np.where(bad, 0.0, known * taken), starts, axis=0),
            least=np.minimum.reduceat(np.where(bad, np.inf, taken), starts, axis=0),
            most=np.maximum.reduceat(np.where(bad, -np.inf, taken), starts, axis=0),
            known_ns=np.add.reduceat(known, starts, axis=0),
            good_ns=np.add.reduceat(np.where(is_good(codes)[scan], known, 0), starts, axis=0),
        )

    def _stretches(self, sums: _Sums) -> Stretches:
        return Stretches(
            from_utc_ns=sums.at * self._every_ns,
            mean=sums.integral / np.maximum(sums.known_ns, 1),
            least=sums.least,
            most=sums.most,
            # Over 1 where a run began before the last scan of the one before was a period old.
            known=np.minimum(sums.known_ns / self._every_ns, 1.0),
            good=np.minimum(sums.good_ns / self._every_ns, 1.0),
        )
