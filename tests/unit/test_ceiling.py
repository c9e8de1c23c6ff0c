"""A coil's ceiling is told from its lag, its noise and a share of what it is asked for."""

import numpy as np
import pytest

from brakewater.review.ceiling import Plateau, Plateaus, ceiling
from brakewater.rig import load
from brakewater.stream import Floats, Ints
from streams import CONFIG

BRAKE = load(CONFIG / "rig-4-full.toml").brakes[0]
SCAN_S = 0.2


def asked(stands: int = 4) -> Floats:
    """A crew's: up to 48 A and held for half a minute, up to 60 A for an instant, and let go; by scans."""
    rise, peak = np.linspace(0.0, 48.0, 8), np.array([48.9, 51.9, 56.3, 60.2, 55.9, 36.9, 10.5])
    return np.tile(np.concatenate([rise, np.full(150, 48.0), peak, np.zeros(60)]), stands)


def taken(wanted: Floats, lag_s: float, most_a: float = np.inf, share: float = 1.0) -> Floats:
    """What a coil takes that follows late, of an exciter that gives no more; the meter's noise on it."""
    coil, now = np.zeros(len(wanted)), 0.0
    for at, want in enumerate(wanted):
        now += (min(share * want, most_a) - now) * (1.0 - np.exp(-SCAN_S / lag_s))
        coil[at] = now
    return 0.985 * coil + np.random.default_rng(7).normal(0.0, 0.2, len(coil))


def times(n: int) -> tuple[Ints, Ints]:
    t_ns = np.arange(n, dtype=np.int64) * round(SCAN_S * 1e9)
    return t_ns, np.diff(t_ns, prepend=t_ns[0])


def found(coil: Floats, wanted: Floats, step: int | None = None) -> list[Plateau]:
    told, (t_ns, lasts_ns) = Plateaus(BRAKE), times(len(coil))
    for at in range(0, len(coil), step or len(coil)):
        cut = slice(at, at + (step or len(coil)))
        told.feed(t_ns[cut], lasts_ns[cut], coil[cut], wanted[cut])
    return told.found


@pytest.mark.parametrize("lag_s", [0.05, 0.3, 0.8, 1.8])
def test_a_coil_that_follows_late_has_no_ceiling(lag_s: float) -> None:
    coil = taken(asked(), lag_s)
    assert ceiling(found(coil, asked()), float(coil.max()), 75.0) is None


@pytest.mark.parametrize("most_a", [20.0, 38.0, 47.5])
def test_a_ceiling_is_found_before_the_average_falls(most_a: float) -> None:
    coil = taken(asked(), 0.3, most_a)
    if most_a > 40.0:
        held = asked() == 48.0
        assert np.median(coil[held] / 48.0) > 0.95
    told = ceiling(found(coil, asked()), float(coil.max()), 75.0)
    assert told is not None
    assert told == (pytest.approx(0.985 * most_a, abs=0.5), pytest.approx(60.2))


def test_a_share_of_what_is_asked_for_is_no_ceiling() -> None:
    wanted = np.concatenate([asked(2), 0.7 * asked(2)])
    coil = taken(wanted, 0.3, share=0.8)
    assert ceiling(found(coil, wanted), float(coil.max()), 75.0) is None


def test_the_rated_current_is_no_shortage() -> None:
    coil = taken(asked(), 0.3, 47.5)
    assert ceiling(found(coil, asked()), float(coil.max()), 48.0) is None
    assert ceiling(found(coil, asked()), float(coil.max()), None) is not None


def test_blocks_may_be_cut_anywhere_and_holes_end_a_stretch() -> None:
    wanted = asked()
    coil = taken(wanted, 0.3, 38.0)
    whole = found(coil, wanted)
    assert whole == found(coil, wanted, 1) == found(coil, wanted, 37)
    t_ns, lasts_ns = times(len(coil))
    told = Plateaus(BRAKE)
    told.feed(t_ns, np.zeros_like(lasts_ns), coil, wanted)
    assert told.found == []
    unknown = Plateaus(BRAKE)
    unknown.feed(t_ns, lasts_ns, coil, np.full(len(coil), np.nan))
    assert unknown.found == []


def plateau(current_a: float, lasts_s: float) -> Plateau:
    return Plateau(t_ns=0, current_a=current_a, asked_a=60.0, lasts_s=lasts_s)


def test_a_coil_that_stays_at_several_heights_or_was_once_above_has_no_ceiling() -> None:
    """It takes a share of what it is asked for; and what it has passed is no limit."""
    assert ceiling([plateau(40.0, 9.5), plateau(20.0, 0.5)], 40.0, 75.0) == pytest.approx((40.0, 60.0))
    assert ceiling([plateau(40.0, 5.0), plateau(20.0, 5.0)], 40.0, 75.0) is None
    assert ceiling([plateau(40.0, 10.0)], 41.0, 75.0) == pytest.approx((40.0, 60.0))
    assert ceiling([plateau(40.0, 10.0)], 50.0, 75.0) is None
