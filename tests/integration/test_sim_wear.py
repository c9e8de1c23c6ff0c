"""Slow faults of the brake itself, as several trips months apart: each is told by its own alarm, in words and figures.

The trips are those of the simulator's plant with all signals; what is wrong is there from the first second, as it would
be after months at rest. The crew of the driller asks for as much current as the load needs, so that a fault shows first
in current, and in the share of the load only where there is no more current.
"""

import pytest

from brakewater import render
from brakewater.engine import Engine
from brakewater.record.documents import event_doc
from brakewater.rig import Rig, load
from brakewater.stream import Event
from brakewater_sim.offline import blocks, start_of
from brakewater_sim.story import parse
from streams import CONFIG

pytestmark = [pytest.mark.timeout(600), pytest.mark.long]

TRIP = """schema = 1
[scenario]
name = "trip"
length = "{length} s"
warmup = "300 s"
brake = "75 gal/min"
water = "24 degC"
ambient = "15 degC"
[[leg]]
from = "2400 m"
to = "3400 m"
crew = {crew}
"""
FAULT = """[[fault]]
fault = "{fault}"
at = "1 s"
severity = {severity}
"""


@pytest.fixture(scope="module")
def rig() -> Rig:
    return load(CONFIG / "rig-4-full.toml")


def trip(rig: Rig, crew: int, fault: str = "", severity: float = 0.0, length: float = 900.0) -> list[Event]:
    """What a trip raises that had not been raised."""
    text = TRIP.format(length=length, crew=crew) + (FAULT.format(fault=fault, severity=severity) if fault else "")
    engine = Engine()
    events = list(engine.feed(start_of(rig)).events)
    for block in blocks(parse(text), rig, seed=crew):
        events += engine.feed(block).events
    return [event for event in events if event.now == "unacknowledged"]


def said(rig: Rig, event: Event) -> str:
    """The event as people read it."""
    return str(render.event_shown(rig, event_doc(event))["text"])


def test_a_gap_that_widens_from_trip_to_trip_is_told_as_a_weakening_brake(rig: Rig) -> None:
    """Torque goes by the inverse square of the gap: 1.2 times as wide leaves 0.69 of it, 1.5 times 0.44."""
    assert trip(rig, 1) == []
    for crew, severity, left in ((2, 0.2, 1 / 1.2**2), (3, 0.8, 1 / 1.5**2)):
        first = trip(rig, crew, "widening-gap", severity)[0]
        assert first.alarm == "brake-weakening"
        assert first.value == pytest.approx(left, abs=0.05)
        assert said(rig, first).startswith("The brake weakens: ")


def test_an_exciter_that_fades_from_trip_to_trip_is_told_by_current_and_by_share(rig: Rig) -> None:
    told = trip(rig, 5, "weak-excitation", 1.0)
    assert [event.alarm for event in told] == ["excitation-low", "excitation-reduced", "heat-share-low"]
    assert [event.cause for event in told] == [None, "aux.excitation-low", "aux.excitation-low"]
    assert said(rig, told[0]).startswith("Excitation low: ")
    assert trip(rig, 5, "weak-excitation", 0.2) == []  # 0.69 of the current is enough for this string
