"""The whole watch as PLCs see it: ``brakewater run`` beside the simulator, read and pressed by mbpoll alone."""

import csv
import json
import os
import re
import signal
import socket
import time
from pathlib import Path

import pytest
from pyModbusTCP.client import ModbusClient

from brakewater.cli import main
from brakewater.control import ask
from brakewater.quality import Reason
from brakewater.record.reader import Record
from brakewater.register_map import NOT_FITTED
from brakewater.rig import load
from brakewater.stream import Command
from brokers import HOST, free_port, until
from daemons import Daemon, SmallDevice, brakewater, daemon, demo_rig_file, events, serving, simulator, small_rig
from plc_parts import Plc, mailbox_program, mbpoll, plc

pytestmark = pytest.mark.integration

OUTSTATION = '\n[registers]\nhost = "127.0.0.1"\nport = {port}\nactor = "plc-panel"\n'
BUTTON = (
    '\n[[point]]\nname = "ack-button"\nrole = "push-acknowledge"\ndevice = "plc1"\ntable = "holding"\naddress = 5\n'
    'type = "bit 0"\nsignal = { kind = "bit" }\n'
)
MAILBOX = '\n[[lamp-mailbox]]\ndevice = "lamps"\naddress = 50\ncount = 6\nsignature = 2718\n'
LAMP = '\n[[lamp]]\nname = "cooling"\nalarms = ["cooling-flow-low"]\ncolour = "red"\n'
LAMPS_DEVICE = '\n[[device]]\nname = "lamps"\nhost = "127.0.0.1"\nport = {port}\ntimeout = "75 ms"\n'


def head(port: int) -> list[int]:
    """The first block, as mbpoll reads it."""
    return [int(word) for word in mbpoll(port, "-t", "4", "-r", "0", "-c", "100")]


def test_a_plc_that_is_only_mbpoll_reads_the_lamps_and_acknowledges(tmp_path: Path) -> None:
    port = free_port()
    rig = demo_rig_file(tmp_path / "rig.toml", device=free_port(), broker=free_port())
    rig.write_text(rig.read_text() + OUTSTATION.format(port=port))
    record = tmp_path / "record"
    with simulator(rig, "pump-loss", "--speed", "1"), daemon(rig, record) as one:
        first = head(port)
        assert first[16] == 1  # watching
        inlet = float(mbpoll(port, "-t", "4:float", "-B", "-r", "210", "-c", "1")[0])
        assert 60 < inlet < 120  # degF; the flow may be falling already where the watch took long to start
        until(lambda: head(port)[17] == 2, "the lamp cooling flashes")
        until(lambda: head(port)[1] != first[1], "the heartbeat goes on")
        until(lambda: float(mbpoll(port, "-t", "4:float", "-B", "-r", "206", "-c", "1")[0]) < 5, "the flow is gone")
        until(lambda: mbpoll(port, "-t", "1", "-r", "128", "-c", "1") == ["1"], "cooling-lost")
        assert head(port)[6] == 1  # horn
        mbpoll(port, "-t", "0", "-r", "0", write="1")
        until(lambda: head(port)[17] == 1, "the lamp cooling is steady")
        mbpoll(port, "-t", "0", "-r", "3", write="1")  # a lamp test
        assert one.status()["outstation"]["pressed"] == 2
        assert one.end() == 0
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection((HOST, port))
    seen = [event for event in events(record) if event.alarm == "cooling-lost" and event.actor is not None]
    assert [(event.now, event.why, event.actor) for event in seen] == [("acknowledged", "command", "plc-panel")]


def _watchdog(port: int, one: Daemon, stop: int) -> float:
    """The map's watchdog on another library's client: how long after the signal it falls, s."""
    client = ModbusClient(host=HOST, port=port, timeout=0.25, auto_open=True)
    last = None
    alive_s = time.monotonic()
    stopped_s: float | None = None
    while time.monotonic() - alive_s < 1.3:
        words = client.read_holding_registers(0, 100)
        alive = words is not None and words[0] == words[99] and words[2] & 1 and last not in (None, words[1])
        if alive:
            alive_s = time.monotonic()
            if stopped_s is None and words[1] > 5:
                os.kill(one.process.pid, stop)
                stopped_s = time.monotonic()
        last = words[1] if words else last
        time.sleep(0.25)
    client.close()
    assert stopped_s is not None
    return time.monotonic() - stopped_s


