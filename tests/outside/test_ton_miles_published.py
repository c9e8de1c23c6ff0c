"""Ton-miles of a round trip by the form of API RP 9B, against two published worked examples."""

import pytest

from brakewater.trips.ton_miles import FOOT_M, POUND_FORCE_N, TON_MILE_J, String, round_trip_j

POUND_A_FOOT = POUND_FORCE_N / FOOT_M


def ton_miles(depth_ft: float, stand_ft: float, pipe_lb_ft: float, block_lb: float, excess_lb: float) -> float:
    string = String(
        stand_m=stand_ft * FOOT_M,
        pipe_n_m=pipe_lb_ft * POUND_A_FOOT,
        block_n=block_lb * POUND_FORCE_N,
        excess_n=excess_lb * POUND_FORCE_N,
    )
    return round_trip_j(string, depth_ft * FOOT_M) / TON_MILE_J


def test_example_of_drillingformulas_com() -> None:
    # drillingformulas.com, "Ton-mile for round trip": 10 ppg mud, pipe in it 11.27 lb/ft, stands of 94 ft,
    # 5,500 ft, excess of collars, heavy pipe and bit 26,866 lb, block 95,000 lb: 258.75 ton-miles as printed. The page
    # swaps the labels of heavy pipe's length and weight; rounded inputs give 258.738.
    assert ton_miles(5500.0, 94.0, 11.27, 95_000.0, 26_866.0) == pytest.approx(258.75, abs=0.02)


@pytest.mark.parametrize(("depth_ft", "printed"), [(12_000.0, 627), (15_000.0, 858)])
def test_example_of_a_published_sheet(depth_ft: float, printed: int) -> None:
    # scribd.com document 376571338: stands of 93 ft, pipe in mud 17.55 lb/ft, block 75,000 lb, excess 19,734 lb.
    assert round(ton_miles(depth_ft, 93.0, 17.55, 75_000.0, 19_734.0)) == printed


def test_a_ton_mile_is_two_thousand_pounds_over_a_mile() -> None:
    assert pytest.approx(14.3174375e6, rel=1e-8) == TON_MILE_J  # 10,560,000 ft lbf
