"""An alarm tripped by hand: seen wherever people and PLCs look, dated, voided, overtaken by a real one."""

import getpass
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from brakewater.record.verify import verify
from brokers import free_port, listening, mosquitto, running, until
from daemons import Daemon, SmallDevice, daemon, events, here, serving, small_rig
from plc_parts import mbpoll

pytestmark = pytest.mark.integration

LOW, LOST, HOT = "aux.cooling-flow-low", "aux.cooling-lost", "aux.outlet-temperature-high"
MORE = """
[registers]
host = "127.0.0.1"
port = {port}

[[lamp]]
name = "cooling"
alarms = ["cooling-lost", "cooling-flow-low"]
"""
WHO = getpass.getuser()


@pytest.fixture
def device() -> Iterator[SmallDevice]:
    with serving(SmallDevice(free_port())) as one:
        yield one


def proof(rig: Path, record: Path, alarm: str = LOW) -> dict[str, Any]:
    rows = json.loads(here("points", rig, "--proofs", "--json", "--record", record).stdout)
    return next(row for row in rows["alarms"] if row["alarm"] == alarm)  # type: ignore[no-any-return]


def trip(record: Path, alarm: str = LOW, minutes: str = "5") -> None:
    done = here("do", "test-alarm", alarm, "--minutes", minutes, "--reason", "commissioning", "--record", record)
    assert done.returncode == 0, done.stdout


def stands(one: Daemon, alarm: str) -> dict[str, Any]:
    name = alarm.partition(".")[2]
    return next((row for row in one.status()["alarms"] if row["alarm"] == name), {})


def test_lamp_horn_registers_and_topics_say_that_it_is_a_test(device: SmallDevice, tmp_path: Path) -> None:
    with running(mosquitto(tmp_path)) as broker, listening(broker.port, "brakewater/#", tmp_path / "heard") as ear:
        rig = small_rig(tmp_path / "rig.toml", device=device.port, broker=broker.port)
        port, record = free_port(), tmp_path / "record"
        rig.write_text(rig.read_text() + MORE.format(port=port))
        with daemon(rig, record) as one:
            until(lambda: (ear.last("/horn") or {}).get("sound") == "off")
            assert proof(rig, record)["status"] == "never"
            trip(record)
            until(lambda: stands(one, LOW).get("state") == "unacknowledged")
            until(lambda: (ear.last("/horn") or {}).get("sound") == "alarm")
            assert ear.last("/horn") == {"sound": "alarm", "test": True}
            assert ear.last("/lamp/cooling") == {"aspect": "flash", "colour": "red", "test": True}
            assert ear.last("/alarm/cooling-flow-low")["test"]["reason"] == "commissioning"
            until(lambda: ear.last("/event") is not None)
            assert (ear.last("/event")["why"], ear.last("/event")["actor"]) == ("test", WHO)
            assert ear.last("/event")["text"].startswith(f"TEST by {WHO}, not real: Cooling water low")
            head = [int(word) for word in mbpoll(port, "-t", "4", "-r", "0", "-c", "100")]
            assert (head[6], head[17], head[2] >> 7 & 1) == (1, 2, 1)  # horn, the lamp flashes, a test is under way
            shown = here("status", "--record", record).stdout
            assert f"UNACKNOWLEDGED {LOW} since" in shown
            assert f"TEST by {WHO} until" in shown
            until(lambda: proof(rig, record)["status"] == "unseen")
            assert here("do", "acknowledge", LOW, "--record", record).returncode == 0
            until(lambda: proof(rig, record)["status"] == "proved")
            assert proof(rig, record)["seen_by"] == WHO
            assert here("do", "test-end", LOW, "--record", record).returncode == 0
            until(lambda: ear.last("/lamp/cooling") == {"aspect": "off", "colour": "red"})
            assert one.status()["alarms"] == []
            assert one.end() == 0
    assert [event.why for event in events(record)] == ["test", "test", "test"]
    assert here("replay", record, "--compare").returncode == 0
    assert verify(record).verdict == "consistent"


