"""A changed rig file: taken over between two scans, or refused while the watch goes on."""

import signal
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import pytest

from brakewater.control import ask
from brakewater.record.reader import Record
from brakewater.stream import Block
from brokers import free_port, listening, mosquitto, retained, running, until
from daemons import Daemon, SmallDevice, brakewater, daemon, events, inputs, serving, small_rig, starts

pytestmark = pytest.mark.integration


BOOK = """
[upkeep]
[[upkeep.round]]
round = "grease"
hours = "100 h"
"""


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


def test_a_file_without_the_upkeep_book_is_refused_unless_it_may_end(tmp_path: Path) -> None:
    with watching(tmp_path) as (one, _, file):
        plain = file.read_text()
        file.write_text(plain + BOOK)
        assert brakewater("reload", "--record", one.record).returncode == 0
        assert brakewater("do", "log-round", "grease", "--record", one.record).returncode == 0
        file.write_text(plain)
        told = brakewater("reload", "--record", one.record)
        assert told.returncode == 2
        assert "found no [upkeep]" in told.stdout
        assert "brakewater reload --end-upkeep" in told.stdout
        one.process.send_signal(signal.SIGHUP)
        until(lambda: one.said.count("found no [upkeep]") == 2, lambda: one.said)
        assert one.status()["run"] == 2
        assert len(ask(one.record, {"ask": "book"})["entries"]) == 1
        assert brakewater("reload", "--end-upkeep", "--record", one.record).returncode == 0
        until(lambda: one.status()["run"] == 3, "the first scan of the run without a book")
        assert not ask(one.record, {"ask": "book"})["ok"]
        assert one.end() == 0


def test_a_start_with_a_file_that_has_lost_the_upkeep_book_says_so(tmp_path: Path) -> None:
    device, file, record = SmallDevice(free_port()), tmp_path / "rig.toml", tmp_path / "record"
    with serving(device):
        plain = small_rig(file, device=device.port).read_text()
        told = []
        for text in (plain + BOOK, plain, plain):
            file.write_text(text)
            with daemon(file, record) as one:
                assert one.end() == 0
                told.append(one.said.count("the upkeep book ends"))
    assert told == [0, 1, 1]


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


@contextmanager
def swallowing_port() -> Iterator[int]:
    """A host that neither answers nor refuses, as one behind a firewall: its backlog is full."""
    with socket.socket() as hole:
        hole.bind(("127.0.0.1", 0))
        hole.listen(0)
        waiting = [socket.socket() for _ in range(4)]
        try:
            for one in waiting:
                one.settimeout(0)
                one.connect_ex(hole.getsockname())
            yield hole.getsockname()[1]
        finally:
            for one in waiting:
                one.close()


def longest_pause_s(record: Path) -> float:
    """Between two scans, over all runs, by steady time."""
    times = [int(t_ns) for item in Record(record).inputs() if isinstance(item, Block) for t_ns in item.t_ns]
    return max(after - before for before, after in pairwise(times)) / 1e9


def test_scans_go_on_while_a_broker_that_does_not_answer_is_left(tmp_path: Path) -> None:
    with swallowing_port() as port, watching(tmp_path, broker=port) as (one, _, file):
        for before, after in ((600, 601), (601, 602)):
            rewrite(file, f'bearing-level = "{before} mm"', f'bearing-level = "{after} mm"')
            assert brakewater("reload", "--record", one.record).returncode == 0
        until(lambda: one.status()["run"] == 3 and one.status()["input"] > 3, "scans of the last run")
        assert one.end() == 0
    assert longest_pause_s(one.record) < 0.8  # reaching for the broker takes three seconds


def test_commands_that_come_in_the_middle_of_a_reload_are_carried_out(tmp_path: Path) -> None:
    with swallowing_port() as port, watching(tmp_path, broker=port) as (one, _, file):
        over, answers = threading.Event(), []

        def command() -> None:
            while not over.is_set():
                answers.append(ask(one.record, {"do": "test"}))

        people = [threading.Thread(target=command) for _ in range(6)]
        for each in people:
            each.start()
        try:
            for before, after in ((600, 601), (601, 602), (602, 603)):
                rewrite(file, f'bearing-level = "{before} mm"', f'bearing-level = "{after} mm"')
                assert "in force" in ask(one.record, {"ask": "reload"}, timeout_s=20)["says"]
        finally:
            over.set()
            for each in people:
                each.join()
        assert [answer for answer in answers if not answer["ok"]] == []
        assert one.end() == 0
    for run in (1, 2, 3, 4):
        numbers = [row[1] for row in inputs(one.record) if row[0] == run]
        assert numbers == list(range(len(numbers)))
    assert brakewater("replay", one.record, "--compare").returncode == 0
