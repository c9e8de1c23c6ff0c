"""What a rig file's alarms lack is said alarm by alarm; nothing of the catalogue is passed over."""

import pytest

import streams
from brakewater.alarms.catalogue import CATALOGUE, Scope
from brakewater.rig import load
from brakewater.rig.unwatched import unwatched

FILES = ("demo.toml", "rig-4-full.toml", "rig-9-full.toml", "template.toml")


@pytest.mark.parametrize("name", FILES)
def test_every_alarm_is_watched_or_says_what_it_lacks(name: str) -> None:
    rig = load(streams.CONFIG / name)
    found = unwatched(rig)
    assert all(one.lacks for one in found)
    watched = {(rule.brake or "rig", rule.kind.name) for rule in rig.alarms}
    lacking = {(one.alarm.partition(".")[0], one.alarm.partition(".")[2].partition(":")[0]) for one in found}
    for kind in CATALOGUE.values():
        if kind.scope is Scope.BRAKE:
            for brake in rig.brakes:
                assert ((brake.name, kind.name) in watched) != ((brake.name, kind.name) in lacking), kind.name
        elif kind.scope is Scope.RIG and kind.name != "limits-above-maker":
            assert (("rig", kind.name) in watched) != (("rig", kind.name) in lacking), kind.name


def test_without_a_rotor_nobody_is_warned_of_a_hot_one() -> None:
    rig = load(streams.CONFIG / "template.toml")
    lacks = {one.alarm: one.lacks for one in unwatched(rig)}
    assert lacks["aux.rotor-hot-no-flow"] == ("rotor of the brake",)
    assert lacks["aux.supply-pressure-low"] == ("a point of role supply-pressure", "least-pressure of the brake")
    assert "aux.rotor-hot-no-flow" not in {one.alarm for one in unwatched(streams.demo())}
