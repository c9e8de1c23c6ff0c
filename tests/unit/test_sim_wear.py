from random import Random

import pytest

from brakewater_sim import wear
from brakewater_sim.wear import BUILT_M, FEELER_M, Wear, drawn, feeler


def test_a_kind_and_a_seed_make_a_year() -> None:
    assert drawn("bearing", 3) == drawn("bearing", 3) != drawn("bearing", 4)
    with pytest.raises(ValueError, match="allowed: sound, bearing, scale, gap, exciter"):
        drawn("rust", 1)


@pytest.mark.parametrize("seed", range(40))
def test_a_sound_brake_lasts_the_year_and_a_failing_bearing_does_not_mend(seed: int) -> None:
    assert not drawn("sound", seed).has_failed(2160.0, 2.2e12)
    worn = drawn("bearing", seed)
    play = [worn.play_m(float(h)) for h in range(0, 2400, 100)]
    assert play == sorted(play)
    assert play[3] == 0.0


def test_the_rotor_touches_or_the_torque_is_gone() -> None:
    one = Wear(bearing_from_h=100.0, bearing_m=BUILT_M)
    assert not one.has_failed(900.0, 0.0)
    assert one.has_failed(1100.0, 0.0)
    eroded = Wear(scale_m_j=1e-17, eroded=1.0)
    assert not eroded.has_failed(0.0, 0.4 * BUILT_M / 1e-17)
    assert eroded.has_failed(0.0, 0.5 * BUILT_M / 1e-17)


def test_what_the_plant_feels_is_the_magnetic_gap_and_the_scale() -> None:
    felt = Wear(scale_m_j=1e-17, eroded=1.0).health(1e12)
    assert felt.scale_m == pytest.approx(1e-5)
    assert felt.gap == pytest.approx(1.0 + 1e-5 / BUILT_M)
    assert felt._replace(gap=1.0, scale_m=0.0) == wear.SOUND


def test_the_feeler_finds_what_the_scale_leaves_on_both_sides() -> None:
    one, draw = Wear(bearing_m=1e-4, scale_m_j=2e-17, eroded=1.0), Random(5)
    rounds = [feeler(one, 500.0, 1e12, draw) for _ in range(400)]
    assert all(abs(m / FEELER_M - round(m / FEELER_M)) < 1e-9 for found in rounds for m in found.values())
    for side, sign in (("left", 1.0), ("right", -1.0)):
        mean = sum(found[f"plug-2-{side}"] for found in rounds) / len(rounds)
        assert mean == pytest.approx(BUILT_M + sign * one.play_m(500.0), abs=1.5e-6)
    assert rounds[0]["scale"] == pytest.approx(2e-5, abs=FEELER_M / 2)
