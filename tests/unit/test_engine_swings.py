"""Swings of an outlet against a plain count, however the scans are cut."""

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from brakewater.engine.swings import Swings

APART = 20
HEIGHTS, INLETS = (0.0, 1.0, 2.9, 3.0, 4.0, 6.5), (20.0, 20.9, 21.1)
Scan = tuple[float, float, bool, bool]
SCANS = st.lists(
    st.tuples(
        st.sampled_from([0.0, 1.0, 2.9, 3.0, 4.0, 6.5]), st.sampled_from([20.0, 20.9, 21.1]), *[st.booleans()] * 2
    )
    | st.just((0.0, 20.0, True, False))
    | st.just((5.0, 20.0, True, False)),
    max_size=80,
)


def fed(swings: Swings, scans: list[Scan], first: int) -> list[bool]:
    rise, inlet, usable, over = (np.array(column) for column in zip(*scans, strict=True))
    t = np.arange(first, first + len(scans), dtype=np.int64)
    return swings.feed(t, usable & ~over, over, rise.astype(float), inlet.astype(float)).tolist()


def plainly(scans: list[Scan]) -> list[bool]:
    """By what is written: lows and highs of what is left since the last turn, counted from the beginning each time."""
    found, since, rises, counted = [], [], True, []
    for t, (rise, inlet, usable, over) in enumerate(scans):
        found.append(False)
        if over:
            since, rises, counted = [], True, []
        elif usable:
            since.append((rise, inlet))
            if rises:
                low = min(range(len(since)), key=lambda at: since[at][0])
                inlets = [degc for _, degc in since[low:]]
                if rise - since[low][0] >= 3.0:
                    if max(inlets) - min(inlets) <= 1.0:
                        counted.append(t)
                        newest = counted[-3:]
                        found[-1] = len(newest) == 3 and all(b - a <= APART for a, b in pairwise(newest))
                    since, rises = since[-1:], False
            elif max(since)[0] - rise >= 3.0:
                since, rises = since[-1:], True
    return found


@given(SCANS.filter(bool), st.lists(st.integers(1, 80), max_size=8))
def test_they_are_counted_alike_however_the_scans_are_cut(scans: list[Scan], cuts: list[int]) -> None:
    expected = plainly(scans)
    assert fed(Swings(APART), scans, 1) == expected
    swings, found = Swings(APART), []
    edges = sorted({0, len(scans), *(one for one in cuts if one < len(scans))})
    for begin, end in pairwise(edges):
        before, swings = swings, Swings(APART)
        swings.restore(before.state())
        found += fed(swings, scans[begin:end], 1 + begin)
    assert found == expected


def test_what_warmed_another_brake_before_goes_through_late_and_is_no_stand() -> None:
    """Ten seconds late, the outlet makes a rise as high as the swing, with the inlet half way both times."""
    inlet = 24.0 + 4.0 * np.sin(np.arange(400) * 2.0 * np.pi / 40.0)
    outlet = np.concatenate((inlet[:10], inlet[:-10]))
    scans = [(rise, degc, True, False) for rise, degc in zip((outlet - inlet).tolist(), inlet.tolist(), strict=True)]
    assert not any(fed(Swings(1000), scans, 1))
    alone = [(rise, 24.0, True, False) for rise, *_ in scans]
    assert sum(fed(Swings(1000), alone, 1)) > 5


def test_three_within_the_time_tell_and_the_sun_noon_after_noon_does_not() -> None:
    stand = [(0.0, 20.0, True, False), (4.0, 20.0, True, False)]
    still = [(0.0, 20.0, True, False)] * APART
    assert fed(Swings(APART), stand * 4, 1) == [False] * 5 + [True, False, True]
    assert not any(fed(Swings(APART), (stand + still) * 6, 1))
