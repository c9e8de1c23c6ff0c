"""The door on the box: what is asked and answered through control.sock, and what must not hurt the watch."""

import getpass
import grp
import json
import os
import re
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest

from brakewater.control import SOCKET
from brakewater.record.verify import verify
from brokers import free_port, until
from daemons import Daemon, SmallDevice, brakewater, daemon, events, serving, small_rig

pytestmark = pytest.mark.integration

GARBAGE = {
    "nothing": b"\n",
    "no JSON": b"\x00\xff\xfe garbage\n",
    "no object": b"[1, 2]\n",
    "no question": b"{}\n",
    "unknown question": b'{"ask": "everything"}\n',
    "no verb": b'{"do": 7}\n',
    "unknown verb": b'{"do": "self-destruct"}\n',
    "deep": b"[" * 60_000 + b"\n",
    "huge": b"x" * 1_000_000 + b"\n",
    "half a character": b'{"do": "note", "text": "\\ud800"}\n',
    "bad id": b'{"do": "note", "text": "x", "id": "\\ud800"}\n',
    "id that is no text": b'{"do": "note", "text": "x", "id": {"a": 1}}\n',
    "alarm that is no name": b'{"do": "acknowledge", "alarm": {"a": [1]}, "brake": [2]}\n',
}


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    """One for the tests that leave it as it was."""
    folder, device = tmp_path_factory.mktemp("shared"), SmallDevice(free_port())
    with serving(device), daemon(small_rig(folder / "rig.toml", device=device.port), folder / "record") as one:
        yield one


@pytest.fixture
def device() -> Iterator[SmallDevice]:
    with serving(SmallDevice(free_port())) as one:
        yield one


@pytest.fixture
def watch(device: SmallDevice, tmp_path: Path) -> Iterator[Daemon]:
    with daemon(small_rig(tmp_path / "rig.toml", device=device.port), tmp_path / "record") as one:
        yield one


def asked(record: Path, question: bytes) -> bytes:
    """What comes back; nothing where the door is shut on it."""
    with socket.socket(socket.AF_UNIX) as line:
        line.settimeout(5)
        line.connect(str(record / SOCKET))
        with suppress(BrokenPipeError, ConnectionResetError):  # it has heard enough; the answer is there all the same
            line.sendall(question)
        try:
            return line.makefile("rb").readline()
        except ConnectionResetError:
            return b""


def goes_on(one: Daemon) -> None:
    """Scans flow and are recorded."""
    before = one.status()["input"]
    until(lambda: one.status()["input"] >= before + 3)
    assert one.status()["record"]["recording"] is True


def test_status_says_all_that_the_contract_names(shared: Daemon) -> None:
    done = brakewater("status", "--record", shared.record, "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert {"scan_age_s", "devices", "links", "mirrors", "alarms"} <= found.keys()
    assert 0 <= found["scan_age_s"] < 2
    assert found["rig"] == "rig-9"
    assert found["devices"]["plc1"]["status"] == "ok"
    assert found["devices"]["plc1"]["answers"].keys() == {"ok"}
    assert found["links"] == {"broker": None}
    assert (found["mirrors"], found["alarms"]) == ({}, [])
    assert found["record"]["recording"] is True
    people = brakewater("status", "--record", shared.record).stdout
    assert people.startswith("watching rig rig-9")
    assert "no alarm standing" in people
    assert re.search(r"^  aux-flow +90\.0 gal/min$", people, re.MULTILINE)
    assert re.search(r"^  aux heat +\d+ \+/- \d+ kW$", people, re.MULTILINE)
    assert found["values"]["aux"]["readings"]["aux-flow"]["shown"] == {"value": 90.0, "unit": "gal/min"}
    assert found["values"]["aux"]["derived"]["heat_w"]["quality"] == "good"
    assert brakewater("status", BRAKEWATER_RECORD=str(shared.record)).returncode == 0


def test_an_alarm_is_acknowledged_by_the_user_of_this_process(watch: Daemon, device: SmallDevice) -> None:
    device.flow(0)
    until(lambda: {"aux.cooling-lost", "aux.cooling-flow-low"} <= watch.states().keys())
    done = brakewater("do", "acknowledge", "aux.cooling-lost", "--record", watch.record)
    assert done.returncode == 0, done.stderr
    assert done.stdout == "aux.cooling-lost is now acknowledged\n"
    assert watch.states()["aux.cooling-lost"] == "acknowledged"
    assert "CRITICAL aux.cooling-lost is unacknowledged: Cooling water lost: 0.0 gal/min, set at 5 " in watch.said
    assert "aux.cooling-lost is acknowledged: Cooling water lost, acknowledged" in watch.said
    done = brakewater("do", "--record", watch.record, "--json", "acknowledge", "all")
    assert done.returncode == 0
    assert json.loads(done.stdout)["ok"] is True
    assert set(watch.states().values()) == {"acknowledged"}
    shown = brakewater("status", "--record", watch.record).stdout
    assert "ACKNOWLEDGED aux.cooling-lost since " in shown
    assert watch.end() == 0
    actors = {event.actor for event in events(watch.record) if event.now == "acknowledged"}
    assert actors == {getpass.getuser()}


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("acknowledge", "aux.cooling-lost"), "nothing to acknowledge: aux.cooling-lost is normal"),
        (("acknowledge", "aux.coolin-lost"), "aux.cooling-lost"),
        (("reset", "all"), "nothing to reset"),
        (("note", "  "), "a note needs a text"),
    ],
)
def test_refused_commands_say_why(shared: Daemon, words: tuple[str, str], says: str) -> None:
    done = brakewater("do", "--record", shared.record, *words)
    assert done.returncode == 1
    assert says in done.stdout


