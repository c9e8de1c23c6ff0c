"""What is worked out once a second, stage by stage: each by what its words promise, figures from steam tables."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from brakewater.engine.energy import Energy
from brakewater.engine.excitation import Excitation
from brakewater.engine.seconds import BAD, DOUBTFUL, GOOD, Groups
from brakewater.engine.usual import UsualReturn
from brakewater.physics.balance import Circuit
from brakewater.physics.uncertainty import Spread, Spreads
from brakewater.quality import Reason
from brakewater.rig import Brake, load

CONFIG = Path(__file__).parents[2] / "config"
BRAKE: Brake = load(CONFIG / "rig-4-full.toml").brakes[0]
UNRATED: Brake = load(CONFIG / "demo.toml").brakes[0]
FLOW, WETTING = 5e-3, 3e-4
HEAT_W = 995.65 * FLOW * 41.79e3
"""From 30 to 40 degC; steam tables: 995.65 kg/m3 at 30 degC, 125.83 and 167.62 kJ/kg."""


def groups(seconds: int, grades: Mapping[str, object] | None = None, **means: object) -> Groups:
    """So many seconds; each column a number for all of them, or [seconds]."""
    told = {name: np.broadcast_to(np.asarray(value, float), seconds).copy() for name, value in means.items()}
    worth = {
        name: np.broadcast_to(np.asarray((grades or {}).get(name, GOOD), np.uint8), seconds).copy() for name in means
    }
    return Groups(t_ns=(np.arange(seconds) + 1) * 10**9, means=told, grades=worth)


# ------------------------------------------------------------------- excitation


@pytest.mark.parametrize("brake", [BRAKE, UNRATED])
def test_a_coil_is_judged_from_a_tenth_of_its_rated_current_on_or_five_amperes(brake: Brake) -> None:
    rated = 75.0 if brake is BRAKE else 50.0
    for asked, code in ((0.08 * rated, Reason.NO_BASIS), (0.12 * rated, Reason.GOOD)):
        share = Excitation(brake).feed(groups(3, asked=asked, coil=0.5 * asked))["excitation_share"]
        assert share.codes[-1] == code
        assert share.values[-1] == pytest.approx(0.5 if code == Reason.GOOD else 0.0)


def test_a_coil_above_what_is_asked_for_is_told_as_it_is() -> None:
    share = Excitation(BRAKE).feed(groups(3, asked=20.0, coil=30.0))["excitation_share"]
    assert share.values[-1] == pytest.approx(1.5)


def test_what_was_asked_for_a_second_ago_is_remembered_from_block_to_block() -> None:
    """The lever was let go and is pulled again: the coil has had no time to follow."""
    excitation = Excitation(BRAKE)
    excitation.feed(groups(3, asked=np.array([60.0, 60.0, 0.0]), coil=50.0))
    again = excitation.feed(groups(2, asked=60.0, coil=np.array([5.0, 50.0])))["excitation_share"]
    assert again.codes.tolist() == [Reason.NO_BASIS, Reason.GOOD]


@pytest.mark.parametrize("name", ["asked", "coil"])
@pytest.mark.parametrize("grade", [DOUBTFUL, BAD])
def test_a_current_that_is_not_surely_measured_accuses_no_exciter(name: str, grade: int) -> None:
    share = Excitation(BRAKE).feed(groups(3, {name: grade}, asked=60.0, coil=10.0))["excitation_share"]
    assert set(share.codes.tolist()) == {int(Reason.NO_BASIS)}


# ----------------------------------------------------------------- usual return


def drop(usual: UsualReturn, seconds: int, into: float, back: float, doubted: str = "") -> tuple[float, int]:
    seen = groups(seconds, {doubted: DOUBTFUL}, flow=into, back=back)
    return usual.feed(seen)["return_drop_m3_s"].last


def test_a_return_that_falls_below_its_usual_shows_by_how_much_and_for_as_long_as_it_does() -> None:
    usual = UsualReturn()
    assert drop(usual, 60, 5e-3, 5e-3) == pytest.approx((0.0, Reason.GOOD))
    for _ in range(2):  # out of balance by far, so that this does not become the usual one
        assert drop(usual, 600, 5e-3, 3e-3) == pytest.approx((2e-3, Reason.GOOD))


@pytest.mark.parametrize("more", [1e-3, -1e-3])
def test_the_usual_return_is_learnt_only_while_as_much_comes_back_as_goes_in(more: float) -> None:
    """1e-3 m3/s is 16 gal/min, five times what counts as balanced; ``more`` comes back, or less."""
    usual = UsualReturn()
    assert drop(usual, 60, 5e-3, 5e-3 + more)[1] == Reason.NO_BASIS
    drop(usual, 60, 5e-3, 5e-3)
    drop(usual, 600, 5e-3, 5e-3 + more)
    assert drop(usual, 1, 5e-3, 5e-3)[0] == pytest.approx(0.0, abs=1e-6)


def test_the_usual_return_follows_a_new_flow_within_minutes() -> None:
    """As a first-order lag of two minutes: exp(-t/120 s) of the step is left."""
    usual = UsualReturn()
    drop(usual, 60, 5e-3, 5e-3)
    for seconds in (12, 108):
        after, _ = drop(usual, seconds, 6e-3, 6e-3)
        left = np.exp(-12.0 / 120.0) if seconds == 12 else np.exp(-1.0)
        assert -after == pytest.approx(1e-3 * left, rel=0.01)


@pytest.mark.parametrize("name", ["flow", "back"])
def test_a_doubtful_flow_teaches_and_tells_nothing_of_the_return(name: str) -> None:
    usual = UsualReturn()
    drop(usual, 60, 5e-3, 5e-3)
    assert drop(usual, 600, 6e-3, 6e-3, name) == (0.0, Reason.NO_BASIS)
    assert drop(usual, 1, 5e-3, 5e-3) == pytest.approx((0.0, Reason.GOOD), abs=1e-6)


# ----------------------------------------------------------------------- energy


def energy(correlation: float = 0.0) -> Energy:
    circuit = Circuit(meter_at_inlet=True, wetting_flow_m3_s=WETTING, outlet_limit_degc=71.0)
    thermometer = Spread(limits=((0.3, 0.0),))
    return Energy(circuit, Spreads(flow=Spread(), inlet=thermometer, outlet=thermometer, correlation=correlation), 1.0)


def water(seconds: int, grades: Mapping[str, object] | None = None, **other: object) -> Groups:
    return groups(seconds, grades, **{"flow": FLOW, "inlet": 30.0, "outlet": 40.0, "service": 1.0, **other})


def test_energy_is_heat_times_time_since_the_brake_went_into_service() -> None:
    service = np.repeat([1.0, 0.0, 1.0], [100, 10, 20])
    found = energy().feed(water(130, service=service))[0]["energy_j"]
    assert found.values[99] == pytest.approx(100 * HEAT_W, rel=1e-3)
    assert found.values[110] == pytest.approx(HEAT_W, rel=1e-3)
    assert found.last == pytest.approx((20 * HEAT_W, Reason.GOOD), rel=1e-3)


def test_a_contact_that_is_unknown_for_a_moment_begins_no_new_total() -> None:
    grades = {"service": np.repeat([GOOD, BAD, GOOD], [50, 5, 50])}
    service = np.repeat([1.0, 0.0, 1.0], [50, 5, 50])
    assert energy().feed(water(105, grades, service=service))[0]["energy_j"].last == pytest.approx(
        (105 * HEAT_W, Reason.GOOD), rel=1e-3
    )


def test_time_that_nobody_saw_counts_nothing_and_makes_the_total_doubtful() -> None:
    total, seconds = energy(), water(100)
    assert total.feed(seconds)[0]["energy_j"].codes[-1] == Reason.GOOD
    late = water(1)
    late.t_ns[:] = seconds.t_ns[-1] + 10 * 10**9
    found = total.feed(late)[0]
    assert found["energy_j"].last == pytest.approx((100 * HEAT_W, Reason.DOUBTFUL_BASIS), rel=1e-3)
    assert found["energy_std_j"].codes[-1] == Reason.DOUBTFUL_BASIS


def test_a_dry_outlet_sensor_adds_no_heat_however_hot_it_is() -> None:
    seconds = water(10, flow=0.3 * WETTING, outlet=90.0)
    found, added = energy().feed(seconds)
    assert found["energy_j"].values[-1] == 0.0
    assert not added.any()
    assert not seconds.means["heat"].any()


def test_what_a_sensor_is_off_by_does_not_average_out_over_a_trip() -> None:
    """One per cent of the flow, taken as rectangular, is 0.577 % of the energy, after a minute as after ten."""
    circuit = Circuit(meter_at_inlet=True, wetting_flow_m3_s=WETTING, outlet_limit_degc=71.0)
    exact = Spread()
    total = Energy(circuit, Spreads(flow=Spread(limits=((0.0, 0.01),)), inlet=exact, outlet=exact), 1.0)
    found = total.feed(water(600))[0]
    for at in (59, 599):
        assert found["energy_std_j"].values[at] == pytest.approx(0.01 / 3**0.5 * (at + 1) * HEAT_W, rel=2e-3)


def test_errors_that_both_thermometers_share_cancel_in_the_energy() -> None:
    """GUM eq. 13 with opposite slopes: u^2 (2 - 2 r) of u^2 2."""
    apart, shared = (energy(r).feed(water(60))[0]["energy_std_j"].values[-1] for r in (0.0, 0.9))
    assert shared / apart == pytest.approx(0.1**0.5, rel=0.02)
