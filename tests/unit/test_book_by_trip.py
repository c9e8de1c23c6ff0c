"""Share and torque index by trip, as the book shows them."""

import json
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brakewater.engine.by_trip import ByTrip
from brakewater.engine.held import Held
from brakewater.quality import Reason

Row = tuple[int, float, float]
"""Trips counted, share, torque index of the last stand; 0.0 where there is none."""
STREAM: list[Row] = [
    (0, 0.0, 0.0), (0, 0.90, 1.0), (0, 0.92, 0.99), (1, 0.92, 0.99), (1, 0.94, 0.98), (1, 0.96, 0.97),
    (1, 0.96, 0.97), (1, 0.80, 0.90), (1, 0.82, 0.89), (2, 0.82, 0.89), (2, 0.84, 0.88), (2, 0.85, 0.87),
]  # fmt: skip


def held(rows: Sequence[Row], column: int, std: float = 0.0) -> Held:
    values = np.array([row[column] if std == 0.0 else std for row in rows])
    known = np.array([row[column] != 0.0 or column == 0 for row in rows])
    codes = np.where(known, np.uint8(0), np.uint8(Reason.NO_BASIS))
    return Held(values=np.where(known, values, 0.0), codes=codes)


def fed(by_trip: ByTrip, rows: Sequence[Row]) -> None:
    by_trip.feed(
        {
            "trips_worked": held(rows, 0),
            "heat_share": held(rows, 1),
            "heat_share_std": held(rows, 1, 0.05),
            "torque_index": held(rows, 2),
            "torque_index_std": held(rows, 2, 0.04),
        }
    )


def test_stands_count_with_the_trip_that_they_belong_to() -> None:
    one = ByTrip("aux")
    fed(one, STREAM)
    first, second = one.shown()
    assert (first.trip, first.stands, second.trip, second.stands) == (1, 4, 2, 2)
    assert first.heat_share == pytest.approx(0.93)
    assert first.torque_index == pytest.approx(0.985)
    assert second.torque_index == pytest.approx(0.895)
    assert (second.heat_share_std, second.torque_index_std) == (0.05, 0.04)


@given(st.lists(st.integers(1, len(STREAM) - 1), max_size=5))
def test_cuts_and_restarts_change_nothing(cuts: list[int]) -> None:
    whole, parts = ByTrip("aux"), ByTrip("aux")
    fed(whole, STREAM)
    edges = [0, *sorted(set(cuts)), len(STREAM)]
    for begin, end in pairwise(edges):
        fed(parts, STREAM[begin:end])
        kept, parts = json.loads(json.dumps(parts.state())), ByTrip("aux")
        parts.restore(kept)
    assert parts.shown() == whole.shown()
    assert parts.state() == whole.state()


def test_another_brake_begins_anew_and_one_without_a_torque_law_has_none() -> None:
    one = ByTrip("aux")
    fed(one, STREAM)
    one.begin_anew()
    assert one.shown() == ()
    bare = ByTrip("aux")
    bare.feed(
        {
            "trips_worked": held(STREAM, 0),
            "heat_share": held(STREAM, 1),
            "heat_share_std": held(STREAM, 1, 0.05),
        }
    )
    assert [one.torque_index for one in bare.shown()] == [None, None]
    assert [one.stands for one in bare.shown()] == [4, 2]
