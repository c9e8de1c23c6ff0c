"""The Sparkplug node on a real broker, heard by mosquitto's own client and decoded by Google's protobuf package.

Rules from the Eclipse Sparkplug 3.0 specification, chapters 5 and 6 (from memory): births, deaths, bdSeq, seq, STATE.
"""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from brakewater.notify.sparkplug import SparkplugNode
from brakewater.quality import Reason
from brakewater.rig import Rig
from brokers import HOST, Broker, free_port, mosquitto, running, say, until
from daemons import SmallDevice, daemon, serving, small_rig
from rig_parts import MemoryCursors, demo_rig, picture
from sparkplug_proto import Payload, decoded, properties, values

pytestmark = pytest.mark.integration
TABLE = '\n[sparkplug]\ngroup = "ninebark"\n'
LOW = {"aux.cooling-flow-low": "unacknowledged"}
INT64 = 4
"""Data type of bdSeq in will and birth (chapter 5, message-flow-edge-node-birth-publish-will-message-payload-bdSeq and
-nbirth-payload-bdSeq, as the specification's compatibility kit words them)."""


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with running(mosquitto(tmp_path)) as one:
        yield one


class Host:
    """mosquitto_sub on everything below spBv1.0, payloads in hex."""

    def __init__(self, port: int, file: Path) -> None:
        self._file = file
        words = ["stdbuf", "-oL", "mosquitto_sub", "-h", HOST, "-p", str(port), "-t", "spBv1.0/#", "-q", "1"]
        with file.open("wb") as out:
            self.process = subprocess.Popen([*words, "-F", "%t\t%q\t%r\t%x"], stdout=out)
        say(port, "spBv1.0/here", "x", "-r")
        until(lambda: "spBv1.0/here" in file.read_text(), "subscribed")

    def heard(self) -> list[tuple[str, Any]]:
        """Kind and, if any, device of each message with its payload; none may be retained or of another QoS."""
        found = []
        for line in self._file.read_text().split("\n")[:-1]:
            topic, qos, retained, body = line.split("\t")
            parts = topic.split("/")
            if parts[1:2] != ["ninebark"]:
                continue
            assert parts[3] == "rig-4" or parts[3] == "rig-9"
            assert retained == "0" or parts[2] == "NCMD"
            assert qos == ("1" if parts[2] in ("NDEATH", "NCMD") else "0")
            found.append(("/".join([parts[2], *parts[4:]]), decoded(bytes.fromhex(body))))
        return found

    def kinds(self) -> list[str]:
        return [kind for kind, _ in self.heard()]

    def last(self, kind: str) -> Any:
        return [payload for known, payload in self.heard() if known == kind][-1]


@contextmanager
def hearing(broker: Broker, folder: Path) -> Iterator[Host]:
    host = Host(broker.port, folder / "host")
    try:
        yield host
    finally:
        host.process.kill()
        host.process.wait()


@contextmanager
def node(rig: Rig, cursors: MemoryCursors | None = None) -> Iterator[SparkplugNode]:
    made = SparkplugNode(rig, cursors=cursors or MemoryCursors())
    made.start()
    try:
        yield made
    finally:
        made.stop()


def test_births_data_and_death(broker: Broker, tmp_path: Path) -> None:
    rig = demo_rig(broker.port, more=TABLE)
    cursors = MemoryCursors()
    with hearing(broker, tmp_path) as host:
        for number in (0, 1):
            with node(rig, cursors) as one:
                one.show(picture(rig))
                until(lambda: one.born, "born")
                one.show(picture(rig, LOW, number=2))
                until(lambda: host.kinds().count("DDATA/aux") > number, "data")  # noqa: B023
            until(lambda: host.kinds().count("NDEATH") == number + 1, "death")  # noqa: B023
        heard = host.heard()
    kinds = [kind for kind, _ in heard]
    assert kinds[:2] == ["NBIRTH", "DBIRTH/aux"]
    assert kinds[-1] == "NDEATH"
    second = kinds.index("NBIRTH", 1)
    for life, number in ((heard[:second], 0), (heard[second:], 1)):
        birth, death = life[0][1], life[-1][1]
        assert values(birth)["bdSeq"] == values(death)["bdSeq"] == number
        assert _type_of_number(birth) == _type_of_number(death) == INT64
        assert values(birth)["Node Control/Rebirth"] is False
        assert not death.HasField("seq")
        assert [payload.seq for _, payload in life[:-1]] == list(range(len(life) - 1))
        flow = next(metric for metric in life[1][1].metrics if metric.name == "reading/aux-flow")
        assert properties(flow) == {"Quality": 192, "engUnit": "m3/s"}
        changed = next(payload for kind, payload in life if kind == "DDATA/aux")
        assert values(changed) == {"alarm/cooling-flow-low": "unacknowledged"}


def _type_of_number(payload: Any) -> int:
    return next(metric.datatype for metric in payload.metrics if metric.name == "bdSeq")