def test_a_real_alarm_overtakes_the_test_and_a_kill_does_not_lose_it(device: SmallDevice, tmp_path: Path) -> None:
    rig, record = small_rig(tmp_path / "rig.toml", device=device.port), tmp_path / "record"
    with daemon(rig, record) as one:
        trip(record, LOST)
        until(lambda: stands(one, LOST).get("state") == "unacknowledged")
        until(lambda: proof(rig, record, LOST)["status"] == "unseen")
        one.kill()
        one.start()
        until(lambda: (stands(one, LOST).get("test") or {}).get("actor") == WHO)
        device.flow(0)
        until(lambda: stands(one, LOST)["test"] is None)
        assert stands(one, LOST)["state"] == "unacknowledged"
        assert stands(one, LOST)["respond"].startswith("Stop lowering")
        refused = here("do", "test-alarm", LOST, "--reason", "x", "--record", record)
        assert (refused.returncode, "stands is real" in refused.stdout) == (1, True)
        one.end()
    of_lost = [(event.now, event.why) for event in events(record) if event.alarm == "cooling-lost"]
    assert of_lost == [("unacknowledged", "test"), ("normal", "test"), ("unacknowledged", "condition")]
    assert here("replay", record, "--compare").returncode == 0


def test_a_test_while_the_horn_sounds_is_no_proof(device: SmallDevice, tmp_path: Path) -> None:
    """Neither where it sounded at the command, nor where a real alarm came within the on-delay; silenced, it proves."""
    rig, record = small_rig(tmp_path / "rig.toml", device=device.port), tmp_path / "record"
    with daemon(rig, record) as one:
        device.outlet(95)
        until(lambda: stands(one, HOT).get("state") == "unacknowledged")
        done = here("do", "test-alarm", LOW, "--minutes", "5", "--reason", "commissioning", "--record", record)
        assert "The horn sounds already for" in done.stdout
        assert HOT in done.stdout
        until(lambda: stands(one, LOW).get("state") == "unacknowledged")
        one.do("acknowledge", LOW)
        until(lambda: proof(rig, record)["status"] == "unheard")
        assert "but the horn sounded already" in here("points", rig, "--proofs", "--record", record).stdout
        one.do("test-end", LOW)
        one.do("silence", "all")
        trip(record)
        until(lambda: stands(one, LOW).get("state") == "unacknowledged")
        one.do("silence", "all")  # does not date it anew
        one.do("acknowledge", LOW)
        until(lambda: proof(rig, record)["status"] == "proved")
        one.end()


def test_another_setpoint_or_lamp_voids_the_proof_and_its_return_makes_it_valid(
    device: SmallDevice, tmp_path: Path
) -> None:
    rig, record = small_rig(tmp_path / "rig.toml", device=device.port), tmp_path / "record"
    old = rig.read_text() + MORE.format(port=free_port())
    rig.write_text(old)
    with daemon(rig, record) as one:
        trip(record)
        until(lambda: stands(one, LOW).get("state") == "unacknowledged")
        one.do("acknowledge", LOW)
        until(lambda: proof(rig, record)["status"] == "proved")
        for words in (("75 gal/min", "70 gal/min"), ('["cooling-lost", "cooling-flow-low"]', '["cooling-lost"]')):
            rig.write_text(old.replace(*words))
            assert (proof(rig, record)["status"], proof(rig, record)["void_since"]) == ("void", None)
            assert here("reload", "--record", record).returncode == 0
            until(lambda: proof(rig, record)["void_since"] is not None)
            assert "void since" in here("points", rig, "--proofs", "--record", record).stdout
            rig.write_text(old)
            assert here("reload", "--record", record).returncode == 0
            until(lambda: proof(rig, record)["status"] == "proved")
        other = '[[lamp]]\nname = "level"\nalarms = ["brake-level-high"]\n'
        for words, status in (
            (('name = "cooling"', 'name = "cooling"\nsequence = "M"'), "void"),
            (("[registers]", "[registers]\nunit = 2"), "void"),  # where the PLC that has the lamp asks for it
            (("[[lamp]]", f"{other}[[lamp]]"), "void"),  # its register is another one now
            (("[mqtt]", f"{other}[mqtt]"), "proved"),
        ):
            rig.write_text(f"{old}[mqtt]\n".replace(*words).replace("[mqtt]\n", ""))
            assert proof(rig, record)["status"] == status, words
        one.end()
