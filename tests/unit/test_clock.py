"""Steady time goes on: exactly within a boot, by a plausible wall clock over a reboot, never backwards."""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brakewater import clock
from brakewater.clock import MOST_DOWNTIME_NS, MachineClock, going_on
from brakewater.stream import Start

S = 1_000_000_000
DAY = 86_400 * S
UTC = 1_927_938_245_123_456_789


class Machine:
    """A machine whose boot clock, wall clock and boot identity the test sets."""

    def __init__(self) -> None:
        self.boottime, self.utc, self.boot = 1000 * S, UTC, "first"

    def read_text(self, **_: str) -> str:
        return f"{self.boot}\n"

    def clock_gettime_ns(self, which: int) -> int:
        assert which == time.CLOCK_BOOTTIME
        return self.boottime

    def time_ns(self) -> int:
        return self.utc

    def passes(self, ns: int) -> None:
        self.boottime += ns
        self.utc += ns

    def reboots(self, name: str, after_ns: int) -> None:
        self.boot, self.boottime = name, 7 * S
        self.utc += after_ns


@pytest.fixture
def machine() -> Iterator[Machine]:
    with patched() as made:
        yield made


class patched:  # noqa: N801 used as a context
    """Puts a machine in the place of this one."""

    def __enter__(self) -> Machine:
        self._patch, made = pytest.MonkeyPatch(), Machine()
        self._patch.setattr(clock, "_BOOT_ID", made)
        self._patch.setattr(clock.time, "clock_gettime_ns", made.clock_gettime_ns)
        self._patch.setattr(clock.time, "time_ns", made.time_ns)
        return made

    def __exit__(self, *_: object) -> None:
        self._patch.undo()


def started(of: MachineClock) -> Start:
    return Start(run=1, t_ns=of.steady_ns(), utc_ns=of.utc_ns(), boot=of.boot, version="0", rig_toml="")


def test_the_first_run_begins_at_zero(machine: Machine) -> None:
    first = going_on(None)
    assert first.steady_ns() == 0
    machine.passes(5 * S)
    assert (first.steady_ns(), first.utc_ns()) == (5 * S, UTC + 5 * S)


@pytest.mark.parametrize("wall_ns", [0, -400 * DAY, 400 * DAY])
def test_within_a_boot_it_goes_on_exactly_whatever_the_wall_clock_does(machine: Machine, wall_ns: int) -> None:
    first = going_on(None)
    start = started(first)
    machine.passes(60 * S)
    last_t, last_utc = first.steady_ns(), first.utc_ns()
    machine.passes(123_456_789)
    machine.utc += wall_ns
    second = going_on(start, last_t, last_utc)
    assert (second.steady_ns(), second.boot) == (first.steady_ns(), first.boot)


def test_a_second_restart_within_a_later_boot_goes_on_exactly(machine: Machine) -> None:
    first = going_on(None)
    machine.passes(60 * S)
    start, last_t, last_utc = started(first), first.steady_ns(), first.utc_ns()
    machine.reboots("second", 90 * S)
    second = going_on(start, last_t, last_utc)
    start = started(second)
    assert start.t_ns == 150 * S
    machine.passes(10 * S)
    third = going_on(start, second.steady_ns(), second.utc_ns())
    assert third.boot == second.boot
    assert third.steady_ns() == 160 * S


@pytest.mark.parametrize(
    ("downtime_ns", "counts_ns"),
    [
        (0, 0),
        (90 * S, 90 * S),
        (MOST_DOWNTIME_NS, MOST_DOWNTIME_NS),
        (MOST_DOWNTIME_NS + 1, 0),
        (-1, 0),
        (-400 * DAY, 0),
        (400 * DAY, 0),
        (-UTC, 0),  # no real-time clock: 1970
    ],
)
def test_a_reboot_counts_a_plausible_downtime(machine: Machine, downtime_ns: int, counts_ns: int) -> None:
    first = going_on(None)
    machine.passes(60 * S)
    start, last_t, last_utc = started(first), first.steady_ns(), first.utc_ns()
    machine.reboots("second", downtime_ns)
    assert going_on(start, last_t, last_utc).steady_ns() == last_t + counts_ns