def test_a_picture_of_before_the_first_scan_makes_no_birth(broker: Broker, tmp_path: Path) -> None:
    """A birth must name every metric that is ever told; a command may come before the first scan."""
    rig = demo_rig(broker.port, more=TABLE)
    with hearing(broker, tmp_path) as host, node(rig) as one:
        one.show(replace(picture(rig), readings={}, derived={}, status={}))
        time.sleep(1.0)
        assert host.kinds() == []
        one.show(picture(rig))
        until(lambda: "DBIRTH/aux" in host.kinds(), "born")
        assert "derived/heat_w" in values(host.last("DBIRTH/aux"))


def test_a_broker_that_is_away_costs_no_number_and_no_write(tmp_path: Path) -> None:
    broker, cursors = mosquitto(tmp_path), MemoryCursors()
    rig = demo_rig(broker.port, more=TABLE)
    with node(rig, cursors) as one:
        time.sleep(2.0)  # it tries after 0, 0.1, 0.3, 0.7 and 1.5 s
        assert [number for _, number in cursors.history] == [0]
        with running(broker), hearing(broker, tmp_path) as host:

            def is_born() -> bool:
                one.show(picture(rig))
                return "NBIRTH" in host.kinds()

            until(is_born, "its birth")
            assert values(host.last("NBIRTH"))["bdSeq"] == 0
            assert [number for _, number in cursors.history] == [0]


def test_numbers_go_round_and_a_rebirth_begins_anew(broker: Broker, tmp_path: Path) -> None:
    rig = demo_rig(broker.port, more=TABLE)
    asked = Payload(timestamp=1)
    asked.metrics.add(name="Node Control/Rebirth", datatype=11, boolean_value=True)
    (tmp_path / "rebirth").write_bytes(asked.SerializeToString())
    with hearing(broker, tmp_path) as host, node(rig) as one:
        one.show(picture(rig))
        until(lambda: one.born, "born")
        for number in range(270):
            one.show(picture(rig, LOW if number % 2 else {}, number=number))
            time.sleep(0.004)
        until(lambda: len(host.heard()) > 200, "data")
        words = ["mosquitto_pub", "-h", HOST, "-p", str(broker.port), "-q", "1", "-t", "spBv1.0/ninebark/NCMD/rig-4"]
        subprocess.run([*words, "-f", str(tmp_path / "rebirth")], check=True)
        until(lambda: host.kinds().count("DBIRTH/aux") == 2, "born again")
        heard = [(kind, payload) for kind, payload in host.heard() if kind != "NCMD"]
    kinds = [kind for kind, _ in heard]
    again = kinds.index("NBIRTH", 1)
    assert [payload.seq for _, payload in heard[:again]] == [number % 256 for number in range(again)]
    assert [payload.seq for _, payload in heard[again : again + 2]] == [0, 1]
    assert values(heard[again][1])["bdSeq"] == values(heard[0][1])["bdSeq"]


CHILD = """
import sys, time
from rig_parts import MemoryCursors, demo_rig, picture
from brakewater.notify.sparkplug import SparkplugNode
rig = demo_rig(int(sys.argv[1]), more=sys.argv[2])
node = SparkplugNode(rig, cursors=MemoryCursors())
node.start()
while True:
    node.show(picture(rig))
    time.sleep(0.2)
"""


def test_the_will_is_the_death_of_that_birth(broker: Broker, tmp_path: Path) -> None:
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])}
    with hearing(broker, tmp_path) as host:
        child = subprocess.Popen([sys.executable, "-c", CHILD, str(broker.port), TABLE], env=environment)
        try:
            until(lambda: "DBIRTH/aux" in host.kinds(), "born", within_s=30)
        finally:
            child.send_signal(signal.SIGKILL)
            child.wait()
        until(lambda: "NDEATH" in host.kinds(), "will")
        assert values(host.last("NDEATH")) == {"bdSeq": values(host.last("NBIRTH"))["bdSeq"]}
        assert _type_of_number(host.last("NDEATH")) == INT64


def test_it_lives_while_its_primary_host_does(broker: Broker, tmp_path: Path) -> None:
    rig = demo_rig(broker.port, more=f'{TABLE}primary-host = "office"\n')

    def state(how: str, at: int) -> None:
        body = json.dumps({"online": how == "online", "timestamp": at})
        say(broker.port, "spBv1.0/STATE/office", body, "-r")

    with hearing(broker, tmp_path) as host, node(rig) as one:
        one.show(picture(rig))
        say(broker.port, "spBv1.0/STATE/office", "ONLINE")  # an older version's
        time.sleep(0.5)
        assert host.kinds() == []
        state("online", 100)
        until(lambda: _shown(one, rig) and one.born, "born")
        state("offline", 50)  # a left-over
        time.sleep(0.3)
        assert _shown(one, rig)
        assert one.born
        state("offline", 200)
        until(lambda: host.kinds()[-1:] == ["NDEATH"], "takes its leave")
        assert not one.born
        state("online", 300)
        until(lambda: _shown(one, rig) and one.born, "born again")
        births = [values(payload)["bdSeq"] for kind, payload in host.heard() if kind == "NBIRTH"]
        assert births[1] > births[0]