@pytest.mark.parametrize("stop", [signal.SIGSTOP, signal.SIGKILL])
def test_the_plcs_watchdog_falls_when_the_daemon_stops(tmp_path: Path, stop: int) -> None:
    port, device = free_port(), SmallDevice(free_port())
    rig = small_rig(tmp_path / "rig.toml", device=device.port)
    rig.write_text(rig.read_text() + OUTSTATION.format(port=port))
    with serving(device), daemon(rig, tmp_path / "record") as one:
        fell_s = _watchdog(port, one, stop)
        print(f"fell {fell_s:.2f} s after signal {stop}; 2 s promised, added up in test_register_map.py")
        if stop == signal.SIGSTOP:
            assert mbpoll(port, "-t", "4", "-r", "0")[0].startswith("error: ")
            one.process.send_signal(signal.SIGCONT)
            until(lambda: head(port)[2] & 1 == 1, "it watches on")
        else:
            with pytest.raises(ConnectionRefusedError):
                socket.create_connection((HOST, port))


def test_lamps_are_written_and_a_lost_signature_is_an_alarm(tmp_path: Path) -> None:
    device = SmallDevice(free_port())
    with plc(mailbox_program(tmp_path), tmp_path / "writes.log", address=50, signature=2718) as lamps:
        rig = small_rig(tmp_path / "rig.toml", device=device.port)
        rig.write_text(rig.read_text() + LAMPS_DEVICE.format(port=lamps.port) + MAILBOX)
        with serving(device), daemon(rig, tmp_path / "record") as one:
            until(lambda: bool(lamps.writes()) and lamps.writes()[-1][6] == 1, "watching is lit")
            beat = lamps.writes()[-1][3]
            until(lambda: lamps.writes()[-1][3] > beat + 5, "its heartbeat counts")
            said = brakewater("status", "--record", one.record).stdout
            assert "device lamps: nothing is read from it\n" in said  # it was ok whether it answered or not
            assert re.search(r"^lamps at lamps:50: ok \(\d+ written, \d+ failed\)$", said, re.MULTILINE)
            _lose_the_signature(lamps, one)


def _lose_the_signature(lamps: Plc, one: Daemon) -> None:
    client = ModbusClient(host=HOST, port=lamps.port)
    assert client.write_single_register(50, 1)
    until(lambda: "rig.lamp-write-failed" in one.states(), "the alarm stands")
    rows = lamps.writes()
    assert one.status()["lamp_writes"]["lamps:50"]["lamp_write_failed"] > 0
    assert "lamps at lamps:50: " in (said := brakewater("status", "--record", one.record).stdout)
    assert "lamps at lamps:50: ok" not in said
    time.sleep(0.5)
    assert lamps.writes() == rows
    assert client.write_single_register(50, 2718)
    until(lambda: one.states().get("rig.lamp-write-failed") == "returned-unacknowledged", "the alarm is gone")
    client.close()


