"""Whatever is missing at the start, the watch watches; what dies beside it comes back; no secret is ever told."""

import itertools
import json
import os
import signal
import sqlite3
import time
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Self

import psutil
import pytest

from brakewater.control import ask
from brakewater.record.verify import verify
from brokers import HOST, free_port, mosquitto, running, until
from daemons import Daemon, SmallDevice, daemon, here, serving, small_rig
from faults.preloaded import slow_names

pytestmark = pytest.mark.integration

PARTS = ("device", "broker", "mirror", "disk")


def rig_of_all(folder: Path, *, device: int, broker: int, mirror: int, panel: int | None = None) -> Path:
    rig = small_rig(folder / "rig.toml", device=device, broker=broker)
    more = f'\n[mirror.office]\nurl = "http://{HOST}:{mirror}"\norg = "rig"\nbucket = "b"\n'
    more += "" if panel is None else f"\n[panel]\nport = {panel}\n"
    rig.write_text(rig.read_text() + more)
    return rig


SOME = [("device",), PARTS]
REST = [
    some for count in range(len(PARTS) + 1) for some in itertools.combinations(PARTS, count) if some not in SOME
]  # fmt: skip


@pytest.mark.parametrize(
    "missing", [*SOME, *(pytest.param(some, marks=pytest.mark.long) for some in REST)], ids="-".join
)
def test_it_starts_whatever_is_missing(tmp_path: Path, missing: tuple[str, ...]) -> None:
    """The mirror is never there: nobody listens at its port, or its table is left out."""
    device, broker, record = SmallDevice(free_port()), mosquitto(tmp_path), tmp_path / "record"
    if "disk" in missing:
        (tmp_path / "a-file").write_text("not a folder")
        record = tmp_path / "a-file" / "record"
    with ExitStack() as stack:
        if "broker" not in missing:
            stack.enter_context(running(broker))
        if "device" not in missing:
            stack.enter_context(serving(device))
        rig = rig_of_all(tmp_path, device=device.port, broker=broker.port, mirror=free_port())
        if "mirror" not in missing:
            rig.write_text(rig.read_text().split("[mirror.office]")[0])
        address = tmp_path / "notify"
        knows = {"NOTIFY_SOCKET": str(address)}
        with told_at(address) as told, daemon(rig, record, ready=False, environment=knows) as one:
            until(lambda: "READY=1" in told(), lambda: one.said)  # the first scan has gone through
            assert one.end(within_s=10) == 0, one.said
    assert "Traceback" not in one.said
    if "disk" not in missing:
        assert verify(record).verdict == "consistent"
        assert not list((record / "hot").glob("*-wal"))


class told_at:  # noqa: N801 - reads as a sentence where it stands
    """A service manager that only listens."""

    def __init__(self, address: Path) -> None:
        import socket  # noqa: PLC0415

        self._line = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._line.bind(str(address))
        self._line.settimeout(0)
        self._text = ""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._line.close()

    def __call__(self) -> str:
        try:
            while True:
                self._text += self._line.recv(4096).decode() + "\n"
        except BlockingIOError:
            return self._text


def test_a_panel_that_is_killed_comes_back_and_the_watch_does_not_notice(tmp_path: Path) -> None:
    device = SmallDevice(free_port())
    with serving(device):
        rig = rig_of_all(tmp_path, device=device.port, broker=free_port(), mirror=free_port(), panel=free_port())
        with daemon(rig, tmp_path / "record") as one:
            first = panel_of(one)
            run, number = one.status()["run"], one.status()["input"]
            os.kill(first, signal.SIGKILL)
            until(lambda: panel_of(one) != first, lambda: one.said)
            assert one.status()["run"] == run
            until(lambda: one.status()["input"] > number + 5)
            assert one.said.count("the panel ended with exit status -9; started again in") == 1
            assert one.end() == 0
        until(lambda: not psutil.pid_exists(first))


def panel_of(one: Daemon) -> int:
    pids: list[int] = []

    def is_there() -> bool:
        for child in psutil.Process(one.process.pid).children():
            with suppress(psutil.NoSuchProcess):  # it was just killed
                pids.extend([child.pid] if "brakewater.panel" in " ".join(child.cmdline()) else [])
        return bool(pids)

    until(is_there, lambda: one.said)
    return pids[0]


def test_a_crash_loop_is_said_and_an_orderly_stop_ends_it(tmp_path: Path) -> None:
    device = SmallDevice(free_port())
    with serving(device), daemon(small_rig(tmp_path / "rig.toml", device=device.port), tmp_path / "record") as one:
        for _ in range(3):
            one.kill()
            one.start()
        assert one.status()["starts_lately"] == 4
        assert "started 4 times in ten minutes without being stopped" in one.said
        words = ["status", "--record", str(one.record)]
        said = here(*words).stdout
        assert "CRASHES AGAIN AND AGAIN: 4 starts" in said
        until(lambda: "rig.part-restarting" in one.states())
        assert one.end() == 0
        one.start()
        assert one.status()["starts_lately"] == 1
        assert one.end() == 0


