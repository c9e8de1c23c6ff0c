"""A foreign subscriber sees the alarm of every register change; how soon is printed (goal: a scan and 100 ms)."""

import json
import random
import statistics
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from brokers import HOST, free_port, mosquitto, running
from daemons import SmallDevice, daemon, serving, small_rig

pytestmark = pytest.mark.integration

LIVES = 10
CHANGES = 4
"""In each life: a third rise within a minute would count as chatter, and be held."""
SCAN_MS = 100
TOPIC = "brakewater/rig-9/aux/alarm/cooling-flow-low"


@contextmanager
def subscribed(port: int) -> Iterator[subprocess.Popen[str]]:
    """mosquitto_sub, its lines as they come."""
    words = ["stdbuf", "-oL", "mosquitto_sub", "-h", HOST, "-p", str(port), "-q", "1", "-t", TOPIC]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as ear:
        try:
            yield ear
        finally:
            ear.kill()


def _changes(device: SmallDevice, ear: subprocess.Popen[str], chance: random.Random) -> Iterator[float]:
    """How long each change took to arrive, s."""
    assert ear.stdout is not None
    assert json.loads(ear.stdout.readline())["state"] == "normal"
    for change in range(CHANGES):
        time.sleep(chance.uniform(0, SCAN_MS / 1e3))  # so that changes fall anywhere between two scans
        low = change % 2 == 0
        device.flow(60 if low else 90)
        changed = time.monotonic()
        state = json.loads(ear.stdout.readline())["state"]
        yield time.monotonic() - changed
        assert state == ("unacknowledged" if low else "returned-unacknowledged")


def test_an_alarm_is_seen_and_how_soon_is_printed(tmp_path: Path) -> None:
    chance = random.Random(7)
    device = SmallDevice(free_port())
    late_s: list[float] = []
    with running(mosquitto(tmp_path)) as broker, serving(device):
        rig = small_rig(tmp_path / "rig.toml", device=device.port, broker=broker.port, scan_ms=SCAN_MS)
        for life in range(LIVES):
            with daemon(rig, tmp_path / f"record-{life}") as one, subscribed(broker.port) as ear:
                late_s += _changes(device, ear, chance)
                assert one.end() == 0
    median_s = statistics.median(late_s)
    print(f"change to message: median {median_s * 1e3:.0f} ms, worst {max(late_s) * 1e3:.0f} ms, scan {SCAN_MS} ms")
