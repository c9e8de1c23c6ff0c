"""Bad starts and clean ends: what is missing is said in one line, and the watch does all that it still can."""

import json
import os
import shutil
import signal
import time
from contextlib import AbstractContextManager
from pathlib import Path

import pytest

from brakewater.control import SOCKET
from brakewater.record.verify import verify
from brokers import Broker, Ear, free_port, listening, mosquitto, retained, running, until
from daemons import SmallDevice, brakewater, daemon, events, here, serving, small_rig

pytestmark = pytest.mark.integration

ROOT = "brakewater/rig-9"
LOST = f"{ROOT}/aux/alarm/cooling-lost"


def state(ear: Ear, topic: str) -> str | None:
    said = ear.last(topic)
    return None if said is None else said["state"]


def hearing(broker: Broker, folder: Path) -> AbstractContextManager[Ear]:
    return listening(broker.port, f"{ROOT}/+/alarm/+", folder / "alarms")


def lines(said: str, *words: str) -> list[str]:
    """Lines at warning or above that hold one of the words."""
    loud = [line for line in said.splitlines() if not line.startswith("INFO")]
    return [line for line in loud if any(word in line for word in words)]


def test_a_bad_rig_file_starts_nothing_and_names_every_fault(tmp_path: Path) -> None:
    rig, record = small_rig(tmp_path / "rig.toml", device=1502), tmp_path / "record"
    text = rig.read_text().replace('"75 gal/min"', '"75 gal"').replace("address = 3", "address = 2")
    rig.write_text(text.replace('name = "aux-level"', 'name = "aux-flow"') + "\n[mqt]\nhost = 1\n")
    done = brakewater("run", rig, "--record", record)
    assert done.returncode == 2
    assert done.stdout == ""
    said = done.stderr.splitlines()
    assert all(line.startswith(f"{rig}:") and "found" in line and "allowed" in line for line in said)
    for word in ("least-flow", "mqt", "aux-flow", "address"):
        assert any(word in line for line in said), word
    assert not record.exists()
    assert list(tmp_path.iterdir()) == [rig]


def test_an_unwritable_record_folder_is_said_once_and_alarms_go_on(tmp_path: Path) -> None:
    device, blocked = SmallDevice(free_port()), tmp_path / "a-file"
    blocked.write_text("not a folder")
    with running(mosquitto(tmp_path)) as broker, serving(device):
        rig = small_rig(tmp_path / "rig.toml", device=device.port, broker=broker.port)
        with daemon(rig, blocked / "record", ready=False) as one, hearing(broker, tmp_path) as ear:
            until(lambda: state(ear, LOST) == "normal", lambda: one.said)
            device.flow(0)
            until(lambda: state(ear, LOST) == "unacknowledged", lambda: one.said)
            device.flow(90)
            until(lambda: state(ear, LOST) == "returned-unacknowledged", lambda: one.said)
            assert one.end() == 0
        (line,) = lines(one.said, "")
        assert "nothing is recorded" in line
        assert str(blocked / "record") in line
    assert blocked.read_text() == "not a folder"


@pytest.mark.skipif(os.getuid() != 0, reason="only root may give a file to another user")
@pytest.mark.parametrize("what", ["hot", "hot/00000001.sqlite3"])
def test_alarms_go_on_where_a_part_of_the_record_belongs_to_another_user(tmp_path: Path, what: str) -> None:
    """The watch is root without root's right to pass over owners: another user cannot run what root has installed."""
    device, record = SmallDevice(free_port()), tmp_path / "record"
    plain = ("setpriv", "--bounding-set=-dac_override,-dac_read_search")
    with serving(device):
        rig = small_rig(tmp_path / "rig.toml", device=device.port)
        with daemon(rig, record, under=plain) as one:
            assert one.end() == 0
            held, before = record / what, len(one.said)
            files = {file.name: file.read_bytes() for file in (record / "hot").iterdir()}
            os.chown(held, 65534, 65534)
            held.chmod(0o700)
            one.start()
            device.flow(0)
            until(lambda: one.states().get("aux.cooling-lost") == "unacknowledged", lambda: one.said)
            assert one.status()["record"]["recording"] is False
            assert f"mend it as root: chown -R root: {record} " in here("status", "--record", record).stdout
            until(lambda: one.states().get("rig.record-stalled") == "unacknowledged", lambda: one.said)
            assert one.end() == 0
    (line,) = lines(one.said[before:], "")
    assert f"nothing is recorded until this is mended and the daemon started again: {held}: belongs to " in line
    assert line.endswith(f"mend it as root: chown -R root: {record} && chmod -R u=rwX,g=rX,o= {record}")
    assert files == {file.name: file.read_bytes() for file in (record / "hot").iterdir()}


