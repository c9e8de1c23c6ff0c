"""A changed rig file: taken over between two scans, or refused while the watch goes on."""

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from brokers import free_port, listening, mosquitto, retained, running, until
from daemons import Daemon, SmallDevice, brakewater, daemon, events, inputs, serving, small_rig, starts

pytestmark = pytest.mark.integration


@contextmanager
def watching(folder: Path, *, broker: int | None = None) -> Iterator[tuple[Daemon, SmallDevice, Path]]:
    device, file = SmallDevice(free_port()), folder / "rig.toml"
    with (
        serving(device),
        daemon(small_rig(file, device=device.port, broker=broker), folder / "record") as one,
    ):
        yield one, device, file


def rewrite(file: Path, old: str, new: str) -> None:
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new))


def test_a_changed_setpoint_is_in_force_from_the_next_run_on(tmp_path: Path) -> None:
    with watching(tmp_path) as (one, device, file):
        device.flow(70)
        until(lambda: one.states().get("aux.cooling-flow-low") == "unacknowledged", "alarm at the old setpoint")
        assert one.do("acknowledge", "aux.cooling-flow-low")["ok"]
        rewrite(file, 'least-flow = "75 gal/min"', 'least-flow = "60 gal/min"')
        told = brakewater("reload", "--record", one.record)
        assert (told.returncode, "in force from run 2" in told.stdout) == (0, True)
        until(lambda: one.status()["run"] == 2 and "aux.cooling-flow-low" not in one.states(), "the new setpoint")
        device.flow(55)
        until(lambda: one.states().get("aux.cooling-flow-low") == "unacknowledged", "alarm at the new setpoint")
        assert one.end() == 0
    assert [one_.alarm for one_ in events(one.record, 2) if one_.why == "changed"] == ["cooling-flow-low"]
    assert [start.run for start in starts(one.record)] == [1, 2]
    assert '"60 gal/min"' in starts(one.record)[1].rig_toml
    assert brakewater("replay", one.record, "--compare").returncode == 0


def test_alarms_that_did_not_change_go_on_as_they_stood(tmp_path: Path) -> None:
    with watching(tmp_path) as (one, device, file):
        device.flow(70)
        until(lambda: "aux.cooling-flow-low" in one.states(), "alarm")
        one.do("acknowledge", "aux.cooling-flow-low")
        rewrite(file, 'bearing-level = "600 mm"', 'bearing-level = "610 mm"')
        one.process.send_signal(signal.SIGHUP)
        until(lambda: one.status()["run"] == 2, "the new run")
        assert one.states() == {"aux.cooling-flow-low": "acknowledged"}


def test_a_bad_file_is_refused_and_the_watch_goes_on(tmp_path: Path) -> None:
    with watching(tmp_path) as (one, _, file):
        rewrite(file, 'least-flow = "75 gal/min"', 'least-flow = "75 gal"')
        told = brakewater("reload", "--record", one.record)
        assert told.returncode == 2
        assert "rig.toml" in told.stdout
        assert "US gal" in told.stdout
        before = one.status()
        until(lambda: one.status()["input"] > before["input"] + 5, "scans go on")
        assert one.status()["run"] == before["run"] == 1
        assert "refused" in one.said


def test_an_unchanged_file_changes_nothing(tmp_path: Path) -> None:
    with watching(tmp_path) as (one, _, _file):
        assert "has not changed" in brakewater("reload", "--record", one.record).stdout
        assert one.status()["run"] == 1


def test_a_device_that_moved_is_found_and_no_scan_number_is_missing(tmp_path: Path) -> None:
    with watching(tmp_path) as (one, device, file):
        other = SmallDevice(free_port())
        with serving(other):
            rewrite(file, f"port = {device.port}", f"port = {other.port}")
            assert brakewater("reload", "--record", one.record).returncode == 0
            until(lambda: one.status()["devices"]["plc1"]["status"] == "ok" and one.status()["run"] == 2, "moved")
            other.flow(20)
            until(lambda: "aux.cooling-flow-low" in one.states(), "its readings count")
            assert one.end() == 0
    for run in (1, 2):
        numbers = [row[1] for row in inputs(one.record) if row[0] == run]
        assert numbers == list(range(len(numbers)))


def test_the_broker_hears_of_a_new_lamp_and_not_that_the_watch_stopped(tmp_path: Path) -> None:
    with (
        running(mosquitto(tmp_path)) as broker,
        listening(broker.port, "brakewater/rig-9/online", tmp_path / "ear") as ear,
    ):
        with watching(tmp_path, broker=broker.port) as (one, _, file):
            until(lambda: one.status()["links"]["broker"], "connected")
            file.write_text(file.read_text() + '\n[[lamp]]\nname = "cooling"\nalarms = ["cooling-lost"]\n')
            assert brakewater("reload", "--record", one.record).returncode == 0
            until(lambda: one.status()["links"]["broker"], "connected again")
            topic = "brakewater/rig-9/lamp/cooling"
            until(lambda: topic in retained(broker.port, "brakewater/rig-9/#"), "the lamp's topic")
            assert [heard.json["online"] for heard in ear.all() if not heard.json["online"]] == []
            assert one.end() == 0
        until(lambda: ear.all()[-1].json["online"] is False, "its farewell when it does stop")
