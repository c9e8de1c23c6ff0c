"""A record of an older version is held against today's events without the alarms that are new by now."""

from dataclasses import replace
from pathlib import Path

import streams
from brakewater.engine import Engine
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.review.replay import Comparison, Tally, compare, replayed
from brakewater.stream import Event

RIG = streams.demo()
NEW = "aux.cooling-flow-low"
HAD = tuple(key for key in RIG.keys if key != NEW)


def recorded_then(folder: Path, *, told: bool, second: bool = True) -> Record:
    """Runs of a version that did not have one of the alarms yet; the flow is lost in the last of them."""
    engine, snapshot, t_ns = Engine(), b"", 0
    with Journal(folder) as journal:
        for run in (1, 2) if second else (1,):
            begun = replace(streams.start(RIG, run=run, t_ns=t_ns, snapshot=snapshot), alarms=HAD, version="0.0.7")
            lost = {"aux-flow": 0.0} if run == 2 or not second else {}
            block = streams.scans(RIG, 60, run=run, t0=t_ns + RIG.scan_ns, values=lost)
            journal.begin(begun if told else replace(begun, alarms=None), engine.feed(begun).events)
            journal.append(block, engine.feed(block).events)
            snapshot, t_ns = engine.state(), int(block.t_ns[-1]) + 10**9
            engine = Engine()
        assert journal.wait_committed(10)
    return Record(folder)


def held(record: Record) -> Comparison:
    tally, events = Tally(), list[Event]()
    for _, outcome in replayed(record, Engine(), tally):
        events += outcome.events
    return compare(record, events, tally)


def test_an_alarm_that_the_start_does_not_name_is_left_out_and_told(tmp_path: Path) -> None:
    found = held(recorded_then(tmp_path, told=True))
    assert found.identical
    assert found.not_comparable == [f"{NEW}: not yet in version 0.0.7, which recorded run 1, 2"]


def test_where_no_start_names_them_the_snapshot_of_the_same_rig_file_tells(tmp_path: Path) -> None:
    found = held(recorded_then(tmp_path, told=False))
    assert found.identical
    (text,) = found.not_comparable
    assert text.startswith(f"{NEW}: not yet in version 0.0.7, which recorded run 2; the rest of the run is identical")


def test_where_nothing_tells_it_is_a_difference_and_the_version_is_named(tmp_path: Path) -> None:
    found = held(recorded_then(tmp_path, told=False, second=False))
    assert not found.identical
    assert found.recorded_by == {"0.0.7": [1]}


def test_another_difference_is_not_hidden_by_a_new_alarm(tmp_path: Path) -> None:
    record = recorded_then(tmp_path, told=False)
    tally, events = Tally(), list[Event]()
    for _, outcome in replayed(record, Engine(), tally):
        events += [replace(one, setpoint=0.1) if one.alarm == "cooling-lost" else one for one in outcome.events]
    found = compare(record, events, tally)
    assert not found.identical
    assert found.recorded_by == {"0.0.7": [2]}


def test_an_alarm_that_was_recorded_is_never_called_new(tmp_path: Path) -> None:
    engine = Engine()
    with Journal(tmp_path) as journal:
        begun = streams.start(RIG)
        block = streams.scans(RIG, 60, values={"aux-flow": 0.0})
        journal.begin(begun, engine.feed(begun).events)
        journal.append(block, engine.feed(block).events)
        assert journal.wait_committed(10)
    record = Record(tmp_path)
    tally, events = Tally(), list[Event]()
    for _, outcome in replayed(record, Engine(), tally):
        events += [one for one in outcome.events if one.alarm != "cooling-flow-low"]
    assert not compare(record, events, tally).identical