def test_one_that_is_told_to_stop_while_it_starts_ends_with_status_0(tmp_path: Path) -> None:
    rig, record = small_rig(tmp_path / "rig.toml", device=free_port()), tmp_path / "record"
    with daemon(rig, record, ready=False) as one:
        held = record / "record.lock"
        until(lambda: held.exists() and str(one.process.pid) in held.read_text(), lambda: one.said)
        assert one.end() == 0, one.said
    with daemon(rig, record) as one:
        assert one.end() == 0
    assert verify(record).verdict == "consistent"


def test_a_store_of_cursors_that_cannot_be_opened_stops_nothing(tmp_path: Path) -> None:
    device, record = SmallDevice(free_port()), tmp_path / "record"
    (record / "cursors.sqlite3").mkdir(parents=True)
    with running(mosquitto(tmp_path)) as broker, serving(device):
        rig = small_rig(tmp_path / "rig.toml", device=device.port, broker=broker.port)
        with daemon(rig, record) as one, hearing(broker, tmp_path) as ear:
            until(lambda: state(ear, LOST) == "normal", lambda: one.said)
            assert one.status()["record"]["recording"] is True
            assert len(lines(one.said, "cursors")) == 1
            assert one.end() == 0


def test_a_second_daemon_on_a_record_is_refused_and_harms_nothing(tmp_path: Path) -> None:
    device = SmallDevice(free_port())
    with serving(device):
        rig = small_rig(tmp_path / "rig.toml", device=device.port)
        with daemon(rig, tmp_path / "record") as one:
            second = brakewater("run", rig, "--record", tmp_path / "record")
            assert second.returncode == 3
            (line,) = second.stderr.splitlines()
            assert f"process {one.process.pid} already records here" in line
            assert one.status()["run"] == 1  # its door is still the first one's
            assert one.end() == 0
    assert verify(tmp_path / "record").verdict == "consistent"


def test_a_broker_that_is_away_is_said_once_and_told_all_when_it_comes(tmp_path: Path) -> None:
    device, broker = SmallDevice(free_port()), mosquitto(tmp_path)
    with serving(device):
        rig = small_rig(tmp_path / "rig.toml", device=device.port, broker=broker.port)
        with daemon(rig, tmp_path / "record") as one:
            device.flow(0)
            until(lambda: {"aux.cooling-lost", "rig.broker-lost"} <= one.states().keys(), within_s=20)
            assert one.status()["links"] == {"broker": False}
            time.sleep(1)  # further tries
            assert len(lines(one.said, "broker")) == 1
            told = here("status", "--record", tmp_path / "record").stdout
            assert "broker: LOST, 0 events delivered, 0 sessions lost: unreachable (nobody listens there)\n" in told
            with running(broker), hearing(broker, tmp_path) as ear:
                until(lambda: state(ear, LOST) == "unacknowledged", "the broker is told")
                until(lambda: state(ear, f"{ROOT}/rig/alarm/broker-lost") == "returned-unacknowledged")
                assert one.status()["links"] == {"broker": True}
                assert one.status()["broker"]["trouble"] == ""
                device.flow(90)
                until(lambda: state(ear, LOST) == "returned-unacknowledged")
                assert one.end() == 0


