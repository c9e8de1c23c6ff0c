"""Alarms that come only where the rig file gives their limit: each of the full rigs' is looked at, rises and clears."""

import pytest

import streams
from brakewater.engine import Engine
from brakewater.rig import load

GPM = streams.GPM
FULL = load(streams.CONFIG / "rig-4-full.toml")
PSI = 6894.757293168  # NIST SP 811
SOUND = {
    "pump-running": 1.0,
    "aux-in-service": 1.0,
    "aux-flow": 90 * GPM,
    "aux-inlet": 30.0,
    "aux-outlet": 32.0,
    "aux-pressure": 41 * PSI,
    "aux-strainer": 2.5 * PSI,
}


@pytest.mark.parametrize(
    ("alarm", "point", "beyond"),
    [
        ("supply-pressure-low", "aux-pressure", 33 * PSI),
        ("strainer-fouling", "aux-strainer", 8.5 * PSI),
        ("cooling-flow-high", "aux-flow", 112 * GPM),
    ],
)
def test_an_alarm_of_an_optional_limit_comes_and_goes(alarm: str, point: str, beyond: float) -> None:
    engine = Engine()
    events = list(engine.feed(streams.start(FULL)).events)
    for first, values in ((1, SOUND), (201, {**SOUND, point: beyond}), (401, SOUND)):
        events += engine.feed(streams.scans(FULL, 200, first=first, values=values)).events
    (up, at), (down, after) = [(event.now, event.input) for event in events if event.alarm == alarm]
    assert (up, down) == ("unacknowledged", "returned-unacknowledged")
    assert 200 < at <= 400 < after


@pytest.mark.parametrize("name", ["demo.toml", "rig-4-full.toml", "rig-9-full.toml", "template.toml"])
def test_every_alarm_of_every_rig_file_here_finds_what_it_looks_at(name: str) -> None:
    rig = load(streams.CONFIG / name)
    engine = Engine()
    engine.feed(streams.start(rig))
    assert set(engine.feed(streams.scans(rig, 10)).readings) == {point.name for point in rig.points}
