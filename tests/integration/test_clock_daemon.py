"""A whole daemon on a wall clock that is wrong and steps: labels change, delays do not, nothing false goes out.

The clock is shifted below the program, between it and its kernel (tests/faults/shifted_clock.c).
"""

import time
from itertools import pairwise
from pathlib import Path

import pytest

from brakewater.record.reader import Record
from brakewater.stream import Block
from brokers import free_port, until
from daemons import Daemon, SmallDevice, daemon, events, serving, small_rig, starts
from faults.preloaded import ShiftedClock
from mirror_parts import Scripted, parsed

pytestmark = pytest.mark.integration
S = 1_000_000_000
YEAR = 365 * 86_400 * S


@pytest.fixture
def device() -> SmallDevice:
    return SmallDevice(free_port())


@pytest.fixture
def clock(tmp_path: Path) -> ShiftedClock:
    return ShiftedClock(tmp_path)


def scans(record: Path) -> list[tuple[int, int]]:
    """Steady and wall time of every scan, ns."""
    blocks = [item for item in Record(record).inputs() if isinstance(item, Block)]
    return [pair for block in blocks for pair in zip(block.t_ns.tolist(), block.utc_ns.tolist(), strict=True)]


def more_scans(watch: Daemon, count: int = 5) -> None:
    had = watch.status()["input"]
    until(lambda: watch.status()["input"] >= had + count, "more scans")


@pytest.mark.parametrize("step_ns", [3600 * S, -3300 * S])
def test_a_step_is_recorded_and_alarmed_and_moves_no_delay(
    tmp_path: Path, device: SmallDevice, clock: ShiftedClock, step_ns: int
) -> None:
    file, record = small_rig(tmp_path / "rig.toml", device=device.port), tmp_path / "record"
    file.write_text(file.read_text().replace('on-delay = "0 s"', 'on-delay = "2 s"'))
    with serving(device), daemon(file, record, environment=clock.environment) as watch:
        more_scans(watch)
        device.flow(60)
        more_scans(watch)
        clock.step_to(step_ns)
        until(lambda: "aux.cooling-flow-low" in watch.states(), "the alarm")
        assert watch.states()["rig.clock-stepped"] in ("unacknowledged", "returned-unacknowledged")
        more_scans(watch)
        watch.end()
    recorded = scans(record)
    steady = [t for t, _ in recorded]
    assert all(0 < later - former < S for former, later in pairwise(steady))
    labels = [utc - t for t, utc in recorded]
    assert abs(labels[-1] - labels[0] - step_ns) < S // 100  # the step is in the record, and nowhere but in the labels
    (stepped,) = [event for event in events(record) if event.alarm == "clock-stepped"]
    assert stepped.value == pytest.approx(step_ns / 1e9, abs=0.1)
    low = [event for event in events(record) if event.alarm == "cooling-flow-low"]
    assert [event.now for event in low] == ["unacknowledged"]
    first = next(at for at, pair in enumerate(recorded) if _flow(record, at) < 0.0045)
    assert 2.0 <= (steady[low[0].input - 1] - steady[first]) / S < 2.5
    assert [event.n for event in events(record)] == list(range(1, len(events(record)) + 1))


def _flow(record: Path, at: int) -> float:
    """Of a scan, m3/s, from its raw word."""
    words = [row for item in Record(record).inputs() if isinstance(item, Block) for row in item.words[:, 0].tolist()]
    return float(words[at]) / 10 * 6.30901964e-5


def test_a_box_that_boots_in_1970_mirrors_nothing_until_it_knows_the_time(
    tmp_path: Path, device: SmallDevice, clock: ShiftedClock
) -> None:
    file, record = small_rig(tmp_path / "rig.toml", device=device.port), tmp_path / "record"
    clock.step_to(-time.time_ns() + 20 * S)
    with Scripted().up() as server, serving(device):
        file.write_text(f'{file.read_text()}\n[mirror.base]\nurl = "{server.url}"\nevery = "0.1 s"\n')
        with daemon(file, record, environment=clock.environment) as watch:
            more_scans(watch, 15)
            until(lambda: watch.status()["mirrors"]["base"]["waiting"], "waits")
            assert server.lines == []
            clock.step_to(0)
            until(lambda: "rig.clock-stepped" in watch.states(), "noticed")
            until(lambda: len(server.lines) > 60, "mirrored")
            watch.end()
    assert starts(record)[0].utc_ns < YEAR
    recorded = scans(record)
    ahead = recorded[-1][1] - recorded[-1][0]
    right = {t + ahead for t, _ in recorded}
    got = {ns for measurement, _, ns in parsed(server.lines) if measurement == "brakewater"}
    assert min(got) > 50 * YEAR
    first = min(right)
    assert all(min(abs(ns - known) for known in right) < S // 100 for ns in got)
    assert min(got) < first + S  # also what was recorded before the time was known