def test_no_alarm_lamp_goes_dark_while_a_file_is_taken_over_or_a_killed_watch_begins_again(tmp_path: Path) -> None:
    """A PLC that sees one dark picture between two lit ones would take the next for a new alarm."""
    device, port = SmallDevice(free_port()), free_port()
    with plc(mailbox_program(tmp_path), tmp_path / "writes.log", address=50, signature=2718) as lamps:
        rig = small_rig(tmp_path / "rig.toml", device=device.port, scan_ms=1000)  # time to see what stands between
        mailbox = MAILBOX.replace("count = 6", "count = 7")
        more = LAMPS_DEVICE.format(port=lamps.port) + mailbox + LAMP + OUTSTATION.format(port=port)
        rig.write_text(rig.read_text() + more)
        with serving(device), daemon(rig, tmp_path / "record") as one:
            device.flow(40)
            until(lambda: bool(lamps.writes()) and lamps.writes()[-1][7] == 2, "the lamp flashes")
            first = len(lamps.writes())
            rig.write_text(rig.read_text().replace('pad = "quillwort-1"', 'pad = "quillwort-2"'))
            assert ask(tmp_path / "record", {"ask": "reload"})["ok"]
            words = head(port)
            assert (words[2] & 1, words[17]) == (1, 2)  # watching, and the lamp as it was
            assert mbpoll(port, "-t", "4", "-r", "209", "-c", "1") == [str(int(Reason.UNKNOWN))]  # not: not fitted
            until(lambda: len(lamps.writes()) > first + 2)
            one.kill()
            killed = len(lamps.writes())
            one.start()
            until(lambda: len(lamps.writes()) > killed + 2)
            lit = [row[7] for row in lamps.writes()[first:]]
    assert lit == [2] * len(lit)


def test_a_button_read_as_a_point_acknowledges_once(tmp_path: Path) -> None:
    device = SmallDevice(free_port())
    rig = small_rig(tmp_path / "rig.toml", device=device.port)
    rig.write_text(rig.read_text() + BUTTON)
    record = tmp_path / "record"
    device._bank.set_holding_registers(5, [1])  # pressed before the start: no command
    with serving(device), daemon(rig, record) as one:
        device.flow(40)
        until(lambda: one.states().get("aux.cooling-flow-low") == "unacknowledged", "the flow is low")
        assert one.status()["push_buttons"]["pressed"] == 0
        device._bank.set_holding_registers(5, [0])
        time.sleep(0.5)
        device._bank.set_holding_registers(5, [1])
        until(lambda: one.states().get("aux.cooling-flow-low") == "acknowledged", "it is acknowledged")
        time.sleep(0.5)
        assert one.status()["push_buttons"] == {"pressed": 1, "refused": 0}
        assert one.end() == 0
    actors = {event.actor for event in events(record) if event.why == "command"}
    assert actors == {"push-button:ack-button"}
    commands = [item for item in Record(record).inputs() if isinstance(item, Command)]
    assert [(one.request.do, one.request.actor) for one in commands] == [("acknowledge", "push-button:ack-button")]


def test_the_map_says_where_mbpoll_finds_what(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rig = demo_rig_file(tmp_path / "rig.toml", device=free_port(), broker=free_port())
    rig.write_text(
        rig.read_text()
        + OUTSTATION.format(port=1502)
        + MAILBOX.replace("lamps", "plc1").replace("count = 6", "count = 10")
    )
    assert main(["map", str(rig), "--format", "csv"]) == 0
    rows = {row["name"]: row for row in csv.DictReader(capsys.readouterr().out.splitlines())}
    assert rows["aux inlet-flow"]["reference"] == "40207"
    assert rows["plc1 mailbox lamp watching"]["address"] == "54"
    assert main(["map", str(rig), "--format", "json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["outstation"]["port"] == 1502
    assert {row["name"] for row in found["rows"]} == set(rows)
    assert [row["code"] for row in found["reasons"]] == [*sorted(Reason), NOT_FITTED]
    assert "6 absent, 7 slow; 128 + exception code" in rows["device plc1"]["says"]
    assert main(["map", str(rig), "--format", "asyncapi"]) == 0
    assert json.loads(capsys.readouterr().out)["asyncapi"] == "3.0.0"
    assert main(["map", str(rig)]) == 0
    page = capsys.readouterr().out
    assert "## The watchdog that the PLC must build" in page
    assert "| 97 | bad | stuck-device | The device answers, but" in page
    assert "| 206..207 | 40207 | aux inlet-flow | float32 | gal/min | 0 | point aux-flow" in page
    assert main(["check", str(rig), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["writes"] == [
        {"device": "plc1", "unit": 1, "table": "holding", "address": 51, "count": 9}
    ]
    assert load(rig).mailboxes[0].signature == 2718
