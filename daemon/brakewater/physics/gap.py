"""The air gap between rotor and stator from feeler-gauge readings: what the magnets see, and the torque it costs.

Scale is no iron: the magnetic gap is the clearance plus the scale on either face. Of iron that is not saturated the
field goes with 1 / gap and the torque at low speed with its square (from memory; textbooks on magnetic circuits). The
readings' spread around the brake tells a bearing going or a rotor out of round, whatever their mean does.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from brakewater.physics.trend import Line, line
from brakewater.physics.uncertainty import COVERAGE

NOMINAL_M: Final = (0.004 * 0.0254, 0.005 * 0.0254)
"""Gap as new, 0.004 to 0.005 in; common practice, no published source."""
FEELER_M: Final = 0.0005 * 0.0254 / 3.0**0.5
"""Standard uncertainty by half a step of a feeler-gauge set of 0.001 in: no reading is better; common practice."""
_NEWEST: Final = 6
"""Surveys of which the trend is made: wear grows ever faster, and a year's slope would lag behind it."""
_APART_S: Final = 12 * 3600.0
"""Surveys nearer than this to a later one are of the same gap, measured again: nothing wears so fast. An assumption."""
HORIZON_S: Final = 30 * 86_400.0
KNOWN_TO: Final = 0.15
"""A torque index with a wider expanded uncertainty cannot show a gap a tenth wider, which takes 0.17: an assumption."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """The gap all around, as one round of readings found it; m and s."""

    t_s: float
    mean_m: float
    least_m: float
    """Smallest clearance, scale not added: where the rotor touches first."""
    most_m: float
    """Largest magnetic gap."""
    spread_m: float
    """Largest less smallest reading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Between what the gap may lie, m."""

    nominal_m: float = 0.5 * (NOMINAL_M[0] + NOMINAL_M[1])
    least_m: float = 0.002 * 0.0254
    most_m: float = 0.006 * 0.0254


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """Where the gap goes: share of what it may drift that will be used up in thirty days, 1.0 at the limit."""

    share: float
    now: float
    """The same share by the newest survey alone."""
    mean: Line | None
    most: Line | None
    least: Line | None


def vague(std: float) -> bool:
    """A torque index of this standard uncertainty is known too little to be called as new."""
    return COVERAGE * std > KNOWN_TO


def survey(t_s: float, readings: Mapping[str, float], scale_m: float = 0.0) -> Survey:
    """What one round of readings says.

    Args:
        t_s: when, s.
        readings: plug and side -> clearance, m; at least one.
        scale_m: thickness of the scale in the gap, both faces together, m.
    """
    found = list(readings.values())
    return Survey(
        t_s=t_s,
        mean_m=sum(found) / len(found) + scale_m,
        least_m=min(found),
        most_m=max(found) + scale_m,
        spread_m=max(found) - min(found),
    )


def torque_share(gap_m: float, nominal_m: float) -> float:
    """Torque left at low speed, of that with the nominal gap."""
    return (nominal_m / gap_m) * (nominal_m / gap_m)


def outlook(surveys: Sequence[Survey], limits: Limits) -> Outlook | None:
    """Where the gap stands and goes; None where nobody has measured it.

    A slope that may be none counts as none: then only the newest survey speaks. It speaks in any case where it is worse
    than its trend.
    """
    if not surveys:
        return None
    newest = surveys[-1]
    surveys = _apart(surveys)[-_NEWEST:]
    t = [one.t_s for one in surveys]
    lines = {
        name: line(t, [getattr(one, f"{name}_m") for one in surveys], FEELER_M) for name in ("mean", "most", "least")
    }
    ahead = newest.t_s + HORIZON_S
    most = max(newest.most_m, _ahead(lines["most"], ahead, newest.most_m))
    least = min(newest.least_m, _ahead(lines["least"], ahead, newest.least_m))
    return Outlook(share=_share(most, least, limits), now=_share(newest.most_m, newest.least_m, limits), **lines)


def _apart(surveys: Sequence[Survey]) -> list[Survey]:
    """Of those that were made one right after the other the last."""
    found: list[Survey] = []
    for one in reversed(surveys):
        if not found or found[-1].t_s - one.t_s >= _APART_S:
            found.append(one)
    return found[::-1]


def _ahead(found: Line | None, t_s: float, newest: float) -> float:
    return found.at(t_s) if found is not None and found.is_sure else newest


def _share(most_m: float, least_m: float, limits: Limits) -> float:
    wide = (most_m - limits.nominal_m) / (limits.most_m - limits.nominal_m)
    narrow = (limits.nominal_m - least_m) / (limits.nominal_m - limits.least_m)
    return max(wide, narrow, 0.0)
