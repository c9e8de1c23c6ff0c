"""A damaged record: replay says where and replays what is whole; the daemon starts on it and goes on."""

import json
import os
import shutil
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from brakewater.record.reader import Record
from brakewater.record.verify import verify
from brakewater.review.replay import recorded as readable
from brakewater.stream import Event
from brokers import free_port, until
from daemons import Daemon, SmallDevice, daemon, here, serving, small_rig

pytestmark = pytest.mark.integration


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two runs with events in both: flow lost in the first, acknowledged and back in the second."""
    folder, device = tmp_path_factory.mktemp("recorded"), SmallDevice(free_port())
    with serving(device):
        rig = small_rig(folder / "rig.toml", device=device.port, scan_ms=20)
        with daemon(rig, folder / "record") as one:
            device.flow(0)
            until(lambda: "aux.cooling-lost" in one.states())
            until(lambda: one.status()["input"] > 60)
            assert one.end() == 0
            one.start()
            until(lambda: one.status()["input"] > 40)
            assert one.do("acknowledge", "all")["ok"] is True
            until(lambda: one.status()["input"] > 90)
            assert one.end() == 0
    return folder / "record"


@pytest.fixture
def record(recorded: Path, tmp_path: Path) -> Path:
    shutil.copytree(recorded, tmp_path / "record")
    return tmp_path / "record"


@pytest.fixture
def device() -> Iterator[SmallDevice]:
    with serving(SmallDevice(free_port())) as one:
        yield one


def segment(record: Path, run: int) -> Path:
    return record / "hot" / f"{run:08d}.sqlite3"


def flip(file: Path, first: float, last: float) -> None:
    """Other bytes in a part of a file."""
    body = bytearray(file.read_bytes())
    for at in range(round(first * len(body)), round(last * len(body))):
        body[at] ^= 0x5A
    file.write_bytes(body)


def truncate(file: Path, to: float) -> None:
    body = file.read_bytes()
    file.write_bytes(body[: round(to * len(body))])


def harm(record: Path, how: str) -> None:
    match how:
        case "flipped in the last run":
            flip(segment(record, 2), 0.4, 0.6)
        case "truncated":
            truncate(segment(record, 2), 0.5)
        case "flipped in the first run":
            flip(segment(record, 1), 0.4, 0.6)
        case "no database any more":
            flip(segment(record, 2), 0.0, 0.05)
        case "empty":
            segment(record, 2).write_bytes(b"")


HARMS = ("flipped in the last run", "truncated", "flipped in the first run", "no database any more")


@pytest.mark.parametrize("how", HARMS)
def test_replay_says_where_and_replays_what_is_whole(record: Path, how: str) -> None:
    whole = json.loads(here("replay", record, "--json").stdout.splitlines()[-1])["scans"]
    harm(record, how)
    harmed = 1 if "first" in how else 2
    done = here("replay", record, "--compare", "--json")
    assert done.returncode == 1
    print(done.stderr)
    (line, *_) = done.stderr.splitlines()
    assert str(segment(record, harmed)) in line
    assert line.endswith("replayed what is whole")
    close = json.loads(done.stdout.splitlines()[-1])
    assert 40 < close["scans"] <= whole
    assert close["differences"] == []  # what cannot be replayed is not comparable, and no difference
    assert any(str(segment(record, harmed)) in text for text in close["not_comparable"])


def test_a_word_changed_behind_its_back_is_found_by_the_chain(record: Path) -> None:
    with closing(sqlite3.connect(segment(record, 1))) as base:
        (body,) = base.execute("SELECT body FROM inputs WHERE input = 60").fetchone()
        base.execute("UPDATE inputs SET body = ? WHERE input = 60", (bytes([body[0] ^ 1]) + body[1:],))
        base.commit()
    done = here("replay", record)
    assert done.returncode == 1
    began, line = done.stderr.splitlines()
    assert began.startswith("run 2 began with another state than replay comes to: the record was altered;")
    assert line == f"altered: {segment(record, 1)}: input 60: changed; replayed as it stands"


@pytest.mark.parametrize("how", [*HARMS, "empty"])
def test_the_daemon_starts_on_it_and_goes_on(record: Path, device: SmallDevice, tmp_path: Path, how: str) -> None:
    harm(record, how)
    rig = small_rig(tmp_path / "rig.toml", device=device.port, scan_ms=20)
    with daemon(rig, record) as one:
        assert one.status()["record"]["recording"] is True
        device.flow(0)
        until(lambda: "aux.cooling-lost" in one.states())
        until(lambda: one.status()["input"] > 50)
        assert one.end() == 0
        assert "Traceback" not in one.said
        run = starts_after(one)
    assert run == (2 if how == "empty" else 3)
    identities = [event.identity for event in whole_events(record)]
    assert len(set(identities)) == len(identities)
    done = here("replay", record, "--compare", "--json")
    close = json.loads(done.stdout.splitlines()[-1])
    assert close["differences"] == []
    assert done.returncode == (0 if how == "empty" else 1)


def starts_after(one: Daemon) -> int:
    """The run of the last segment."""
    return max(int(path.stem) for path in (one.record / "hot").glob("*.sqlite3"))


def whole_events(record: Path) -> list[Event]:
    return list(readable(Record(record), lambda _run, _error: None))


@pytest.mark.skipif(os.getuid() != 0, reason="only root may give up its right to pass over rights")
def test_a_folder_whose_rights_are_taken_away_stops_recording_alone(device: SmallDevice, tmp_path: Path) -> None:
    """Further runs, several a second, began off-delays anew: no alarm went out again, none told of the record."""
    record, plain = tmp_path / "record", ("setpriv", "--bounding-set=-dac_override,-dac_read_search")
    rig = small_rig(tmp_path / "rig.toml", device=device.port)
    with daemon(rig, record, under=plain) as one:
        (record / "hot").chmod(0)
        device.flow(0)
        until(lambda: one.states().get("aux.cooling-lost") == "unacknowledged", lambda: one.said)
        device.flow(90)
        until(lambda: one.states().get("aux.cooling-lost") == "returned-unacknowledged", lambda: one.said, within_s=10)
        until(lambda: one.states().get("rig.record-stalled") == "unacknowledged", lambda: one.said, within_s=40)
        assert one.status()["run"] == 1
        assert f"mend it as root: chown -R root: {record} " in here("status", "--record", record).stdout
        time.sleep(6)  # upkeep looks every five seconds
        assert len(one.said.splitlines()) < 20, one.said
        assert "Traceback" not in one.said
        assert f"mend it as root: chown -R root: {record} && chmod -R u=rwX,g=rX,o= {record}" in one.said
        (record / "hot").chmod(0o750)
        until(lambda: one.status()["record"]["commit_age_s"] < 2, lambda: one.said)
        assert one.status()["record"]["recording"] is True
        until(
            lambda: one.states().get("rig.record-stalled") == "returned-unacknowledged", lambda: one.said, within_s=10
        )
        assert one.end() == 0
    assert verify(record).verdict == "consistent"
