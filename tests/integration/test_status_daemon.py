"""How a whole daemon says how it does: status for people and programs, figures for monitoring, signs of life."""

import contextlib
import json
import re
import signal
import socket
import urllib.error
import urllib.request
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from brokers import HOST, free_port, mosquitto, running, until
from daemons import SmallDevice, brakewater, daemon, serving, small_rig
from mirror_parts import Answers, Scripted

pytestmark = pytest.mark.integration


def figures(port: int) -> dict[str, float]:
    with urllib.request.urlopen(f"http://{HOST}:{port}/metrics", timeout=5) as answer:
        assert answer.headers["Content-Type"].startswith("text/plain; version=0.0.4")
        text = answer.read().decode()
    families = text_string_to_metric_families(text)
    return {
        ",".join([one.name, *(f"{key}={value}" for key, value in sorted(one.labels.items()))]): one.value
        for family in families
        for one in family.samples
    }


def test_status_and_figures_say_how_every_part_does(tmp_path: Path) -> None:
    device, port = SmallDevice(free_port()), free_port()
    with running(mosquitto(tmp_path)) as broker, Scripted().up() as server, serving(device):
        file = small_rig(tmp_path / "rig.toml", device=device.port, broker=broker.port)
        file.write_text(f'{file.read_text()}\n[mirror.office]\nurl = "{server.url}"\nevery = "0.1 s"\n')
        with daemon(file, tmp_path / "record", more=("--metrics", str(port))) as watch:
            until(lambda: watch.status()["mirrors"]["office"]["sent"] > 20, "mirrored", within_s=30)
            device.flow(50)
            until(lambda: watch.status()["broker"]["events"] > 0, "published")
            found = figures(port)
            assert found["brakewater_scan_age_seconds"] < 2
            assert found["brakewater_device_answers_total,answer=ok,device=plc1"] > 10
            assert found["brakewater_device_error_share,device=plc1"] < 1
            assert found["brakewater_broker_connected"] == 1
            assert found["brakewater_mirror_lines_total,mirror=office"] > 20
            assert found["brakewater_journal_bytes"] > found["brakewater_journal_wal_bytes"] > 0
            assert 0 < found["brakewater_journal_commit_seconds"] < 5
            assert found["brakewater_alarms,priority=high"] >= 1
            said = brakewater("status", "--record", watch.record)
            assert said.returncode == 0
            assert "broker: connected, MQTT 5.0" in said.stdout
            assert "mirror office: " in said.stdout
            assert "record: recording, " in said.stdout
            server.script = lambda _n, _lines: Answers(status=401)
            device.stop()
            until(lambda: (watch.status()["devices"]["plc1"]["errors_lately"] or 0) > 0, "errors")
            until(lambda: watch.status()["devices"]["plc1"]["status"] == "refused", "nobody there")
            until(lambda: "401" in str(watch.status()["mirrors"]["office"]["last_error"]), "mirror's trouble")
            said = brakewater("status", "--record", watch.record)
            assert re.search("device plc1: (refused|absent), .*refused", said.stdout), said.stdout
            assert "    The " in said.stdout  # what to check
            assert "wrong in the last minute" in said.stdout
            assert "401" in said.stdout
            assert json.loads(brakewater("status", "--record", watch.record, "--json").stdout)["record"]["lost"] == 0
            device.start()


def test_figures_are_all_there_is_to_be_had(tmp_path: Path) -> None:
    device, port = SmallDevice(free_port()), free_port()
    file = small_rig(tmp_path / "rig.toml", device=device.port)
    with serving(device), daemon(file, tmp_path / "record", more=("--metrics", str(port))) as watch:
        assert raw(port, b"GET / HTTP/1.1\r\n\r\n").startswith(b"HTTP/1.1 404 ")
        assert raw(port, b"POST /metrics HTTP/1.1\r\n\r\n").startswith(b"HTTP/1.1 405 ")
        assert raw(port, b"\x16\x03\x01 nonsense\r\n\r\n").startswith(b"HTTP/1.1 400 ")
        assert raw(port, b"x" * 100_000) == b""
        head = raw(port, b"HEAD /metrics HTTP/1.0\r\n\r\n")
        assert head.startswith(b"HTTP/1.1 200 ")
        assert head.endswith(b"\r\n\r\n")
        idle = [socket.create_connection((HOST, port)) for _ in range(40)]
        assert raw(port, b"GET /metrics HTTP/1.1\r\n\r\n").startswith(b"HTTP/1.1 503 ")
        for one in idle:
            one.close()
        until(lambda: raw(port, b"GET /metrics HTTP/1.1\r\n\r\n").startswith(b"HTTP/1.1 200 "), "free again")
        assert watch.end() == 0


def raw(port: int, asked: bytes) -> bytes:
    with socket.create_connection((HOST, port), timeout=5) as line:
        answer = b""
        try:
            line.sendall(asked)
            while piece := line.recv(65536):
                answer += piece
        except ConnectionResetError:
            pass
    return answer


def test_a_taken_port_is_no_reason_not_to_watch(tmp_path: Path) -> None:
    device = SmallDevice(free_port())
    file = small_rig(tmp_path / "rig.toml", device=device.port)
    with serving(device), daemon(file, tmp_path / "record", more=("--metrics", str(device.port))) as watch:
        assert "no figures for monitoring: " in watch.said
        assert "; run --metrics names an address of this PC and a free port" in watch.said
        assert "Errno" not in watch.said


def test_metrics_address_that_is_none() -> None:
    said = brakewater("run", "x.toml", "--record", "x", "--metrics", "here")
    assert said.returncode == 2
    assert "allowed: a port" in said.stderr


def test_the_guardian_is_fed_while_scans_flow_and_not_by_a_watch_that_stands_still(tmp_path: Path) -> None:
    device, address = SmallDevice(free_port()), str(tmp_path / "notify")
    file = small_rig(tmp_path / "rig.toml", device=device.port)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line, serving(device):
        line.bind(address)
        line.settimeout(20)
        told = {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "600000"}
        with daemon(file, tmp_path / "record", environment=told) as watch:
            heard = [line.recv(4096).decode() for _ in range(6)]
            assert "READY=1\nWATCHDOG=1" in heard
            assert heard[-1] == "WATCHDOG=1"
            assert "STATUS=rig rig-9: watching, no alarm stands" in heard
            watch.process.send_signal(signal.SIGSTOP)
            line.settimeout(1.0)
            line.settimeout(0)
            with contextlib.suppress(BlockingIOError):
                while line.recv(4096):
                    pass  # what was on its way
            line.settimeout(1.0)
            with pytest.raises(TimeoutError):
                line.recv(4096)
            watch.process.send_signal(signal.SIGCONT)
            line.settimeout(20)
            assert watch.end() == 0
            until(lambda: line.recv(4096) == b"STOPPING=1", "takes its leave")
