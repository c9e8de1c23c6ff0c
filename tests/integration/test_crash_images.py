"""Power cuts: whatever a disk may legally have kept of the writes, the record opens, verifies and holds what was told.

The writes are those of the journal and of sealing under load, and of the real daemon, noted as they are made; see
faults/disk_log.py for what counts as legal.
"""

import os
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from brokers import free_port, mosquitto, running, until
from daemons import Daemon, SmallDevice, daemon, serving, small_rig
from faults.crash_images import check_record, images, noted_load, recorder, tell, watched

IMAGES = int(os.environ.get("BRAKEWATER_CRASH_IMAGES", "1000"))

pytestmark = pytest.mark.integration


@pytest.fixture
def fast(tmp_path: Path) -> Iterator[Path]:
    """A folder in memory where there is one: thousands of small files are made and synced there."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else tmp_path) as folder:
        yield Path(folder)


def test_a_few_images_of_the_journal(fast: Path, tmp_path: Path) -> None:
    record, log = noted_load(fast, runs=2)
    tally = images(record, log, 30, 7, fast / "images", tmp_path, check_record)
    assert tally["heads"] > 10
    # The check can fail: a disk that does not sync loses what was told. What it fails on is kept, and fails again.
    first, again = tmp_path / "first", tmp_path / "again"
    with pytest.raises(AssertionError, match="image-") as failed:
        images(record, log, 30, 7, fast / "lying", first, check_record, lying=True)
    with pytest.raises(AssertionError, match="image-") as failed_again:
        images(record, first / "notes", 30, 7, fast / "again", again, check_record, lying=True)
    assert str(failed_again.value).split(";")[0] == str(failed.value).split(";")[0]
    assert str(first) in str(failed.value)
    assert contents(first) == contents(again)
    assert any(name.startswith("image-") for name in contents(first))


def contents(folder: Path) -> dict[str, bytes]:
    return {str(one.relative_to(folder)): one.read_bytes() for one in folder.rglob("*") if one.is_file()}


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_many_images_of_the_journal(fast: Path, tmp_path: Path) -> None:
    tell(_loads(fast, tmp_path / "kept"))


def _loads(fast: Path, kept: Path) -> Iterator[tuple[str, Counter[str]]]:
    for seed in range(4):
        folder = fast / str(seed)
        folder.mkdir()
        record, log = noted_load(folder, runs=3 + seed, pause_s=0.15)
        tally = images(record, log, IMAGES // 4, seed, folder / "images", kept, check_record)
        assert tally["heads"] > 3, "hardly anything was told that could be lost"
        yield f"journal and sealing, {3 + seed} runs", tally


@contextmanager
def preloaded(environment: dict[str, str]) -> Iterator[None]:
    """Only what is started within gets it."""
    before = dict(os.environ)
    os.environ.update(environment)
    try:
        yield
    finally:
        os.environ.clear()
        os.environ.update(before)


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_many_images_of_the_daemon(fast: Path, tmp_path: Path) -> None:
    record, log, device = fast / "record", fast / "log", SmallDevice(free_port())
    record.mkdir()
    environment = watched(recorder(fast), record, log)
    with running(mosquitto(fast)) as broker, serving(device):
        rig = small_rig(fast / "rig.toml", device=device.port, broker=broker.port, scan_ms=400)  # on a busy machine too
        with preloaded(environment), daemon(rig, record) as one:
            for life in range(3):
                _live(one, device)
                one.kill() if life < 2 else one.end()
                if life < 2:
                    one.start()
    tally = images(record, log, IMAGES // 4, 11, fast / "images", tmp_path / "kept", check_record)
    tell([("daemon, 3 lives", tally)])
    assert tally["events"] > 8
    assert tally["heads"] > 3


def _live(one: Daemon, device: SmallDevice) -> None:
    """Alarms come and are acknowledged; that they go is not waited for, since what chatters is held for a minute."""
    for gal_min, alarm in ((60, "aux.cooling-flow-low"), (0, "aux.cooling-lost")):
        device.flow(gal_min)
        until(lambda alarm=alarm: alarm in one.states(), within_s=60)  # type: ignore[misc]
        one.do("acknowledge", "all")
        time.sleep(1.5)  # heads of the chain go out once a second
        device.flow(90)
        time.sleep(1.5)
        one.do("acknowledge", "all")
