from typing import Any

import streams
from brakewater import render
from brakewater.engine import Engine
from brakewater.readiness import obstacles
from brakewater.stream import Picture

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
