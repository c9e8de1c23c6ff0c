"""The signals of flow meters as the rig file writes them: pulse counters, frequencies, differential pressures."""

import re
from typing import Final

from brakewater.rig.complaints import Complain, built, is_number, number, quantity, two
from brakewater.rig.tables import PointEntry
from brakewater.signals.flow import Frequency, Root
from brakewater.signals.pulse import NATURAL_ROLL, Pulse
from brakewater.signals.words import RegisterKind
from brakewater.units import Dimension, UnitError, parse

_K_FACTOR: Final = re.compile(r"^\s*([-+.\deE]+)\s*(?:pulses)?\s+per\s+(.+?)\s*$")
_HOLDS: Final = {
    RegisterKind.INT16: 1 << 15,
    RegisterKind.UINT16: 1 << 16,
    RegisterKind.INT32: 1 << 31,
    RegisterKind.UINT32: 1 << 32,
}
"""One more than the largest count that a register shows."""
_MOST_FOLD: Final = 2.0
"""Pulses may come so much faster than at full scale, common practice, no published source."""


def pulse(entry: PointEntry, dimension: Dimension, complain: Complain) -> Pulse | None:
    """A counter of pulses."""
    if not _is_flow(entry, dimension, complain):
        return None
    per_m3, full = _k_factor(entry, complain), quantity(entry, "full-scale", Dimension.FLOW, complain)
    window_ns = _time_ns(entry, "window", ("2 s", "100 ms", "10 min"), complain)
    renewed_ns = _time_ns(entry, "renewed", ("1 s", "0 s", "1 min"), complain)
    rolls = _rolls_at(entry, complain)
    if per_m3 is None or full is None or window_ns is None or renewed_ns is None or rolls is None:
        return None
    if full <= 0:
        complain(("signal", "full-scale"), repr(entry.signal["full-scale"]), "a flow above zero")
        return None
    return built(
        lambda: Pulse(
            pulses_per_m3=per_m3,
            rolls_at=rolls,
            most_per_s=_MOST_FOLD * full * per_m3,
            window_ns=window_ns,
            renewed_ns=renewed_ns,
        ),
        complain,
    )


def frequency(entry: PointEntry, dimension: Dimension, complain: Complain) -> Frequency | None:
    """A frequency in Hz."""
    if not _is_flow(entry, dimension, complain):
        return None
    per_m3 = _k_factor(entry, complain)
    per_count = number(entry, "hz-per-count", 1.0, complain, "Hz a count, without a unit, for example 0.1")
    least = number(entry, "least-hz", 0.0, complain, "Hz, without a unit: below it the flow is 0")
    if per_m3 is None or per_count is None or least is None:
        return None
    return built(lambda: Frequency(pulses_per_m3=per_m3, hz_per_count=per_count, least_hz=least), complain)


def root(entry: PointEntry, dimension: Dimension, complain: Complain) -> Root | None:
    """A differential pressure whose root is the flow."""
    if not _is_flow(entry, dimension, complain):
        return None
    raw = two(entry, "raw", complain, "counts at no and at full pressure, for example [0, 27648]")
    full = quantity(entry, "full-scale", Dimension.FLOW, complain)
    cut = quantity(entry, "cut", Dimension.NUMBER, complain, "1 %")
    is_loop = entry.signal.get("loop", False)
    if not isinstance(is_loop, bool):
        complain(("signal", "loop"), repr(is_loop), "true where the counts are those of a 4-20 mA loop, or false")
        return None
    if raw is None or full is None or cut is None:
        return None
    if not all(is_number(end) for end in raw):
        complain(("signal", "raw"), repr(raw), "two numbers")
        return None
    low, high = float(raw[0]), float(raw[1])
    return built(lambda: Root(raw_low=low, raw_high=high, full_scale=full, cut=cut, loop=is_loop), complain)


def _is_flow(entry: PointEntry, dimension: Dimension, complain: Complain) -> bool:
    if dimension is Dimension.FLOW:
        return True
    complain(("signal", "kind"), repr(entry.signal["kind"]), f"a kind that gives {dimension.value}; this gives a flow")
    return False


def _k_factor(entry: PointEntry, complain: Complain) -> float | None:
    """Pulses a m3 of ``"850 per US gal"``."""
    text = entry.signal.get("k-factor")
    allowed = 'pulses per volume, for example "850 per US gal" or "225 per L"'
    match = _K_FACTOR.match(text) if isinstance(text, str) else None
    if match is None:
        complain(("signal", "k-factor"), "nothing" if text is None else repr(text), allowed)
        return None
    try:
        return parse(match.group(1), Dimension.NUMBER) / parse(f"1 {match.group(2)}", Dimension.VOLUME)
    except UnitError as error:
        complain(("signal", "k-factor"), repr(text), f"{allowed}; found {error.found}; allowed: {error.allowed}")
        return None


def _rolls_at(entry: PointEntry, complain: Complain) -> int | None:
    """The count that reads 0 again: the register's own, or what the file says."""
    kind = RegisterKind(entry.type) if entry.type in list(RegisterKind) else None
    rolls = entry.signal.get("rolls-at", NATURAL_ROLL.get(kind) if kind else None)
    if rolls is None:
        complain(("signal", "rolls-at"), "nothing", f"the count that reads 0 again: {entry.type} alone does not tell")
        return None
    most = _HOLDS.get(kind, 1 << 32) if kind else 1 << 32
    if not isinstance(rolls, int) or isinstance(rolls, bool) or not 10 <= rolls <= most:
        complain(
            ("signal", "rolls-at"), repr(rolls), f"a whole number from 10 to {most}, which is all {entry.type} holds"
        )
        return None
    return rolls


def _time_ns(entry: PointEntry, key: str, usual: tuple[str, str, str], complain: Complain) -> int | None:
    """A duration; ``usual`` is its default, the least and the most."""
    default, least, most = usual
    seconds = quantity(entry, key, Dimension.TIME, complain, default)
    if seconds is None:
        return None
    if not parse(least, Dimension.TIME) <= seconds <= parse(most, Dimension.TIME):
        complain(("signal", key), repr(entry.signal[key]), f"{least} to {most}; {default} is usual")
        return None
    return round(seconds * 1e9)
