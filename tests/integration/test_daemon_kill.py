"""kill -9 of the daemon in mid-trip: what was committed stays, alarm states come back, identities are unique."""

import getpass
import json
import random
import time
from pathlib import Path

import pytest

from brakewater.record.verify import verify
from brakewater.stream import Command, Start
from brokers import Broker, free_port, listening, mosquitto, retained, running, say, until
from daemons import (
    SmallDevice,
    daemon,
    demo_rig_file,
    events,
    here,
    inputs,
    serving,
    simulator,
    small_rig,
    starts,
)

pytestmark = pytest.mark.integration

KILLS = 4
PUMP_STOPPED = {"aux.cooling-lost", "aux.cooling-flow-low"}


def alarms(broker: Broker, root: str) -> dict[str, str]:
    """What a newcomer is told of the alarms that are not normal."""
    said = retained(broker.port, f"{root}/+/alarm/+")
    return {
        f"{topic.split('/')[-3]}.{body['alarm']}": body["state"]
        for topic, body in said.items()
        if body["state"] != "normal"
    }


def assert_whole(record: Path) -> None:
    """The chain holds, no identity is used twice, and replay over all runs gives the recorded events."""
    assert verify(record).verdict == "consistent"
    identities = [event.identity for event in events(record)]
    assert len(set(identities)) == len(identities)
    assert len({start.run for start in starts(record)}) == len(starts(record))
    replayed = here("replay", record, "--compare", "--json")
    assert replayed.returncode == 0, replayed.stdout + replayed.stderr
    assert json.loads(replayed.stdout.splitlines()[-1])["identical"] is True


def assert_states_come_back(record: Path) -> None:
    """Each run starts with the states that the events before it had come to."""
    states: dict[str, str] = {}
    for start in starts(record):
        kept = json.loads(start.snapshot)["alarms"] if start.snapshot else {}
        assert {key: one["state"] for key, one in kept.items() if one["state"] != "normal"} == states
        states |= {f"{event.brake or 'rig'}.{event.alarm}": event.now for event in events(record, start.run)}
        states = {key: state for key, state in states.items() if state != "normal"}
    assert states


def test_kills_at_any_moment_of_a_trip_lose_nothing_committed(tmp_path: Path) -> None:
    chance = random.Random(11)
    port = free_port()
    with running(mosquitto(tmp_path)) as broker:
        rig = demo_rig_file(tmp_path / "rig.toml", device=port, broker=broker.port)
        with simulator(rig, "demo", "--speed", "12"), daemon(rig, tmp_path / "record") as one:
            for _ in range(KILLS):
                time.sleep(chance.uniform(0.2, 1.5))
                committed = inputs(tmp_path / "record")
                one.kill()
                found = inputs(tmp_path / "record")
                assert found[: len(committed)] == committed
                one.start()
                assert inputs(tmp_path / "record")[: len(found)] == found
            until(lambda: one.states().keys() >= PUMP_STOPPED, "the pump has stopped", within_s=30)
            one.kill()
            one.start()
            assert one.states().keys() >= PUMP_STOPPED
            until(lambda: alarms(broker, "brakewater/rig-4") == one.states(), "states are shown")
            assert one.end() == 0
    assert len(starts(tmp_path / "record")) == KILLS + 2
    assert_states_come_back(tmp_path / "record")
    steady = [row[2] for row in inputs(tmp_path / "record") if not isinstance(row[2], Start | Command)]
    assert steady == sorted(steady)  # steady time goes on over every restart
    assert_whole(tmp_path / "record")


def test_acknowledged_stays_acknowledged_and_the_broker_is_put_right(tmp_path: Path) -> None:
    root, device = "brakewater/rig-9", SmallDevice(free_port())
    with running(mosquitto(tmp_path)) as broker, serving(device):
        rig = small_rig(tmp_path / "rig.toml", device=device.port, broker=broker.port)
        with daemon(rig, tmp_path / "record") as one:
            device.flow(0)
            until(lambda: {"aux.cooling-lost", "aux.cooling-flow-low"} <= one.states().keys())
            assert one.do("acknowledge", "aux.cooling-lost")["ok"] is True
            states = {"aux.cooling-lost": "acknowledged", "aux.cooling-flow-low": "unacknowledged"}
            assert one.states() == states
            until(lambda: "acknowledged" in [event.now for event in events(tmp_path / "record")], "it is committed")
            one.kill()
            until(lambda: retained(broker.port, f"{root}/online")[f"{root}/online"]["online"] is False, "the will")
            wrong = {"alarm": "cooling-lost", "state": "normal"}
            say(broker.port, f"{root}/aux/alarm/cooling-lost", json.dumps(wrong), "-r")
            one.start()
            assert one.states() == states
            until(lambda: alarms(broker, root) == states, "the broker is put right")
            refused = one.do("acknowledge", "aux.cooling-lost")
            assert refused["ok"] is False
            assert refused["says"] == "nothing to acknowledge: aux.cooling-lost is acknowledged"
            device.flow(90)  # and what was acknowledged before the kill goes to normal after it
            until(lambda: "aux.cooling-lost" not in one.states())
            assert one.states() == {"aux.cooling-flow-low": "returned-unacknowledged"}
            assert one.end() == 0
    assert_whole(tmp_path / "record")
    turns = [event for event in events(tmp_path / "record") if event.alarm == "cooling-lost"]
    states_by_run = [(event.run, event.now) for event in turns]
    assert states_by_run == [(1, "unacknowledged"), (1, "acknowledged"), (2, "normal")]
    assert turns[1].actor == getpass.getuser()


def test_an_event_is_delivered_though_the_daemon_was_killed_before(tmp_path: Path) -> None:
    """Events that were committed while the broker was away go out in the next life, in order and none missing."""
    device, broker = SmallDevice(free_port()), mosquitto(tmp_path)
    record = tmp_path / "record"
    with serving(device):
        rig = small_rig(tmp_path / "rig.toml", device=device.port, broker=broker.port)
        with daemon(rig, record) as one:
            for _ in range(2):  # a third within a minute would count as chatter, and be held
                device.flow(60)
                until(lambda: one.states().get("aux.cooling-flow-low") == "unacknowledged")
                device.flow(90)
                until(lambda: one.states().get("aux.cooling-flow-low") == "returned-unacknowledged")
            until(lambda: len(events(record)) >= 4)
            one.kill()
            with running(broker), listening(broker.port, "brakewater/rig-9/+/event", tmp_path / "ear") as ear:
                time.sleep(0.5)  # until the ear hears
                one.start()
                until(lambda: len(ear.all()) >= 4, "events are delivered")
                heard = [(each.json["run"], each.json["n"]) for each in ear.all()]
                assert one.end() == 0
    assert heard[:4] == [(event.run, event.n) for event in events(record)][:4]