def test_a_device_that_is_not_there_raises_its_alarms_at_once_and_is_said_once(tmp_path: Path) -> None:
    device = SmallDevice(free_port())
    rig = small_rig(tmp_path / "rig.toml", device=device.port)
    with daemon(rig, tmp_path / "record") as one:
        until(lambda: {"rig.device-silent:plc1", "aux.cooling-lost"} <= one.states().keys())
        assert one.status()["devices"]["plc1"]["status"] in ("absent", "refused")
        time.sleep(1)
        assert len(lines(one.said, "plc1")) == 1
        with serving(device):
            until(lambda: one.states().get("aux.cooling-lost") == "returned-unacknowledged")
            until(lambda: f"device plc1 at 127.0.0.1:{device.port} answers" in one.said)
            assert one.status()["devices"]["plc1"]["status"] == "ok"
            assert one.end() == 0
    scan_ns = {row.alarm: row.input for row in events(tmp_path / "record") if row.now == "unacknowledged"}
    assert scan_ns["device-silent:plc1"] * 0.1 < 3  # by number of the scan: ten a second
    assert scan_ns["cooling-lost"] * 0.1 < 3


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_told_to_stop_it_leaves_everything_in_order(tmp_path: Path, number: int) -> None:
    device, record = SmallDevice(free_port()), tmp_path / "record"
    with running(mosquitto(tmp_path)) as broker, serving(device):
        rig = small_rig(tmp_path / "rig.toml", device=device.port, broker=broker.port)
        with daemon(rig, record) as one, listening(broker.port, f"{ROOT}/online", tmp_path / "ear") as ear:
            until(lambda: (ear.last("/online") or {}).get("online") is True)
            assert (record / SOCKET).exists()
            assert one.end(number, within_s=5) == 0
            until(lambda: ear.last("/online")["online"] is False)
            said = retained(broker.port, f"{ROOT}/#")
        assert said[f"{ROOT}/online"]["online"] is False
        assert said[f"{ROOT}/online"]["since"] is not None
        assert said[f"{ROOT}/lamp/watching"]["aspect"] == "off"
    assert not (record / SOCKET).exists()
    assert verify(record).verdict == "consistent"
    assert [path.name for path in (record / "hot").iterdir()] == ["00000001.sqlite3"]  # one plain file, no WAL
    assert lines(one.said, "") == []
    assert json.loads(here("replay", record, "--compare", "--json").stdout.splitlines()[-1])["identical"] is True


def test_it_ends_in_time_though_nothing_answers_it(tmp_path: Path) -> None:
    rig = small_rig(tmp_path / "rig.toml", device=free_port(), broker=free_port())
    with daemon(rig, tmp_path / "record") as one:
        time.sleep(1)
        assert one.end(within_s=5) == 0


def test_a_device_on_the_brokers_port_and_a_broker_on_the_devices(tmp_path: Path) -> None:
    """Ports mixed up: nobody understands anybody, and the watch says so instead of ending."""
    device = SmallDevice(free_port())
    with running(mosquitto(tmp_path)) as broker, serving(device):
        rig = small_rig(tmp_path / "rig.toml", device=broker.port, broker=device.port)
        with daemon(rig, tmp_path / "record") as one:
            until(lambda: {"rig.device-silent:plc1", "aux.cooling-lost"} <= one.states().keys(), within_s=30)
            assert one.status()["links"] == {"broker": False}
            assert one.end(within_s=5) == 0


def test_every_event_of_a_new_record_reaches_the_broker_where_the_cursors_of_the_old_one_stayed(tmp_path: Path) -> None:
    device, record = SmallDevice(free_port()), tmp_path / "record"
    with running(mosquitto(tmp_path)) as broker, serving(device):
        rig = small_rig(tmp_path / "rig.toml", device=device.port, broker=broker.port)
        with listening(broker.port, f"{ROOT}/aux/event", tmp_path / "heard") as ear:
            for _ in range(2):
                before = len(ear.all())
                with daemon(rig, record) as one:
                    device.flow(0)
                    until(lambda: _raised(ear, before), lambda: one.said, within_s=15)  # noqa: B023
                    device.flow(90)
                    assert one.end() == 0
                shutil.rmtree(record / "hot")


def _raised(ear: Ear, before: int) -> bool:
    told = [one.json for one in ear.all()[before:]]
    return any(one["alarm"] == "cooling-lost" and one["to"] == "unacknowledged" for one in told)
