"""Performance figures on turns made by hand; criteria of ISA-18.2 clause 16 (from memory)."""

import pytest

from brakewater.alarms.performance import DAY_S, TARGETS, Turn, figures


def alarm(t_s: float, key: str = "aux.a", priority: str = "low") -> Turn:
    return Turn(t_s=t_s, key=key, priority=priority, new=True, acknowledged=False, active=True)


def other(t_s: float, key: str = "aux.a", *, acknowledged: bool = False, active: bool = False) -> Turn:
    return Turn(t_s=t_s, key=key, priority="low", new=False, acknowledged=acknowledged, active=active)


def test_rates_and_peak() -> None:
    found = figures([alarm(t * 60.0, f"aux.{t}") for t in range(12)], 0.0, 7_200.0)
    assert (found["alarms"], found["per_hour"], found["per_day"]) == (12, 6.0, 144.0)
    assert found["peak_10_min"] == 10
    assert found["ten_min_over_10_share"] == found["flood_share"] == 0.0


def test_a_flood_begins_above_ten_and_ends_below_five() -> None:
    turns = [alarm(600.0 * slot + at, f"aux.{at}") for slot, n in enumerate((11, 5, 4, 10)) for at in range(n)]
    assert figures(turns, 0.0, 2_400.0)["flood_share"] == 0.5


def test_chattering_is_three_times_within_a_minute() -> None:
    turns = [alarm(t, "aux.fast") for t in (0.0, 30.0, 60.0)] + [alarm(t, "aux.slow") for t in (0.0, 31.0, 61.0)]
    assert figures(sorted(turns, key=lambda turn: turn.t_s), 0.0, 600.0)["chattering"] == ["aux.fast"]


def test_stale_is_more_than_a_day_without_a_break() -> None:
    turns = [alarm(0.0, "aux.old"), alarm(0.0, "aux.new"), other(DAY_S - 1.0, "aux.new"), alarm(5.0, "aux.gone")]
    turns += [other(DAY_S + 6.0, "aux.gone"), alarm(DAY_S + 9.0, "aux.new")]
    assert figures(sorted(turns, key=lambda turn: turn.t_s), 0.0, DAY_S + 10.0)["stale"] == ["aux.gone", "aux.old"]


def test_what_is_acknowledged_meanwhile_has_stood_since_it_came() -> None:
    turns = [alarm(0.0), other(36_000.0, acknowledged=True, active=True)]
    assert figures(turns, 0.0, DAY_S + 1.0)["stale"] == ["aux.a"]


def test_an_alarm_at_the_very_end_of_a_window_counts_in_its_last_slot() -> None:
    found = figures([alarm(600.0)], 0.0, 600.0)
    assert (found["alarms"], found["peak_10_min"]) == (1, 1)


@pytest.mark.parametrize(("count", "share"), [(30, 0.0), (31, 1.0)])
def test_more_than_thirty_in_an_hour_are_too_many(count: int, share: float) -> None:
    assert (
        figures([alarm(100.0 * at, f"aux.{at}") for at in range(count)], 0.0, 3_600.0)["hours_over_30_share"] == share
    )


def test_the_ten_most_frequent_are_held_against_all() -> None:
    turns = [alarm(float(at), f"aux.{at % 15}") for at in range(30)]
    found = figures(turns, 0.0, 100.0)
    assert found["top_10_share"] == pytest.approx(20 / 30)
    assert len(found["most_frequent"]) == 10  # type: ignore[arg-type]


@pytest.mark.parametrize(("days", "enough"), [(29.9, False), (30.0, True)])
def test_less_than_thirty_days_are_a_glance(days: float, *, enough: bool) -> None:
    assert figures([], 0.0, days * DAY_S)["long_enough"] is enough


def test_priorities_and_times_to_acknowledge() -> None:
    turns = [alarm(0.0, "aux.a", "high"), other(8.0, acknowledged=True, active=True), alarm(10.0, "aux.b"), other(20.0)]
    found = figures(turns, 0.0, 100.0)
    assert found["priority_share"] == {"critical": 0.0, "high": 0.5, "medium": 0.0, "low": 0.5}
    assert found["acknowledged_after_s"] == {"count": 1, "median": 8.0, "longest": 8.0, "never": 1}


def test_nothing_is_fine_and_every_target_has_its_figure() -> None:
    found = figures([], 0.0, 1.0)
    assert found["top_10_share"] == pytest.approx(0.0)
    assert set(TARGETS) <= set(found)


def test_a_clock_that_was_set_back_makes_no_chatter_and_nobody_acknowledges_before_it_came() -> None:
    turns = [alarm(5_000.0), alarm(5_200.0), alarm(5_400.0), alarm(2_000.0), other(2_010.0, acknowledged=True)]
    turns += [alarm(2_500.0), other(2_520.0, acknowledged=True)]
    found = figures(turns, 0.0, 7_200.0)
    assert found["chattering"] == []
    assert found["acknowledged_after_s"] == {"count": 1, "median": 20.0, "longest": 20.0, "never": 0}
