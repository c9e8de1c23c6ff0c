"""Alarms that several signals decide together, each against what its words say; setpoints of the full rig."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from brakewater.engine.judged import OF_BRAKE, Met, of_brake, pump_stopped
from brakewater.quality import Reason
from brakewater.rig import load
from brakewater.stream import Column

RIG = load(Path(__file__).parents[2] / "config" / "rig-4-full.toml")
BRAKE = RIG.brakes[0]
RULES = {rule.kind.name: rule for rule in RIG.alarms if rule.brake == BRAKE.name}
FLOW = 5e-3
OPEN = int(Reason.SENSOR_OPEN)
DOUBTED = int(Reason.CROSS_CHECK)
UNKNOWN = int(Reason.NO_BASIS)

Seen = dict[str, tuple[float, int]]


def column(value: float, code: int = 0) -> Column:
    return Column(values=np.array([value, value]), codes=np.full(2, code, np.uint8))


def judged(alarm: str, seen: Seen) -> tuple[bool, int]:
    """Whether it is met, and the code; two scans, since a lone one has a way of its own."""
    return told(OF_BRAKE[alarm](RULES[alarm], BRAKE, {name: column(*pair) for name, pair in seen.items()}))


def told(found: Met) -> tuple[bool, int]:
    met, codes = found
    assert met[0] == met[1]
    return bool(met[0]), int(codes[0])


LIMIT = RULES["return-restricted"].setpoint or 0.0


def water(short: float, *, rise_m: float = 0.02, drop: tuple[float, int] = (1.0, 0), rise_code: int = 0) -> Seen:
    """So many times the limit goes in and does not come back; ``drop`` in limits too."""
    return {
        "inlet-flow": (FLOW, 0),
        "return-flow": (FLOW - short * LIMIT, 0),
        "level_rise_m": (rise_m, rise_code),
        "return_drop_m3_s": (drop[0] * LIMIT, drop[1]),
        "brake-level": (0.3, 0),
        "level_rate_m_s": (0.0, 0),
    }


@pytest.mark.parametrize(
    ("seen", "met"),
    [
        (water(1.2), True),
        (water(0.8), False),
        (water(1.2, drop=(0.6, 0)), True),  # half the limit below its usual counts as fallen
        (water(1.2, drop=(0.4, 0)), False),
        (water(1.2, drop=(-1.2, 0)), False),  # more goes in than before and as much comes back: it only fills
        (water(1.2, drop=(0.0, UNKNOWN)), True),  # where the usual is not known, it counts as choked
        (water(1.2, rise_m=0.006), True),
        (water(1.2, rise_m=0.004), False),  # sloshing
    ],
)
def test_a_return_is_choked_where_less_comes_back_than_goes_in_and_than_usual_and_the_water_rises(
    seen: Seen, *, met: bool
) -> None:
    assert judged("return-restricted", seen) == (met, Reason.GOOD)


@pytest.mark.parametrize(
    ("seen", "met"),
    [
        (water(1.2, rise_m=0.0), True),
        (water(1.2, rise_m=0.004), True),
        (water(0.8, rise_m=0.0), False),
        (water(1.2, rise_m=0.006), False),  # it stays in the housing: choked, not lost
    ],
)
def test_water_is_lost_where_less_comes_back_than_goes_in_and_the_level_does_not_rise(seen: Seen, *, met: bool) -> None:
    assert judged("water-lost", seen) == (met, Reason.GOOD)


@pytest.mark.parametrize("alarm", ["return-restricted", "water-lost"])
def test_an_unknown_level_matters_only_where_the_flows_do_not_already_say_that_all_is_well(alarm: str) -> None:
    assert judged(alarm, water(1.2, rise_m=0.0, rise_code=UNKNOWN))[1] == UNKNOWN
    assert judged(alarm, water(0.2, rise_m=0.0, rise_code=UNKNOWN)) == (False, Reason.GOOD)


@pytest.mark.parametrize(("short", "fallen", "met"), [(1.2, 0.6, True), (1.2, 0.4, False), (0.8, 1.0, False)])
def test_with_the_levels_own_signal_bad_a_return_is_judged_by_the_flows_alone(
    short: float, fallen: float, *, met: bool
) -> None:
    blind = {"brake-level": (0.0, OPEN), "level_rise_m": (0.0, UNKNOWN), "level_rate_m_s": (0.0, UNKNOWN)}
    assert judged("return-restricted", {**water(short, drop=(fallen, 0)), **blind}) == (met, Reason.GOOD)


@pytest.mark.parametrize(("part", "lost"), [(0.6, False), (0.4, True)])
def test_a_brake_that_ran_dry_and_holds_half_of_what_is_missing_loses_none(part: float, *, lost: bool) -> None:
    area_m2 = BRAKE.housing_area
    assert area_m2 is not None
    seen = {**water(1.2, rise_m=-0.1), "level_rate_m_s": (part * 1.2 * LIMIT / area_m2, 0)}
    assert judged("water-lost", seen) == (lost, Reason.GOOD)


@pytest.mark.parametrize("alarm", ["return-restricted", "water-lost"])
@pytest.mark.parametrize("name", ["inlet-flow", "return-flow"])
def test_an_unknown_flow_leaves_it_unknown(alarm: str, name: str) -> None:
    assert judged(alarm, {**water(0.0), name: (0.0, OPEN)}) == (False, OPEN)


@pytest.mark.parametrize(
    ("value", "std", "met"),
    [(0.40, 0.04, True), (0.40, 0.06, False), (0.60, 0.0, False), (-0.02, 0.02, True), (-0.04, 0.01, False)],
)
def test_a_share_or_torque_is_low_only_beyond_its_own_uncertainty(value: float, std: float, *, met: bool) -> None:
    """Expanded, k = 2: what it may be at most lies below the setpoint. No brake cools its water: sensors are wrong."""
    for alarm, name in (("heat-share-low", "heat_share"), ("brake-weakening", "torque_index")):
        setpoint = RULES[alarm].setpoint or 0.0
        seen = {name: (value * setpoint / 0.5, 0), f"{name}_std": (std * setpoint / 0.5, 0)}
        assert judged(alarm, seen) == (met, Reason.GOOD)


HOT = RULES["rotor-hot-no-flow"].setpoint or 0.0


def test_versions_before_0_4_took_a_brake_that_cools_its_water_for_a_weak_one() -> None:
    seen = {"heat_share": column(-0.9), "heat_share_std": column(0.1)}
    of = {before: of_brake(replace(RIG, recorded_by=before))["heat-share-low"] for before in ((0, 3), (0, 4), None)}
    found = [told(judge(RULES["heat-share-low"], BRAKE, seen)) for judge in of.values()]
    assert found == [(True, Reason.GOOD), (False, Reason.GOOD), (False, Reason.GOOD)]


def rotor(above_k: float, flow: tuple[float, int], std_k: float = 0.0, code: int = 0) -> Seen:
    return {
        "inlet-flow": flow,
        "rotor_temperature_degc": (HOT + above_k, code),
        "rotor_temperature_std_k": (std_k, code),
    }


@pytest.mark.parametrize(
    ("seen", "found"),
    [
        (rotor(10.0, (0.0, 0)), (True, 0)),
        (rotor(-10.0, (0.0, 0)), (False, 0)),
        (rotor(-10.0, (0.0, 0), 6.0), (True, 0)),  # it may be hotter
        (rotor(-10.0, (0.0, 0), 4.0), (False, 0)),
        (rotor(10.0, (FLOW, 0)), (False, 0)),
        (rotor(10.0, (FLOW, DOUBTED)), (True, 0)),  # nobody vouches for that water
        (rotor(10.0, (0.0, OPEN)), (True, 0)),
        (rotor(0.0, (FLOW, 0), code=UNKNOWN), (False, 0)),  # water flows: the estimate need not be known
    ],
)
def test_a_rotor_without_water_that_anybody_vouches_for_is_hot_where_it_may_be(
    seen: Seen, found: tuple[bool, int]
) -> None:
    assert judged("rotor-hot-no-flow", seen) == found
    assert judged("rotor-hot-no-flow", {**seen, **rotor(0.0, (0.0, 0), code=UNKNOWN)})[1] == UNKNOWN


def test_a_rotors_estimate_need_be_known_only_in_those_scans_that_are_dry() -> None:
    seen = {name: column(*pair) for name, pair in rotor(0.0, (FLOW, 0), code=UNKNOWN).items()}
    seen["inlet-flow"] = Column(values=np.array([FLOW, 0.0]), codes=np.zeros(2, np.uint8))
    _, codes = OF_BRAKE["rotor-hot-no-flow"](RULES["rotor-hot-no-flow"], BRAKE, seen)
    assert codes.tolist() == [Reason.GOOD, UNKNOWN]


@pytest.mark.parametrize(
    ("running", "ordered", "met"),
    [
        ((0.0, 0), (1.0, 0), True),
        ((1.0, 0), (1.0, 0), False),
        ((0.0, 0), (0.0, 0), False),  # switched off
        ((0.0, 0), (0.0, OPEN), True),  # nobody knows that it was
        ((0.0, 0), (0.0, DOUBTED), True),
    ],
)
def test_a_pump_is_stopped_where_it_stands_and_nobody_switched_it_off(
    running: tuple[float, int], ordered: tuple[float, int], *, met: bool
) -> None:
    names = [point.name for role in ("pump-running", "pump-commanded") if (point := RIG.role(role)) is not None]
    assert len(names) == 2
    readings = {name: column(*pair) for name, pair in zip(names, (running, ordered), strict=True)}
    assert told(pump_stopped(RIG, readings)) == (met, Reason.GOOD)
    readings[names[0]] = column(0.0, OPEN)
    assert told(pump_stopped(RIG, readings))[1] == OPEN
