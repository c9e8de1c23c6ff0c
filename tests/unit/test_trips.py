"""Stands and trips from invented streams: what counts, what does not, and where one trip ends."""

from itertools import chain

import pytest

from brakewater.trips.counted import TripCount
from brakewater.trips.grouping import Trip, trips
from brakewater.trips.stands import HeatStands, HoistStands, Stand
from hoist_parts import EMPTY_N, FULL_N, S, Sample, lowered, pulled, pulse, still, way


def stands(samples: list[Sample], first: int = 0) -> list[Stand]:
    found = HoistStands()
    made = [found.feed(at, (first + at) * S, load, block) for at, (load, block) in enumerate(samples)]
    return [stand for stand in made if stand is not None]


def test_each_way_between_two_times_in_the_slips_is_a_stand() -> None:
    found = stands([*still(5, EMPTY_N, 1.0), *pulled(), *pulled(), *still(60, EMPTY_N, 1.0)])
    assert [(stand.lowered, stand.way_m) for stand in found] == [(False, pytest.approx(28.5, abs=0.8))] * 2
    found = stands(list(chain(still(5, EMPTY_N, 29.7), way(6, FULL_N, 29.7, 30.0), *[lowered()] * 4)))
    assert [stand.lowered for stand in found] == [True] * 4


def test_a_record_that_begins_with_the_string_on_its_way_still_counts_that_stand() -> None:
    assert len(stands([*lowered(), *lowered()])) == 2


@pytest.mark.parametrize("full", [FULL_N, 1.6 * EMPTY_N])
def test_the_first_stand_after_a_rest_at_the_records_begin_counts(full: float) -> None:
    """Also a light string, that of the first stands of a trip in."""
    picked = [*still(30, EMPTY_N, 1.0), *way(20, EMPTY_N, 1.0, 29.7), *still(70, EMPTY_N, 29.7)]
    found = stands([*picked, *way(6, full, 29.7, 30.0), *lowered(full)])
    assert [(stand.lowered, stand.begin) for stand in found] == [(True, 120)]


def test_setting_the_string_going_and_stopping_it_does_not_pass_for_landing() -> None:
    loads = [620e3, 555e3, 550e3, 556e3, *[600e3] * 22, 655e3, 661e3, 655e3, 620e3]
    blocks = [30.0 - k for k in range(len(loads))]
    assert len(stands([*zip(loads, blocks, strict=True), *still(8, EMPTY_N, 1.0)])) == 1


@pytest.mark.parametrize("seconds", [1, 3])
@pytest.mark.parametrize("at", [50, 100, 140])
def test_an_indicator_that_is_zeroed_or_drops_out_for_a_moment_weighs_no_hook(seconds: int, at: int) -> None:
    samples = [*lowered(), *lowered(), *lowered()]
    samples[at : at + seconds] = [(0.0, samples[at][1])] * seconds
    assert len(stands([*samples, *list(chain(*[lowered()] * 30))])) == 33


@pytest.mark.parametrize(("way_m", "count"), [(9.0, 1), (4.0, 0)])
def test_a_single_joint_is_a_stand_and_a_shorter_way_is_none(way_m: float, count: int) -> None:
    """A joint has 9 m."""
    down = [*way(12, FULL_N, 12.0, 12.0 - way_m), *still(8, EMPTY_N, 12.0 - way_m)]
    assert len(stands([*still(10, EMPTY_N, 12.0), *down])) == count


def test_a_stop_on_the_way_is_no_second_stand() -> None:
    stopped = [*way(10, FULL_N, 30.0, 20.0), *still(40, FULL_N, 20.0), *way(20, FULL_N, 20.0, 1.0)]
    assert len(stands([*lowered(), *stopped, *still(30, EMPTY_N, 1.0)])) == 2


def test_working_the_string_up_and_down_is_none() -> None:
    worked = [*way(20, FULL_N, 1.0, 20.0), *way(20, FULL_N, 20.0, 1.5), *still(30, EMPTY_N, 1.5)]
    assert len(stands([*lowered()[:60], *worked])) == 1


def test_a_blind_time_forgets_what_was_under_way() -> None:
    found = HoistStands()
    samples = [*lowered(), *way(15, FULL_N, 30.0, 15.0)]
    for at, (load, block) in enumerate(samples):
        found.feed(at, at * S, load, block)
    later = [*still(5, EMPTY_N, 1.0), *still(5, EMPTY_N, 1.0)]
    made = [found.feed(1000 + at, (1000 + at) * S, load, block) for at, (load, block) in enumerate(later)]
    assert made == [None] * 10


def heat_stands(heats: list[float]) -> int:
    found = HeatStands()
    return sum(found.feed(at, at * S, heat) is not None for at, heat in enumerate(heats))


