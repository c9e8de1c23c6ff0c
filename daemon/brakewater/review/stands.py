"""Stands of a record: by the hoist where it can be read, else by heat; no glitch is taken for an empty hook.

The engine counts sample by sample, one way or the other, and what it counted is in the record. Whoever looks back sees
both sides of each moment.
"""

from bisect import bisect_right
from typing import Final

import numpy as np
from numpy.typing import NDArray

from brakewater.review.samples import Samples
from brakewater.stream import Floats, Ints
from brakewater.trips.stands import HeatStands, HoistStands, Stand

_UNSEEN_NS: Final = 600_000_000_000
"""Where the hoist could not be read for so long, stands are found from heat: several of them. An assumption."""
_GLITCH_NS: Final = 10_000_000_000
"""A load that is away for no longer and comes back to what it was was not on the hook; slips are set for a minute.
An assumption, as both ratios below are."""
_AWAY: Final = 2.0
"""A load that changes by this ratio from one sample to the next is away."""
_BACK: Final = 1.25
"""By this ratio at most it differs once it is back."""


def stands_of(samples: Samples) -> list[Stand]:
    """All stands in order of time; one found from heat has no way."""
    load, block, heat = (samples.values[name] for name in ("load_n", "block_m", "heat_w"))
    seen = np.flatnonzero(np.isfinite(load) & np.isfinite(block))
    seen = seen[steady(load[seen], samples.t_ns[seen])]
    hoist = _by_hoist(seen, samples.t_ns, load, block)
    unseen = np.flatnonzero(np.isfinite(heat) & _unseen(seen, samples.t_ns))
    pulses = [one for one in _by_heat(unseen, samples.t_ns, heat) if not _meets(one, hoist)]
    return sorted([*hoist, *pulses], key=lambda stand: stand.begin)


def _by_hoist(at: Ints, t_ns: Ints, load: Floats, block: Floats) -> list[Stand]:
    hoist = HoistStands()
    made = [hoist.feed(one, int(t_ns[one]), float(load[one]), float(block[one])) for one in at.tolist()]
    return [stand for stand in made if stand is not None]


def _by_heat(at: Ints, t_ns: Ints, heat: Floats) -> list[Stand]:
    pulses = HeatStands()
    made = [pulses.feed(one, int(t_ns[one]), float(heat[one])) for one in at.tolist()]
    return [stand for stand in made if stand is not None]


def _unseen(seen: Ints, t_ns: Ints) -> NDArray[np.bool_]:
    """[n] whether a sample lies where the hoist could not be read for long."""
    if not len(seen):
        return np.ones(len(t_ns), np.bool_)
    after = np.searchsorted(seen, np.arange(len(t_ns)))  # the first one seen that is not before it
    begin = np.where(after > 0, t_ns[seen[np.maximum(after - 1, 0)]], t_ns[0])
    end = np.where(after < len(seen), t_ns[seen[np.minimum(after, len(seen) - 1)]], t_ns[-1])
    unseen = end - begin > _UNSEEN_NS
    unseen[seen] = False
    return unseen


def _meets(one: Stand, others: list[Stand]) -> bool:
    """Whether any of the others, which follow each other in time, falls into its time."""
    at = bisect_right(others, one.begin, key=lambda other: other.end)
    return at < len(others) and others[at].begin < one.end


def steady(load: Floats, t_ns: Ints) -> NDArray[np.bool_]:
    """[n] where a load is not one that was away for a moment, as of an indicator that is zeroed, drops out or jumps."""
    keep, done = np.ones(len(load), np.bool_), 0
    away = (load[:-1] > 0.0) & ((load[1:] < load[:-1] / _AWAY) | (load[1:] > load[:-1] * _AWAY))
    for at in (np.flatnonzero(away) + 1).tolist():
        if at >= done:
            done = _back(load, t_ns, at)
            keep[at:done] = False
    return keep


def _back(load: Floats, t_ns: Ints, at: int) -> int:
    """Where a load that is away from here on is back again; ``at`` itself where it does not come back soon."""
    before, later = float(load[at - 1]), at + 1
    while later < len(load) and t_ns[later] - t_ns[at] <= _GLITCH_NS:
        if before / _BACK <= load[later] <= before * _BACK:
            return later
        later += 1
    return at