SECRETS = {
    "BRAKEWATER_MQTT_PASSWORD": "swordfish-0451",
    "BRAKEWATER_MIRROR_TOKENS": json.dumps({"office": "token-3b9a7c"}),
    "BRAKEWATER_PANEL_PINS": json.dumps({"driller": "not-a-pin-8842"}),
}
TEXTS = ("swordfish-0451", "token-3b9a7c", "not-a-pin-8842")


@pytest.mark.parametrize("form", ["json", pytest.param("journal", marks=pytest.mark.long)])
def test_no_secret_stands_in_log_status_or_record(tmp_path: Path, form: str) -> None:
    """A broker that refuses the password, a mirror that is none, a panel that refuses its PINs: all complain."""
    device, allowed = SmallDevice(free_port()), tmp_path / "passwords"
    allowed.write_text("brakewater:$7$101$x$x\n")
    broker = mosquitto(tmp_path, "allow_anonymous false", f"password_file {allowed}")
    with running(broker), serving(device):
        rig = rig_of_all(tmp_path, device=device.port, broker=broker.port, mirror=broker.port, panel=free_port())
        rig.write_text(rig.read_text().replace("[mqtt]", '[mqtt]\nuser = "brakewater"'))
        with daemon(rig, tmp_path / "record", environment=SECRETS, more=("--log", form)) as one:
            until(lambda: "the panel ended" in one.said, lambda: one.said)
            until(lambda: "mirror office" in one.said and "broker at" in one.said, lambda: one.said)
            shown = json.dumps(one.status())
            assert one.end() == 0
    for text in TEXTS:
        assert text not in one.said
        assert text not in shown
        for file in (tmp_path / "record").rglob("*"):
            assert not file.is_file() or text.encode() not in file.read_bytes(), file
    lines = [line for line in one.said.splitlines() if "brakewater panel:" not in line and "BRAKEWATER_" not in line]
    if form == "json":
        assert all({"t", "level", "part", "says"} <= json.loads(line).keys() for line in lines)
    if form == "journal":
        assert all(line[:3] in ("<3>", "<4>", "<6>") for line in lines)


def test_a_record_of_a_newer_format_is_refused_and_not_touched(tmp_path: Path) -> None:
    device, record = SmallDevice(free_port()), tmp_path / "record"
    with serving(device):
        rig = small_rig(tmp_path / "rig.toml", device=device.port)
        with daemon(rig, record) as one:
            assert one.end() == 0
        file = record / "hot" / "00000001.sqlite3"
        with sqlite3.connect(file) as base:
            base.execute("UPDATE meta SET value = 99 WHERE key = 'schema'")
            base.execute("PRAGMA user_version = 99")
        base.close()
        kept = file.read_bytes()
        with daemon(rig, record, ready=False) as one:
            assert one.process.wait(30) == 2  # beginning again mends nothing: its service does not
            assert "format 99" in one.said
            assert "Traceback" not in one.said
        assert file.read_bytes() == kept
        assert [found.name for found in (record / "hot").iterdir()] == [file.name]


NAME_S = 20
"""How long a name server keeps silent."""
NAMED = """
[[device]]
name = "{name}"
host = "{name}.rig"
timeout = "75 ms"

[[brake.point]]
name = "aux-{name}"
role = "{role}"
device = "{name}"
table = "holding"
address = 0
signal = {{ kind = "linear", raw = [0, 1000], range = ["0 {unit}", "100 {unit}"] }}
"""


def test_names_that_nobody_knows_hold_up_no_answer_and_no_end(tmp_path: Path) -> None:
    device, file = SmallDevice(free_port()), tmp_path / "rig.toml"
    small_rig(file, device=device.port)
    more = NAMED.format(name="plc2", role="return-flow", unit="gal/min")
    file.write_text(file.read_text() + more + NAMED.format(name="plc3", role="supply-pressure", unit="psi"))
    with serving(device), daemon(file, tmp_path / "record", environment=slow_names(tmp_path, NAME_S * 1000)) as one:
        until(lambda: "rig.device-silent:plc3" in one.states(), "names that nobody knows")
        took_s, until_s = [], time.monotonic() + 25
        while time.monotonic() < until_s:
            began_s = time.monotonic()
            assert ask(one.record, {"do": "test"})["ok"]
            took_s.append(time.monotonic() - began_s)
            time.sleep(0.2)
        assert max(took_s) < NAME_S / 2  # whoever waits for a name waits for all of it
        assert one.status()["devices"]["plc1"]["status"] == "ok"
        assert one.end(within_s=NAME_S / 2) == 0