def test_a_host_whose_clock_was_set_back_is_heard_on_a_new_connection(
    broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("brakewater.notify.sparkplug._DOUBT_S", 1.0)
    rig = demo_rig(broker.port, more=f'{TABLE}primary-host = "office"\n')

    def state(*, online: bool, at: int) -> None:
        say(broker.port, "spBv1.0/STATE/office", json.dumps({"online": online, "timestamp": at}), "-r")

    with hearing(broker, tmp_path) as host, node(rig) as one:
        state(online=False, at=1000)
        time.sleep(0.5)
        state(online=True, at=500)
        began = time.monotonic()
        until(lambda: _shown(one, rig) and one.born, "born")
        assert time.monotonic() - began > 0.5  # not on the connection on which it was older
        state(online=False, at=400)  # its former will: a left-over
        time.sleep(1.5)
        assert _shown(one, rig)
        assert one.born
        assert host.kinds().count("NBIRTH") == 1


def _shown(one: SparkplugNode, rig: Rig) -> bool:
    one.show(picture(rig))
    return True


def test_a_watch_that_brings_no_pictures_is_dead(
    broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("brakewater.notify.sparkplug.FRESH_S", 0.5)
    rig = demo_rig(broker.port, more=TABLE)
    with hearing(broker, tmp_path) as host, node(rig) as one:
        one.show(picture(rig))
        until(lambda: "NDEATH" in host.kinds(), "dead")
        assert not one.born


def test_a_modbus_device_dies_and_is_born_again_while_the_brake_and_its_alarms_live(
    broker: Broker, tmp_path: Path
) -> None:
    device = SmallDevice(free_port())
    file = small_rig(tmp_path / "rig.toml", device=device.port, broker=broker.port)
    file.write_text(file.read_text() + TABLE)
    with hearing(broker, tmp_path) as host, daemon(file, tmp_path / "record") as watch:
        with serving(device):
            until(lambda: "DBIRTH/plc1" in host.kinds(), lambda: watch.said)
            assert values(host.last("DBIRTH/plc1")) == {"status": "ok"}
        until(lambda: "DDEATH/plc1" in host.kinds(), lambda: watch.said)
        until(
            lambda: any(values(p).get("alarm/cooling-lost") == "unacknowledged" for _, p in host.heard()),
            lambda: watch.said,
        )
        again = SmallDevice(device.port)
        with serving(again):
            until(lambda: host.kinds().count("DBIRTH/plc1") == 2, lambda: watch.said)
            heard = host.heard()
        assert watch.end() == 0
    kinds = [kind for kind, _ in heard]
    assert (kinds.count("NBIRTH"), kinds.count("DBIRTH/aux")) == (1, 1)
    assert [payload.seq for _, payload in heard] == list(range(len(heard)))
    death = kinds.index("DDEATH/plc1")
    assert list(heard[death][1].metrics) == []
    assert heard[death][1].timestamp > heard[0][1].timestamp
    later = kinds.index("DBIRTH/plc1", death)
    assert "DDATA/plc1" not in kinds[death:later]
    assert "DDATA/aux" in kinds[death:later]


def test_a_modbus_device_that_misses_a_scan_is_not_lost(broker: Broker, tmp_path: Path) -> None:
    rig = demo_rig(broker.port, more=TABLE)
    with hearing(broker, tmp_path) as host, node(rig) as one:
        one.show(picture(rig))
        until(lambda: "DBIRTH/plc1" in host.kinds(), "born")
        silent = {point.name: (0.0, Reason.NO_ANSWER) for point in rig.points}
        for number, readings in ((1, silent), (2, silent), (3, {}), (4, silent), (5, silent), (6, silent)):
            seen = picture(rig, number=number)
            if number == 6:
                time.sleep(0.5)
                assert "DDEATH/plc1" not in host.kinds()
            one.show(replace(seen, t_ns=number * rig.scan_ns, readings={**seen.readings, **readings}))
            time.sleep(0.1)
        until(lambda: "DDEATH/plc1" in host.kinds(), "dead")


def test_the_daemon_is_a_node(broker: Broker, tmp_path: Path) -> None:
    device = SmallDevice(free_port())
    file = small_rig(tmp_path / "rig.toml", device=device.port, broker=broker.port)
    file.write_text(file.read_text() + TABLE)
    with hearing(broker, tmp_path) as host, serving(device), daemon(file, tmp_path / "record") as watch:
        until(lambda: "DBIRTH/aux" in host.kinds(), "born")
        device.flow(50)
        until(
            lambda: any(values(p).get("alarm/cooling-flow-low") == "unacknowledged" for _, p in host.heard()), "alarm"
        )
        until(
            lambda: any(abs(values(p).get("reading/aux-flow", 0) - 50 * 6.30901964e-5) < 1e-9 for _, p in host.heard())
        )
        assert watch.end() == 0
        until(lambda: host.kinds()[-1] == "NDEATH", "death")