def test_a_command_is_carried_out_once(shared: Daemon) -> None:
    question = b'{"do": "note", "text": "strainer cleaned", "id": "n-1"}\n'
    assert json.loads(asked(shared.record, question))["ok"] is True
    again = json.loads(asked(shared.record, question))
    assert (again["ok"], again["says"]) == (False, "this command was carried out before")


def test_garbage_is_refused_with_a_reason_and_the_watch_goes_on(watch: Daemon) -> None:
    for name, question in GARBAGE.items():
        answer = asked(watch.record, question)
        if answer or name != "huge":
            assert json.loads(answer)["ok"] is False, name
            assert json.loads(answer)["says"], name
        goes_on(watch)
    odd = b'{"do": "note", "text": "x", "n": 1e999, "m": 123456789012345678901234567890, "o": NaN}\n'
    assert json.loads(asked(watch.record, odd))["ok"] is True  # odd, but recorded as it is
    goes_on(watch)
    assert "Traceback" not in watch.said
    assert watch.end() == 0
    assert verify(watch.record).verdict == "consistent"
    assert brakewater("replay", watch.record, "--compare").returncode == 0


def test_ready_says_where_its_rig_file_is_not_the_one_that_is_watched(shared: Daemon, tmp_path: Path) -> None:
    """Loop checks of another file would be held against nothing that is watched, without a word."""
    rig = shared.record.parent / "rig.toml"
    assert "is not the rig file that is watched" not in brakewater("ready", rig, "--record", shared.record).stderr
    other = tmp_path / "other.toml"
    other.write_text(rig.read_text().replace('least-flow = "75 gal/min"', 'least-flow = "80 gal/min"'))
    told = brakewater("ready", other, "--record", shared.record)
    assert f"{other} is not the rig file that is watched ({rig}, as it was loaded)" in told.stderr
    assert told.stdout.startswith("NOT READY")


def test_silent_clients_hold_up_nobody(shared: Daemon) -> None:
    with ExitStack() as stack:
        for _ in range(100):
            line = stack.enter_context(socket.socket(socket.AF_UNIX))
            line.connect(str(shared.record / SOCKET))
            line.sendall(b'{"ask": ')
        until(lambda: "already ask" in asked(shared.record, b'{"ask": "status"}\n').decode())
    until(lambda: b"already ask" not in asked(shared.record, b'{"ask": "status"}\n'))
    goes_on(shared)


def test_a_full_door_is_said_and_who_follows_takes_no_room_from_commands(shared: Daemon) -> None:
    with ExitStack() as stack:
        for _ in range(100):
            line = stack.enter_context(socket.socket(socket.AF_UNIX))
            line.connect(str(shared.record / SOCKET))
            line.sendall(b'{"ask": "follow"}\n')
        assert brakewater("status", "--record", shared.record).returncode == 0
        assert json.loads(asked(shared.record, b'{"do": "note", "text": "seen"}\n'))["ok"] is True
        for _ in range(100):
            line = stack.enter_context(socket.socket(socket.AF_UNIX))
            line.connect(str(shared.record / SOCKET))
            with suppress(BrokenPipeError):
                line.sendall(b'{"ask": ')
        for words in (("status",), ("ready", shared.record.parent / "rig.toml"), ("reload",), ("watch",)):
            told = brakewater(*words, "--record", shared.record)
            assert "64 clients already ask; try again" in told.stdout + told.stderr, told
            assert "Traceback" not in told.stderr
    until(lambda: b"already ask" not in asked(shared.record, b'{"ask": "status"}\n'))
    goes_on(shared)


def test_clients_that_stay_silent_do_not_delay_the_end(watch: Daemon) -> None:
    with socket.socket(socket.AF_UNIX) as line:
        line.connect(str(watch.record / SOCKET))
        assert watch.end(within_s=5) == 0
    assert "Traceback" not in watch.said


def test_a_folder_that_is_not_there_need_not_mean_that_nothing_watches(tmp_path: Path) -> None:
    done = brakewater("status", "--record", tmp_path / "gone")
    assert done.returncode == 3
    assert "no such folder" in done.stderr
    assert "one whose record was deleted watches on" in done.stderr


@pytest.mark.skipif(os.getuid() != 0, reason="only root may give up its right to pass over rights")
def test_who_is_not_in_the_group_is_told_how_to_come_into_it(tmp_path: Path) -> None:
    os.chown(tmp_path, 65534, grp.getgrnam("adm").gr_gid)
    tmp_path.chmod(0o750)
    plain = ["setpriv", "--bounding-set=-dac_override,-dac_read_search", "--clear-groups"]
    words = [*plain, sys.executable, "-m", "brakewater", "status", "--record", str(tmp_path)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 3
    (line,) = done.stderr.splitlines()
    assert "user root may not" in line
    assert line.endswith("as root: adduser root adm, then log in anew")


@pytest.mark.parametrize("words", [("status",), ("do", "acknowledge", "all")])
def test_without_a_daemon_it_says_what_to_look_at(tmp_path: Path, words: tuple[str, ...]) -> None:
    done = brakewater(*words, BRAKEWATER_RECORD=str(tmp_path))
    assert done.returncode == 3
    (line,) = done.stderr.splitlines()
    assert f"{tmp_path}/control.sock: no daemon answers" in line
    assert "brakewater run" in line


def test_a_socket_left_by_a_dead_daemon_is_replaced(watch: Daemon) -> None:
    watch.kill()
    assert (watch.record / SOCKET).exists()
    assert brakewater("status", "--record", watch.record).returncode == 3
    watch.start()
    assert watch.status()["run"] == 2
    assert watch.end() == 0
