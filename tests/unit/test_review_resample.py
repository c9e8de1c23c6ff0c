"""Time-weighted stretches, against an implementation that goes through every stretch and every scan."""

import math
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brakewater.review.resample import Resampler, Stretches

S = 1_000_000_000


@dataclass
class Row:
    at: int
    mean: float
    least: float
    most: float
    known: float
    good: float


def plainly(
    t: list[int], utc: list[int], values: list[float], codes: list[int], every: int, hold: int, period: int
) -> list[Row]:
    """Straight from the words of the docstring, in exact fractions, for a wall clock that is never set back."""
    spans = []
    for at in range(len(t)):
        lasts = min(hold, t[at + 1] - t[at]) if at + 1 < len(t) else min(hold, period)
        if lasts > 0:
            spans.append((utc[at], utc[at] + lasts, values[at], codes[at]))
    rows = []
    for stretch in range(utc[0] // every, max(end for _, end, _, _ in spans) // every + 1):
        begin, over = stretch * every, (stretch + 1) * every
        met = [
            (min(end, over) - max(first, begin), value, code)
            for first, end, value, code in spans
            if first < over and end > begin
        ]
        if not met:
            continue
        known = [(length, value) for length, value, code in met if code < 64]
        time = sum(length for length, _ in known)
        rows.append(
            Row(
                at=begin,
                mean=float(sum(length * Fraction(value) for length, value in known) / time) if time else math.nan,
                least=min((value for _, value in known), default=math.nan),
                most=max((value for _, value in known), default=math.nan),
                known=time / every,
                good=sum(length for length, _, code in met if code == 0) / every,
            )
        )
    return rows


def through(
    resampler: Resampler, t: list[int], utc: list[int], values: list[float], codes: list[int], cuts: list[int]
) -> list[Row]:
    made: list[Stretches] = []
    edges = [0, *sorted(cut for cut in set(cuts) if 0 < cut < len(t)), len(t)]
    for first, last in pairwise(edges):
        part = slice(first, last)
        column = np.array(values[part], float)[:, np.newaxis], np.array(codes[part], np.uint8)[:, np.newaxis]
        made += resampler.feed(np.array(t[part]), np.array(utc[part]), *column)
    made += resampler.end()
    return [
        Row(
            at=int(one.from_utc_ns[k]),
            mean=float(one.mean[k, 0]) if one.known[k, 0] else math.nan,
            least=float(one.least[k, 0]) if one.known[k, 0] else math.nan,
            most=float(one.most[k, 0]) if one.known[k, 0] else math.nan,
            known=float(one.known[k, 0]),
            good=float(one.good[k, 0]),
        )
        for one in made
        for k in range(len(one))
    ]


def agree(ours: list[Row], theirs: list[Row]) -> None:
    assert [one.at for one in ours] == [one.at for one in theirs]
    for one, other in zip(ours, theirs, strict=True):
        got = (one.mean, one.least, one.most, one.known, one.good)
        due = (other.mean, other.least, other.most, other.known, other.good)
        assert got == pytest.approx(due, rel=1e-12, abs=1e-12, nan_ok=True)


SCANS = st.lists(
    st.tuples(
        st.sampled_from([0, 1, 200_000_000, 200_000_001, 199_000_000, 700_000_000, 5 * S]),
        st.floats(-1e6, 1e6),
        st.sampled_from([0, 0, 0, 20, 90]),
    ),
    min_size=1,
    max_size=60,
)


@given(SCANS, st.sampled_from([50_000_000, 100_000_000, S, 7 * S]), st.lists(st.integers(1, 59)), st.integers(0, 3 * S))
@settings(max_examples=200, deadline=None)
def test_as_an_implementation_that_looks_at_everything(
    scans: list[tuple[int, float, int]], every: int, cuts: list[int], since: int
) -> None:
    steps, values, codes = (list(column) for column in zip(*scans, strict=True))
    t = [int(one) for one in np.cumsum(steps)]
    utc = [1_900_000_000 * S + since + one for one in t]
    hold, period = 600_000_000, 200_000_000
    resampler = Resampler(every_ns=every, hold_ns=hold, period_ns=period)
    agree(through(resampler, t, utc, values, codes, cuts), plainly(t, utc, values, codes, every, hold, period))


def test_a_mean_weighs_by_time() -> None:
    resampler = Resampler(every_ns=S, hold_ns=S, period_ns=S // 10)
    # 10 for 0.9 s, then 20 for 0.1 s: 11, where a mean of scans would say 15.
    (row,) = through(resampler, [0, 9 * S // 10], [0, 9 * S // 10], [10.0, 20.0], [0, 0], [])
    assert (row.mean, row.least, row.most, row.known, row.good) == (11.0, 10.0, 20.0, 1.0, 1.0)


def test_a_silence_is_not_filled_with_the_last_value() -> None:
    resampler = Resampler(every_ns=S, hold_ns=S // 2, period_ns=S // 5)
    rows = through(resampler, [0, 10 * S], [0, 10 * S], [1.0, 2.0], [0, 0], [])
    assert [(row.at // S, row.known) for row in rows] == [(0, 0.5), (10, 0.2)]


def test_a_clock_set_back_gives_the_same_time_again_and_weighs_by_steady_time() -> None:
    resampler = Resampler(every_ns=S, hold_ns=S, period_ns=S // 5)
    t = [at * S // 5 for at in range(15)]
    utc = [100 * S + one - (5 * S if at >= 10 else 0) for at, one in enumerate(t)]
    rows = through(resampler, t, utc, [float(at) for at in range(15)], [0] * 15, [7])
    assert [row.at // S for row in rows] == [100, 101, 97]
    assert [row.known for row in rows] == [1.0, 1.0, 1.0]
    assert [row.mean for row in rows] == pytest.approx([2, 7, 12])
