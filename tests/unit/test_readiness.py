from dataclasses import replace
from typing import Any

import pytest

import streams
from brakewater import render
from brakewater.engine import Engine
from brakewater.quality import Reason
from brakewater.readiness import due, in_service, obstacles
from brakewater.stream import BookNow, ByHand, Picture, RoundNow

RIG = streams.demo()


def picture(status: dict[str, Any] | None = None, **values: float) -> Picture:
    engine = Engine()
    engine.feed(streams.start(RIG))
    named = {"aux-in-service": 0.0, **{key.replace("_", "-"): value for key, value in values.items()}}
    engine.feed(streams.scans(RIG, 60, values=named, status=status))
    return engine.picture()


def found(shown: Picture) -> list[tuple[str, str, str]]:
    return [(one.what, one.name, one.why) for one in obstacles(RIG, shown)]


def test_all_well_before_a_trip_lights_ready_and_nothing_but_watching() -> None:
    shown = picture()
    assert found(shown) == []
    lit = {name for name, lamp in render.lamps(RIG, shown).items() if lamp["aspect"] != "off"}
    assert lit == {"watching", "ready"}


def test_with_the_brake_in_service_ready_is_dark() -> None:
    shown = picture(aux_in_service=1.0)
    assert found(shown) == []
    assert render.lamps(RIG, shown)["ready"]["aspect"] == "off"


def test_what_stands_in_the_way() -> None:
    assert ("flow", "aux-flow", "low") in found(picture(aux_flow=70 * streams.GPM))
    assert ("inlet", "aux-inlet", "high") in found(picture(aux_inlet=40.0))
    assert ("level", "aux-level", "high") in found(picture(aux_level=0.5))
    dark = picture(aux_inlet=40.0)
    assert render.lamps(RIG, dark)["ready"]["aspect"] == "off"


def test_the_unknown_is_never_all_right() -> None:
    assert ("flow", "aux-flow", "unknown") in found(picture(status={"aux-flow": 0x82}))
    assert [one.what for one in obstacles(RIG, picture(), ["aux-flow"])] == ["unproved"]


def read(**readings: tuple[float, int]) -> Picture:
    """All well but for these values in SI and reason codes."""
    shown = picture()
    return replace(shown, readings={**shown.readings, **{key.replace("_", "-"): of for key, of in readings.items()}})


def test_limits_are_those_of_the_brake_and_at_one_nothing_stands_in_the_way_yet() -> None:
    brake = RIG.brakes[0]
    assert brake.bearing_level == 0.6
    at_limits = read(aux_flow=(brake.least_flow, 0), aux_inlet=(brake.inlet_limit, 0), aux_level=(0.75 * 0.6, 0))
    assert found(at_limits) == []
    beyond = read(aux_flow=(0.99 * brake.least_flow, 0), aux_inlet=(brake.inlet_limit + 0.1, 0), aux_level=(0.455, 0))
    assert [one.limit for one in obstacles(RIG, beyond)] == [brake.least_flow, brake.inlet_limit, 0.75 * 0.6]


def test_uncertain_is_told_from_unknown_and_a_signal_without_a_value_is_unknown() -> None:
    assert found(read(aux_level=(0.1, Reason.OLD))) == [("level", "aux-level", "uncertain")]
    shown = picture()
    without = replace(shown, readings={name: of for name, of in shown.readings.items() if name != "aux-inlet"})
    assert ("inlet", "aux-inlet", "unknown") in found(without)


def test_a_brake_whose_service_nobody_can_tell_is_in_service_and_one_of_two_is_enough() -> None:
    shown = picture()
    assert not in_service(RIG, shown)
    unread = replace(shown, readings={name: of for name, of in shown.readings.items() if name != "aux-in-service"})
    assert in_service(RIG, unread)
    two = streams.parse(streams.two_brakes())  # its brake "two" has no such signal
    assert in_service(two, replace(shown, readings={"one-in-service": (0.0, 0)})) is True


def test_a_point_held_by_hand_stands_in_the_way_with_who_did_it() -> None:
    held = ByHand(
        point="aux-inlet",
        what="substituted",
        value=29.0,
        actor="engineer",
        reason="RTD being changed",
        since_utc_ns=1,
        until_utc_ns=2,
    )
    shown = replace(picture(), substitutions=(held,))
    assert found(shown) == [("substituted", "aux-inlet", "substituted by engineer: RTD being changed")]


def test_an_alarm_that_stands_tells_its_value_beside_its_limit_where_it_has_one() -> None:
    shown = picture(aux_inlet=60.0, aux_in_service=1.0)
    by_name = {one.name: one for one in obstacles(RIG, shown) if one.what == "alarm"}
    hot = by_name["aux.inlet-temperature-high"]
    assert hot.value == pytest.approx(60.0, abs=0.1)
    assert hot.limit == RIG.brakes[0].inlet_limit
    bad = picture(status={"aux-level": 0x82})
    (signal,) = [one for one in obstacles(RIG, bad) if one.what == "alarm" and "signal-bad" in one.name]
    assert (signal.value, signal.limit) == (None, None)


def worn(share: float) -> RoundNow:
    return RoundNow(
        round="grease",
        brake="aux",
        share=share,
        by="hours",
        running_s=1.0,
        trips=0,
        due_utc_ns=None,
        done_utc_ns=None,
        since_utc_ns=1,
    )


@pytest.mark.parametrize(
    ("share", "is_due", "stands_in_the_way"),
    [(0.99, False, False), (1.0, True, False), (1.24, True, False), (1.25, False, True), (2.0, False, True)],
)
def test_a_round_that_is_due_is_work_and_only_an_overdue_one_stands_in_the_way(
    share: float, *, is_due: bool, stands_in_the_way: bool
) -> None:
    shown = replace(picture(), book=BookNow(rounds=(worn(share),)))
    assert due(shown) == (("grease",) if is_due else ())
    assert found(shown) == ([("round", "grease", "overdue by hours")] if stands_in_the_way else [])
    assert due(picture()) == (), "a rig that keeps no book"
