"""Torque by trip: weak brakes and hot rotors are told apart."""

import numpy as np
import pytest

from brakewater.review.torque import Torque, share_trend, torque, trend
from brakewater.wording import LANGUAGES


def one(first: float, last: float, std: float = 0.05) -> Torque:
    return Torque(index=0.5 * (first + last), std=std, first=first, last=last)


@pytest.mark.parametrize(("first", "last", "verdict"), [
    (1.0, 0.97, "as-new"), (0.92, 0.9, "as-new"), (0.75, 0.74, "weak"), (0.75, 0.5, "weak"), (1.0, 0.8, "falling"),
])  # fmt: skip
def test_verdicts(first: float, last: float, verdict: str) -> None:
    assert one(first, last).verdict == verdict


@pytest.mark.parametrize(("first", "last", "about", "verdict"), [
    (0.99, 0.99, 0.12, "as-new"), (0.99, 0.98, 0.18, "cannot-tell"), (0.94, 0.7, 0.64, "cannot-tell"),
    (0.3, 0.3, 0.64, "weak"), (1.0, 0.2, 0.64, "falling"),
])  # fmt: skip
def test_what_is_known_too_vaguely_is_not_as_new(first: float, last: float, about: float, verdict: str) -> None:
    told = one(first, last, 0.5 * about)
    assert told.verdict == verdict
    for words in LANGUAGES.values():
        assert ("0.15" in trend([told], words)) == (verdict == "cannot-tell")
    if verdict == "cannot-tell":
        assert f"cannot tell: the torque ({told.index:.2f}) is known only to +/- {about:.2f}" in trend([told])
        assert "look at the coil current" not in str(share_trend([(0.6, 0.03), (0.1, 0.03)], [told]))


def test_the_newest_trip_that_tells_is_said_beside_one_that_does_not() -> None:
    trips = [one(1.0, 1.0), one(0.98, 0.98, 0.06), one(0.9, 0.9, 0.3), one(0.94, 0.94, 0.32)]
    assert trend(trips).endswith("; 2 trips before it was 0.98 +/- 0.12")
    assert "before" not in trend(trips[2:])


def test_what_stands_from_before_and_what_is_unknown_do_not_count() -> None:
    index = np.array([0.3, 0.3, 1.0, 1.0, np.nan, np.nan, 0.9, 0.9, 0.8])
    found = torque(index, np.full(9, 0.05))
    assert found is not None
    assert (found.first, found.last, found.index) == (1.0, 0.8, 0.9)
    assert torque(np.array([np.nan, 1.0, 1.0]), np.full(3, 0.05)) is None


@pytest.mark.parametrize(("trips", "says"), [
    ([one(1.0, 0.97), one(0.99, 0.95)], "as new"), ([one(1.0, 0.97), one(0.8, 0.78)], "fell from trip to trip"),
    ([one(0.7, 0.68)], "from the first stand on: air gap or coils"), ([one(1.0, 0.7)], "hot, growing rotor"),
    ([], "no torque index"),
])  # fmt: skip
def test_trends(trips: list[Torque], says: str) -> None:
    assert says in trend(trips)


@pytest.mark.parametrize("vague_first", [True, False])
def test_a_fall_within_what_the_vaguer_trip_leaves_open_is_none(*, vague_first: bool) -> None:
    stds = (0.12, 0.05) if vague_first else (0.05, 0.12)
    assert "fell" not in trend([one(1.0, 0.98, stds[0]), one(0.85, 0.84, stds[1])])
    assert "fell" in trend([one(1.0, 0.98, 0.05), one(0.85, 0.84, 0.05)])


def test_less_heat_at_the_same_torque_points_to_the_current() -> None:
    as_new, weak = [one(1.0, 0.97)] * 2, [one(1.0, 0.97), one(0.7, 0.68)]
    fell = [(0.62, 0.04), (0.6, 0.04), (0.2, 0.04)]
    assert "coil current" in str(share_trend(fell, as_new))
    assert "coil current" not in str(share_trend(fell, weak))
    assert "62% of the hoist's work in the first trip in, 20% in the last" in str(share_trend(fell, []))
    assert share_trend([(0.62, 0.04), (0.56, 0.04)], as_new) is None
    assert share_trend([], as_new) is None
