"""A record is read with the daemon's own points as it was written with them, whatever later versions have."""

from dataclasses import replace

import pytest

import streams
from brakewater.engine import Engine
from brakewater.errors import StorageError
from brakewater.record.documents import start_body, start_of
from brakewater.rig import SELF, Rig, Table, as_recorded, layout_before, parse
from brakewater.rig.own import points
from brakewater.stream import OwnLayout, Start

RIG = streams.demo()
OLD: OwnLayout = tuple(one for one in RIG.own if one[0] != "self.disk-used")
"""As the version before the disk's share wrote it."""
MAILBOX = '\n[[lamp-mailbox]]\ndevice = "plc1"\naddress = 500\ncount = 12\nsignature = 0xB4A7\n'
NEWER: OwnLayout = (*RIG.own[:2], ("self.moon", "uint32"), *RIG.own[2:])
"""As a version to come may write it, with its new point in the middle."""


def recorded(layout: OwnLayout | None, *, run: int = 1) -> Start:
    return replace(streams.start(RIG, run=run), own=layout)


def names(rig: Rig) -> list[str]:
    return [point.name for point in rig.points if point.device == SELF]


def test_a_start_comes_back_with_its_layout_and_an_old_one_without() -> None:
    for layout in (RIG.own, None):
        begun = recorded(layout)
        assert start_of(begun.run, begun.t_ns, begun.utc_ns, start_body(begun)) == begun
    assert b'"own"' not in start_body(recorded(None))


def test_a_start_comes_back_with_the_alarms_there_were_and_an_old_one_without() -> None:
    for alarms in (RIG.keys, (), None):
        begun = replace(recorded(RIG.own), alarms=alarms)
        assert start_of(begun.run, begun.t_ns, begun.utc_ns, start_body(begun)) == begun
    assert b'"alarms"' not in start_body(recorded(RIG.own))


def test_as_recorded_is_the_same_rig_where_nothing_differs() -> None:
    assert as_recorded(RIG, RIG.own) is RIG
    later = ("self.restarts", "self.panel")
    assert as_recorded(RIG, None).own == tuple(one for one in RIG.own if one[0] not in later)


def test_addresses_follow_the_recorded_layout() -> None:
    found = as_recorded(RIG, NEWER)
    assert found.own == NEWER
    assert {point.name: point.address for point in found.points if point.device == SELF}["self.queued"] == 6
    assert [slot.point.table for slot in found.slots if slot.point.name == "self.moon"] == [Table.HOLDING]


def test_alarms_on_points_that_were_not_there_are_left_out() -> None:
    found = as_recorded(RIG, OLD)
    keys = {rule.key for rule in RIG.alarms} - {rule.key for rule in found.alarms}
    assert keys == {"rig.disk-low"}


def test_a_mirrors_alarm_goes_with_its_own_point_alone() -> None:
    text = "".join(f'\n[mirror.{name}]\nurl = "http://127.0.0.1:8428"\n' for name in ("office", "shore"))
    rig = parse(RIG.text + text)
    found = as_recorded(rig, tuple(one for one in rig.own if one[0] != "self.mirror.shore"))
    assert {rule.key for rule in rig.alarms} - {rule.key for rule in found.alarms} == {"rig.mirror-behind:shore"}


@pytest.mark.parametrize("layout", [OLD, NEWER, RIG.own])
def test_readings_and_events_are_those_of_the_writing_version(layout: OwnLayout) -> None:
    writer = as_recorded(RIG, layout)
    block = streams.scans(writer, 50, values={"aux-flow": 0.0, "self.queued": 7.0})
    engine = Engine()
    played = streams.play([recorded(layout), block], engine)
    assert names(engine.rig) == [name for name, _ in layout]
    assert played.picture is not None
    assert played.picture.readings["self.queued"] == (7.0, 0)
    assert "cooling-lost" in {event.alarm for event in played.events}
    assert not {event.alarm for event in played.events} & {"record-stalled", "clock-stepped", "broker-lost", "disk-low"}


def test_an_alarm_that_the_writing_version_did_not_have_is_left_out() -> None:
    had = tuple(key for key in RIG.keys if key != "aux.cooling-flow-low")
    begun, block = replace(recorded(RIG.own), alarms=had), streams.scans(RIG, 50, values={"aux-flow": 0.0})
    engine = Engine()
    played = streams.play([begun, block], engine)
    assert engine.left_out == ("aux.cooling-flow-low",)
    assert "cooling-lost" in {event.alarm for event in played.events}
    assert "cooling-flow-low" not in {event.alarm for event in played.events}
    asked = Engine(instead=RIG)  # what would it have done
    assert "cooling-flow-low" in {event.alarm for event in streams.play([begun, block], asked).events}
    assert asked.left_out == ()


@pytest.mark.parametrize("later", [(), ("self.disk-used",), ("self.disk-used", "self.lamp-writes")])
def test_the_width_of_the_scans_tells_the_layout_that_no_start_told(later: tuple[str, ...]) -> None:
    rig = parse(RIG.text + MAILBOX)
    assert "self.lamp-writes" in dict(rig.own)
    since = ("self.restarts", "self.panel")  # no version without recorded layouts had these
    layout = tuple(one for one in rig.own if one[0] not in (*later, *since))
    then = as_recorded(rig, layout)
    assert layout_before(rig, then.words, len(then.points)) == layout
    assert layout_before(rig, then.words + 3, len(then.points)) is None


def test_a_restart_by_a_later_version_goes_on() -> None:
    begun = [recorded(OLD), streams.scans(as_recorded(RIG, OLD), 20)]
    again = streams.start(RIG, run=2, t_ns=10**12, snapshot=streams.play(begun).state)
    engine = Engine()
    streams.play([*begun, again, streams.scans(RIG, 20, run=2, t0=10**12)], engine)
    assert engine.rig.own == RIG.own
    assert not engine.drifted


def test_what_if_takes_the_points_of_the_run_it_is_asked_of() -> None:
    block = streams.scans(as_recorded(RIG, OLD), 5)
    engine = Engine(instead=RIG)
    streams.play([recorded(OLD), block], engine)
    assert engine.rig.own == OLD


def test_an_unknown_data_type_is_named() -> None:
    with pytest.raises(StorageError, match=r"own point self\.moon: found data type 'uint128'"):
        as_recorded(RIG, (*RIG.own, ("self.moon", "uint128")))


def test_every_own_point_has_a_name_of_its_own() -> None:
    found = [point.name for point in points(("a", "b"), broker=True, lamp_writes=True)]
    assert len(set(found)) == len(found)