def test_each_pulse_of_heat_is_a_stand() -> None:
    assert heat_stands([5e3] * 300 + pulse(500e3, 80e3) * 20 + [5e3] * 300) == 20
    assert heat_stands(pulse(60e3, 20e3) * 10 + [5e3] * 60) == 10


def test_pulses_below_the_stated_duty_are_not_told() -> None:
    assert heat_stands(pulse(25e3, 8e3) * 10) == 0


def test_no_crew_is_quicker_than_a_stand_in_forty_five_seconds() -> None:
    """Pulses 40 s apart: every other one is a stand, and the one between is its second top."""
    assert heat_stands(pulse(500e3, 80e3, 40) * 10 + [5e3] * 60) == 5
    assert heat_stands(pulse(500e3, 80e3, 50) * 10 + [5e3] * 60) == 10


def test_two_tops_close_together_are_one_stand() -> None:
    double = pulse(400e3, 200e3, 40) + pulse(450e3, 80e3, 80)
    assert heat_stands(pulse(500e3, 80e3) * 5 + double + pulse(500e3, 80e3) * 4 + [5e3] * 60) == 10


def stand(at_s: int, *, down: bool = True) -> Stand:
    begin = at_s * S
    return Stand(lowered=down, begin=at_s, end=at_s + 30, begin_ns=begin, end_ns=begin + 30 * S, way_m=29.0)


def shape(found: list[Trip]) -> list[tuple[bool, int]]:
    return [(trip.lowered, trip.count) for trip in found]


def test_a_trip_ends_where_the_crew_rests_long_or_turns() -> None:
    down = [stand(120 * k) for k in range(10)]
    again = [stand(10_000 + 120 * k) for k in range(4)]
    up = [stand(11_000 + 120 * k, down=False) for k in range(5)]
    assert shape(list(trips([*down, *again, *up]))) == [(True, 10), (True, 4), (False, 5)]


def test_a_single_stand_the_other_way_turns_nothing_and_counts_back() -> None:
    look_back = [*[stand(120 * k) for k in range(5)], stand(600, down=False), *[stand(720 + 120 * k) for k in range(5)]]
    assert shape(list(trips(look_back))) == [(True, 9)]
    assert shape(list(trips([*[stand(120 * k) for k in range(5)], stand(600, down=False)]))) == [(True, 5)]


def test_two_stands_are_no_trip() -> None:
    assert list(trips([stand(0), stand(120)])) == []


def test_pauses_are_longer_than_the_usual_wait_and_leave_the_pace_alone() -> None:
    times = [0, 120, 240, 360, 360 + 1030, 360 + 1150]
    (trip,) = trips([stand(at) for at in times])
    assert trip.pauses_ns == (1000 * S,)
    assert trip.stands_per_hour == pytest.approx(6 / ((1510 + 30 - 1000) / 3600))


def test_a_wait_of_less_than_five_minutes_is_no_pause_however_quick_the_crew() -> None:
    quick = [50 * k for k in range(6)]  # waits of 20 s
    for wait, pauses in ((290, ()), (310, (310 * S,))):
        (trip,) = trips([stand(at) for at in [*quick, quick[-1] + 30 + wait]])
        assert trip.pauses_ns == pauses


def test_two_stands_the_other_way_end_a_trip() -> None:
    down, up = [stand(120 * k) for k in range(5)], [stand(600 + 120 * k, down=False) for k in range(2)]
    again = [stand(840 + 120 * k) for k in range(5)]
    assert shape(list(trips([*down, *up, *again]))) == [(True, 5), (True, 5)]


def counted(*samples: Sample) -> int:
    count = TripCount(by_hoist=True)
    for at, (load, block) in enumerate(samples):
        count.hoisted(at * S, load, block)
    return count.trips


def test_a_trip_is_counted_once_at_its_third_stand_however_many_follow() -> None:
    assert [counted(*lowered() * n, *still(10, EMPTY_N, 29.7)) for n in (2, 3, 4, 12)] == [0, 1, 1, 1]


def test_a_look_back_ends_no_counted_trip_and_two_stands_pulled_or_a_long_rest_do() -> None:
    def after(*between: Sample) -> int:
        return counted(*lowered() * 4, *between, *lowered() * 4, *still(10, EMPTY_N, 29.7))

    def resting(minutes: int) -> list[Sample]:
        return still(60 * minutes, EMPTY_N, 29.7)

    down = way(20, EMPTY_N, 29.7, 1.0)
    assert after() == 1
    assert after(*resting(1), *down, *pulled()[:100], *resting(1)) == 1
    look_back = [*resting(1), *down, *pulled()[:100], *resting(1)]
    assert after(*look_back, *lowered() * 2, *look_back) == 1
    assert after(*resting(1), *down, *pulled(), *pulled()[:100], *resting(1)) == 2
    assert after(*resting(25)) == 1
    assert after(*resting(35)) == 2
