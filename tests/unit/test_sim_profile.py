import pytest

from brakewater_sim.profile import Profile, constant, steps


def test_is_level_outside_its_knots_and_straight_between() -> None:
    profile = Profile(knots=((10.0, 1.0), (20.0, 3.0), (25.0, 3.0)))
    assert [profile.value(t) for t in (-5.0, 10.0, 15.0, 20.0, 22.0, 99.0)] == [1.0, 1.0, 2.0, 3.0, 3.0, 3.0]
    assert [profile.slope(t) for t in (9.0, 10.0, 19.9, 20.0, 30.0)] == [0.0, 0.2, 0.2, 0.0, 0.0]


@pytest.mark.parametrize(
    ("t", "area"), [(0.0, 0.0), (10.0, 10.0), (20.0, 30.0), (15.0, 17.5), (30.0, 60.0), (-4.0, -4.0)]
)
def test_integral_is_the_area_from_zero(t: float, area: float) -> None:
    profile = Profile(knots=((10.0, 1.0), (20.0, 3.0), (25.0, 3.0)))
    assert profile.integral(t) == pytest.approx(area, abs=1e-12)


def test_integral_counts_from_zero_with_a_knot_before_it() -> None:
    profile = Profile(knots=((-10.0, 0.0), (10.0, 2.0)))
    assert profile.integral(10.0) == pytest.approx(15.0)
    assert profile.integral(-10.0) == pytest.approx(-5.0)


def test_steps_change_straight_within_their_time() -> None:
    profile = steps(1.0, (20.0, 0.0), (40.0, 1.0), over_s=2.0)
    assert [profile.value(t) for t in (0.0, 20.0, 21.0, 22.0, 30.0, 41.0, 60.0)] == [1.0, 1.0, 0.5, 0.0, 0.0, 0.5, 1.0]
    assert constant(7.0).value(-3.0) == steps(7.0, over_s=1.0).value(3.0) == 7.0


@pytest.mark.parametrize("knots", [(), ((1.0, 0.0), (1.0, 2.0)), ((2.0, 0.0), (1.0, 2.0))])
def test_refuses_times_that_do_not_rise(knots: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(ValueError, match="later than the last"):
        Profile(knots=knots)
