"""The state that an older version left in a record is taken over by the engine of today."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

import streams
from brakewater.engine import Engine
from brakewater.record.reader import Record
from brakewater.stream import Start

OLD = Path(__file__).parents[1] / "records" / "1-before-layouts"


@pytest.fixture
def start() -> Start:
    """Of the second run, as it was written, with the state after the first; the flow was lost, and acknowledged."""
    (found,) = (item for item in Record(OLD).others(2) if isinstance(item, Start))
    return found


def test_alarm_states_and_acknowledgements_stand(start: Start) -> None:
    kept = json.loads(start.snapshot)["alarms"]
    engine = Engine()
    assert engine.feed(start).events == ()
    stand = {f"{one.brake or 'rig'}.{one.alarm}": one for one in engine.alarms()}
    assert {key for key, one in stand.items() if one.state == "acknowledged"} == {
        "aux.cooling-lost",
        "aux.cooling-flow-low",
    }
    for key, was in kept.items():
        assert stand[key].state == was["state"], key
        assert stand[key].since_utc_ns == int(was["utc"]), key
    assert stand["aux.cooling-lost"].first_out
    assert stand["aux.cooling-flow-low"].cause == "aux.cooling-lost"


def test_what_the_older_version_did_not_watch_begins_at_rest(start: Start) -> None:
    engine = Engine()
    engine.feed(start)
    kept = json.loads(start.snapshot)["alarms"]
    new = [one for one in engine.alarms() if f"{one.brake or 'rig'}.{one.alarm}" not in kept]
    assert new
    assert {one.state for one in new} == {"normal"}


def test_slow_estimates_begin_anew_and_are_named(start: Start) -> None:
    engine = Engine()
    engine.feed(start)
    assert engine.begun_anew == ("aux",)
    block = streams.scans(engine.rig, 50, run=2, t0=start.t_ns + engine.rig.scan_ns)
    engine.feed(block)
    fresh = Engine()
    fresh.feed(replace(start, snapshot=b""))
    fresh.feed(block)
    for quantity in ("energy_j", "heat_lag_free_w", "time_to_bearing_s"):
        assert engine.picture().derived["aux", quantity] == fresh.picture().derived["aux", quantity]
    again = Engine()
    again.feed(replace(start, run=3, snapshot=engine.state()))
    assert again.begun_anew == ()


def test_a_slow_state_of_other_names_begins_anew_as_well(start: Start) -> None:
    engine = Engine()
    engine.feed(start)
    kept = json.loads(engine.state())
    stages = kept["brakes"]["aux"]["slow"]["state"]["stages"]
    stages["energy"]["moment"] = stages["energy"].pop("totals")
    again = Engine()
    again.feed(replace(start, run=3, snapshot=json.dumps(kept, sort_keys=True).encode()))
    assert again.begun_anew == ("aux",)
    assert {one.state for one in again.alarms() if one.alarm == "cooling-lost"} == {"acknowledged"}