@pytest.mark.parametrize(
    "boot", ["", "first", "first@", "first@x", "first@--5", "first@²", "first@1e3", "other@0", "@"]
)
def test_a_boot_that_says_nothing_is_another_boot(machine: Machine, boot: str) -> None:
    start = Start(run=1, t_ns=0, utc_ns=UTC, boot=boot, version="0", rig_toml="")
    assert going_on(start, 40 * S, UTC - 5 * S).steady_ns() == 45 * S
    machine.utc = 0
    assert going_on(start, 40 * S, UTC).steady_ns() == 40 * S


def test_an_origin_in_the_future_of_the_record_is_not_taken(machine: Machine) -> None:
    start = Start(run=1, t_ns=0, utc_ns=UTC, boot=f"first@{machine.boottime}", version="0", rig_toml="")
    assert going_on(start, 40 * S, UTC).steady_ns() == 40 * S  # by its origin it would be 0


LONG = st.integers(0, 40 * DAY)


@given(st.lists(st.tuples(LONG, st.booleans(), st.integers(-50 * DAY, 50 * DAY)), max_size=8))
def test_it_never_goes_back(story: list[tuple[int, bool, int]]) -> None:
    with patched() as machine:
        now, last_t = going_on(None), 0
        for number, (runs_ns, reboot, wall_ns) in enumerate(story):
            start = started(now)
            assert start.t_ns >= last_t
            machine.passes(runs_ns)
            last_t, last_utc = now.steady_ns(), now.utc_ns()
            if reboot:
                machine.reboots(f"boot {number}", wall_ns)
            else:
                machine.utc += wall_ns
            now = going_on(start, last_t, last_utc)
            assert last_t <= now.steady_ns() <= last_t + MOST_DOWNTIME_NS


def test_this_machine_s_own_clock() -> None:
    first = going_on(None)
    start = started(first)
    assert 0 <= start.t_ns < 60 * S
    last = first.steady_ns()
    second = going_on(start, last, first.utc_ns())
    assert second.boot == first.boot
    assert second.steady_ns() >= last
    assert len(first.boot.partition("@")[0]) == len(Path("/proc/sys/kernel/random/boot_id").read_text().strip())


@pytest.mark.parametrize(
    ("wall_ns", "step_ms"), [(3600 * S, 3_600_000), (-3300 * S, -3_300_000), (S - 1, 0), (-S, -1000)]
)
def test_a_step_is_told_once_and_drift_never(machine: Machine, wall_ns: int, step_ms: int) -> None:
    now = going_on(None)
    for _ in range(100):
        machine.passes(S // 5)
        machine.utc += S // 1000  # 5,000 ppm, far more than any crystal
        assert now.step_ms() == 0
    machine.passes(S // 5)
    machine.utc += wall_ns
    assert [now.step_ms(), now.step_ms()] == [step_ms, 0]


def test_a_step_while_the_watch_was_down_is_told_at_its_first_scan(machine: Machine) -> None:
    first = going_on(None)
    machine.passes(60 * S)
    start, last_t, last_utc = started(first), first.steady_ns(), first.utc_ns()
    machine.passes(5 * S)
    assert going_on(start, last_t, last_utc).step_ms() == 0
    machine.utc += 7200 * S
    assert going_on(start, last_t, last_utc).step_ms() == 7_200_000
    machine.reboots("second", 90 * S)
    assert going_on(start, last_t, last_utc).step_ms() == 0  # a plausible downtime, as far as anybody can tell
    machine.utc = 5 * S
    assert going_on(start, last_t, last_utc).step_ms() < -(50 * 365 * 86_400_000)
