import pytest

from outside import plan


def test_a_short_trip_planned_is_near_the_plant() -> None:
    """Difference stated: heat +3 %, outlet peak +1.7 K, rotor peak +0.5 K, tank +0.1 K; ``tests/results`` has all."""
    found = list(plan.rows(("short",)))
    assert all(abs(row.off) <= row.expanded for row in found), "\n".join(map(str, found))
    by_figure = {row.figure: row for row in found}
    assert 0.0 <= by_figure["outlet_peak_degc"].off < 2.0  # it errs to the hot side
    assert abs(by_figure["rotor_peak_degc"].off) < 3.0
    assert abs(by_figure["tank_end_degc"].off) < 0.3


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_plans_of_whole_trips_are_near_the_plant() -> None:
    found = list(plan.rows())
    print("\n".join(map(str, found)))
    assert all(abs(row.off) <= row.expanded for row in found)
