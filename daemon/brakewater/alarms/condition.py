"""From a watched quantity to the moments an alarm's condition comes and goes.

A scan falls into one of four regions: CLEAR, WITHIN the deadband, BEYOND the setpoint, or UNKNOWN. Delays are times
between scans as recorded, so only the scans where the region changes need a look: each run of equal regions is met
once, and where a delay ends inside a run is found by bisection. The result is the same however a stream is cut.

A condition that came ``rises`` times within ``calm_ns`` chatters: its off-delay is then at least ``calm_ns``, so that
it stays up until it has been calm for so long.

Rules: an on-delay counts while the value stays beyond the setpoint and goes on through the unknown; an off-delay
counts only while the value is known to be clear; the unknown never clears anything. What came because the value was
unknown turns once more when it is known to lie beyond the setpoint for as long as ``measured_ns``. Where ``drains`` is
given, the on-delay is a sum of times beyond the setpoint instead, which the times between take off again, slowly: a
loose wire is bad for a moment, often.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from brakewater.stream import Ints

Regions = NDArray[np.uint8]

CLEAR: Final = 0
WITHIN: Final = 1
BEYOND: Final = 2
UNKNOWN: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Delays:
    """Nanoseconds of steady time."""

    on_ns: int
    off_ns: int
    unknown_ns: int | None = None
    """After this long an unknown value raises the alarm; None: never."""
    measured_ns: int | None = None
    """What came as unknown turns again after so long beyond the setpoint; None: never."""
    calm_ns: int | None = None
    """None: chatter is not looked for."""
    rises: int = 3
    drains: int | None = None
    """It takes so many times as long to take a time beyond the setpoint off the sum again; None: no sum, a stay that
    ends counts for nothing."""


@dataclass(slots=True, kw_only=True)
class Memory:
    """What a condition carries from block to block."""

    raised: bool = False
    since_ns: int | None = None
    """Start of the stay that a running delay counts from."""
    blind_ns: int | None = None
    """Start of the present unknown stay, where that counts."""
    rose_ns: tuple[int, ...] = ()
    """When it last came, the newest last; as many as chatter needs."""
    unmeasured: bool = False
    """It came as unknown, and has not been measured since."""
    beyond_ns: int | None = None
    """Start of the present stay beyond the setpoint of what came as unknown."""
    fill: "Fill | None" = None
    """The sum of times beyond the setpoint, where it is one that drains and is not empty."""

    @property
    def rests(self) -> bool:
        """Not raised and nothing running: a block that is CLEAR throughout changes nothing."""
        return not self.raised and self.since_ns is None and self.blind_ns is None and self.fill is None


@dataclass(frozen=True, slots=True)
class Fill:
    """A sum of times that drains, as it stood when it last began to grow or to shrink."""

    level: int
    """In nanoseconds, times ``drains``: all of it in whole numbers, so that it is the same however a stream is cut."""
    t_ns: int
    grows: bool

    def at(self, t_ns: int, drains: int) -> int:
        """The level later on."""
        past_ns = t_ns - self.t_ns
        return self.level + drains * past_ns if self.grows else max(0, self.level - past_ns)


@dataclass(frozen=True, slots=True)
class Turn:
    """The condition came or went at one scan of the block."""

    at: int
    raised: bool
    unknown: bool
    """It came because the value was unknown for too long."""
    measured: bool = False
    """It stood already, as unknown, and is measured now."""


def turns(regions: Regions, t_ns: Ints, delays: Delays, memory: Memory) -> list[Turn]:
    """Where the condition comes and goes in a block; updates ``memory``.

    Args:
        regions: [n] region of each scan.
        t_ns: [n] steady time, not falling.
        delays: on, off and unknown delay.
        memory: carried over from the scan before.
    """
    edges = (np.flatnonzero(regions[1:] != regions[:-1]) + 1).tolist() if len(regions) > 1 else []
    if not edges and _quiet(int(regions[0]), delays, memory):
        return []
    found: list[Turn] = []
    starts = [0, *edges]
    ends = [*edges, len(regions)]
    for first, last in zip(starts, ends, strict=True):
        region = int(regions[first])
        turn = _raise(region, first, last, t_ns, delays, memory) if not memory.raised else None
        if turn is None and memory.raised:
            turn = _clear(region, first, last, t_ns, delays, memory) or _measured(
                region, first, last, t_ns, delays, memory
            )
        if turn is not None:
            found.append(turn)
    return found


def _quiet(region: int, delays: Delays, memory: Memory) -> bool:
    """Nothing is running and nothing can start: the common case."""
    if memory.since_ns is not None or memory.blind_ns is not None or memory.beyond_ns is not None:
        return False
    if memory.fill is not None:
        return False
    if memory.raised:
        return region != CLEAR and not (memory.unmeasured and region == BEYOND)
    return region in (CLEAR, WITHIN) or (region == UNKNOWN and delays.unknown_ns is None)


def _reached(deadline_ns: int, first: int, last: int, t_ns: Ints) -> int | None:
    """The first scan of [first, last) at or after a deadline."""
    if last - first == 1:  # the same for one scan, only quicker
        return first if t_ns.item(first) >= deadline_ns else None
    at = max(first, int(np.searchsorted(t_ns, deadline_ns, side="left")))
    return at if at < last else None


def chatters(delays: Delays, memory: Memory) -> bool:
    """Whether it came too often when it last came."""
    rose = memory.rose_ns
    return delays.calm_ns is not None and len(rose) >= delays.rises and rose[-1] - rose[0] <= delays.calm_ns


def _stayed(region: int, first: int, last: int, t_ns: Ints, delays: Delays, memory: Memory) -> int | None:
    """Where an on-delay ends that begins anew with every stay."""
    if region == BEYOND and memory.since_ns is None:
        memory.since_ns = int(t_ns[first])
    elif region in (CLEAR, WITHIN):
        memory.since_ns = None
    return None if memory.since_ns is None else _reached(memory.since_ns + delays.on_ns, first, last, t_ns)


def _filled(region: int, first: int, last: int, t_ns: Ints, drains: int, delays: Delays, memory: Memory) -> int | None:
    """Where a sum of times reaches the on-delay."""
    now_ns, grows, fill = int(t_ns[first]), region == BEYOND, memory.fill
    if fill is None:
        if not grows:
            return None
        fill = Fill(0, now_ns, grows=True)
    elif fill.grows != grows:
        fill = Fill(fill.at(now_ns, drains), now_ns, grows=grows)
    memory.fill = fill if grows or fill.at(int(t_ns[last - 1]), drains) else None
    missing = drains * delays.on_ns - fill.level
    return _reached(fill.t_ns - (-missing // drains), first, last, t_ns) if grows else None


def _raise(region: int, first: int, last: int, t_ns: Ints, delays: Delays, memory: Memory) -> Turn | None:
    if region != UNKNOWN or delays.unknown_ns is None:
        memory.blind_ns = None
    elif memory.blind_ns is None:
        memory.blind_ns = int(t_ns[first])
    if delays.drains is None:
        held = _stayed(region, first, last, t_ns, delays, memory)
    else:
        held = _filled(region, first, last, t_ns, delays.drains, delays, memory)
    blind = (
        None
        if memory.blind_ns is None or delays.unknown_ns is None
        else _reached(memory.blind_ns + delays.unknown_ns, first, last, t_ns)
    )
    moments = [at for at in (held, blind) if at is not None]
    if not moments:
        return None
    memory.raised, memory.since_ns, memory.blind_ns, memory.fill = True, None, None, None
    if delays.calm_ns is not None:
        memory.rose_ns = (*memory.rose_ns, int(t_ns[min(moments)]))[-delays.rises :]
    unknown = held is None or (blind is not None and blind < held)
    memory.unmeasured = unknown and delays.measured_ns is not None
    return Turn(at=min(moments), raised=True, unknown=unknown)


def _clear(region: int, first: int, last: int, t_ns: Ints, delays: Delays, memory: Memory) -> Turn | None:
    if region != CLEAR:
        memory.since_ns = None
        return None
    if memory.since_ns is None:
        memory.since_ns = int(t_ns[first])
    calm_ns = delays.calm_ns if delays.calm_ns is not None and chatters(delays, memory) else 0
    at = _reached(memory.since_ns + max(delays.off_ns, calm_ns), first, last, t_ns)
    if at is None:
        return None
    memory.raised, memory.since_ns, memory.unmeasured, memory.beyond_ns = False, None, False, None
    return Turn(at=at, raised=False, unknown=False)


def _measured(region: int, first: int, last: int, t_ns: Ints, delays: Delays, memory: Memory) -> Turn | None:
    """What came as unknown, told once more when it has been measured for long enough."""
    if not memory.unmeasured or delays.measured_ns is None or region != BEYOND:
        memory.beyond_ns = None
        return None
    if memory.beyond_ns is None:
        memory.beyond_ns = int(t_ns[first])
    at = _reached(memory.beyond_ns + delays.measured_ns, first, last, t_ns)
    if at is None:
        return None
    memory.unmeasured, memory.beyond_ns = False, None
    return Turn(at=at, raised=True, unknown=False, measured=True)
