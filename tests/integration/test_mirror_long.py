"""The mirror over long outages and many kills, in a whole daemon: every point arrives, read back and compared.

bash tests/run.sh long -k mirror_long -s      prints the table
"""

import gzip
import http.client
import os
import random
import threading
import time
from bisect import bisect_right
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from statistics import median

import psutil
import pytest

from brakewater.record.reader import Record
from brakewater.rig import Rig, load
from brokers import HOST, free_port, until
from daemons import Daemon, daemon, demo_rig_file, simulator
from mirror_parts import SECOND, Points, Victoria, differences, due, in_ms, incident, write

pytestmark = [pytest.mark.integration, pytest.mark.long]
DAY_S = 86_400
EVERY_S = 2
AWAY_DAYS = int(os.environ.get("BRAKEWATER_AWAY_DAYS", "7"))
MOST_FILES = 8
"""SQLite keeps descriptors of closed readers of the file that is written; a leak by each outage would be more."""
LIVE_NS = 10 * SECOND
"""After the server is back: what was committed until then is sent, or cut off as backlog."""
COMMIT_NS = SECOND
"""A scan is committed within it; what is sent meanwhile goes before no point that could have been."""
MOST_BEHIND = 8
"""Requests from then on: a parcel of the backlog is two, a busy machine commits later; the backlog is a thousand."""


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Victoria]:
    made = Victoria(tmp_path)
    yield made
    made.kill()


class Relay:
    """Passes requests on to the server, and notes how old the newest live line was when the server had taken it."""

    def __init__(self, server: Victoria) -> None:
        self.live_from_ns = self.back_ns = time.time_ns()
        """Labels after the first are live, before the second they are backlog."""
        self.amid = 0
        """Live points taken by the time that the last of the backlog was: later ones had nothing to wait for."""
        self.late_s: list[float] = []
        self.behind: list[int] = []
        """Requests that were taken between the time a live scan was committed at latest and its own."""
        self.bytes = 0
        self._taken_ns: list[int] = []
        relay = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                onward = http.client.HTTPConnection(HOST, server.port, timeout=10)
                onward.request("POST", self.path, body, dict(self.headers))
                status = onward.getresponse().status
                onward.close()
                relay.note(body)
                self.send_response(status)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self._http = ThreadingHTTPServer((HOST, 0), Handler)
        self._http.daemon_threads = True
        self.url = f"http://{HOST}:{self._http.server_address[1]}"
        self._thread = threading.Thread(target=self._http.serve_forever, kwargs={"poll_interval": 0.05})

    def note(self, body: bytes) -> None:
        now, self.bytes = time.time_ns(), self.bytes + len(body)
        times = [int(line.rsplit(b" ", 1)[1]) for line in gzip.decompress(body).split(b"\n")]
        live = [ns for ns in sorted(set(times)) if ns > self.live_from_ns]
        self.late_s += [(now - ns) / 1e9 for ns in live]
        self.behind += [len(self._taken_ns) - bisect_right(self._taken_ns, ns + COMMIT_NS) for ns in live]
        self._taken_ns.append(now)
        if min(times) < self.back_ns:
            self.amid = len(self.late_s)

    @property
    def requests(self) -> int:
        return len(self._taken_ns)

    @contextmanager
    def up(self) -> Iterator["Relay"]:
        self._thread.start()
        try:
            yield self
        finally:
            self._http.shutdown()
            self._thread.join()
            self._http.server_close()


@dataclass(slots=True)
class Memory:
    """Resident memory of the daemon over the run, MiB, and its descriptors."""

    process: psutil.Process
    seen: list[float] = field(default_factory=list)
    files: list[int] = field(default_factory=list)

    def look(self) -> None:
        self.seen.append(self.process.memory_info().rss / 2**20)
        self.files.append(self.process.num_fds())

    def parts(self) -> tuple[float, float]:
        """The most of the second and of the last quarter."""
        quarter = max(1, len(self.seen) // 4)
        return max(self.seen[quarter : 2 * quarter]), max(self.seen[-quarter:])

    def more_files(self) -> int:
        """By how much the median of open descriptors has grown from the second to the last quarter."""
        quarter = max(1, len(self.files) // 4)
        return round(median(self.files[-quarter:]) - median(self.files[quarter : 2 * quarter]))


def rig_file(folder: Path, url: str, device: int, rate: int) -> Path:
    """The demo rig at a scan a second, with a mirror and no broker."""
    file = demo_rig_file(folder / "rig.toml", device=device, broker=free_port())
    text = file.read_text()
    head, _, tail = text.partition("[mqtt]")
    text = head.replace('scan = "200 ms"', 'scan = "1 s"') + tail[tail.index("[people]") :]
    file.write_text(f'{text}\n[mirror.base]\nurl = "{url}"\nevery = "{EVERY_S} s"\nbacklog-rate = {rate}\n')
    return file


def past(folder: Path, rig: Rig, runs: int, scans: int) -> int:
    """Record runs that end just before now, a boot each; gives the first wall time."""
    first = time.time_ns() // SECOND * SECOND - runs * (scans + 60) * SECOND - 30 * SECOND + 123_000_000
    for run in range(1, runs + 1):
        ago = (run - 1) * (scans + 60) * SECOND
        inputs = incident(scans, run=run, t0=SECOND + ago, utc0=first + ago, rig=rig, boot=f"boot-{run}@0")
        write(folder, inputs, piece=8192)
    return first


def compared(record: Path, server: Victoria, until_ns: int) -> tuple[int, int]:
    """Run by run, what the server has against what the record gives up to a time; (points, values) compared."""
    points = values = 0
    for run in Record(record).runs():
        inputs = list(Record(record).inputs(from_run=run, to_run=run))
        every = due(inputs, EVERY_S * SECOND)
        wanted = in_ms({key: fields for key, fields in every.items() if key[2] < until_ns})
        got = window(server, wanted)
        wrong = differences(got, wanted)
        assert wrong == [], f"run {run}: {len(wrong)} of {len(wanted)}, first {wrong[:3]}"
        points, values = points + len(wanted), values + sum(map(len, wanted.values()))
    return points, values


def window(server: Victoria, wanted: Points) -> Points:
    times = [ms for _, _, ms in wanted]
    return server.points(min(times), max(times))


def caught_up(watch: Daemon, memory: Memory, within_s: float) -> float:
    """Wait until nothing is owed; gives how long it took."""
    began = time.monotonic()
    while True:
        found = watch.status()["mirrors"]["base"]
        memory.look()
        if found["backlog_ns"] < 3 * SECOND and not found["owed"] and found["last_error"] is None:
            return time.monotonic() - began
        assert time.monotonic() - began < within_s, found
        time.sleep(0.5)


def settled(watch: Daemon) -> int:
    """Wait until all that is recorded by now is sent; gives this moment."""
    now = time.time_ns()
    time.sleep(3 * EVERY_S)
    until(lambda: watch.status()["mirrors"]["base"]["backlog_ns"] < (EVERY_S + 2) * SECOND, "the last scans")
    return now


@pytest.mark.timeout(7200)
def test_away_for_a_week_and_back(tmp_path: Path, server: Victoria) -> None:
    relay, record = Relay(server), tmp_path / "record"
    device = free_port()
    file = rig_file(tmp_path, relay.url, device, rate=5000)
    rig = load(file)
    record.mkdir()
    past(record, rig, AWAY_DAYS, DAY_S - 60)
    server.start()
    with simulator(file, "trip-in"), daemon(file, record) as watch:
        memory = Memory(psutil.Process(watch.process.pid))
        until(lambda: watch.status()["mirrors"]["base"]["last_error"] is not None, "nobody there", within_s=60)
        relay.back_ns = time.time_ns()
        relay.live_from_ns = relay.back_ns + LIVE_NS
        with relay.up():
            took_s = caught_up(watch, memory, 1800)
            amid = relay.amid
            until_ns = settled(watch)
            watch.end()
        time.sleep(3)
        points, values = compared(record, server, until_ns)
    late, behind = sorted(relay.late_s[:amid]), sorted(relay.behind[:amid])
    before, after = memory.parts()
    assert len(late) > 3 * AWAY_DAYS, f"{len(late)} live points amid the backlog say little: one day gave 24"
    print(
        f"\nserver away for {AWAY_DAYS} days, then back: {points} points, {values} values, none missing, none wrong;"
        f" caught up in {took_s:.0f} s, {relay.bytes / 2**20:.0f} MiB sent;"
        f"\nlive points amid the backlog: {len(late)}, latest {late[-1]:.2f} s, median {late[len(late) // 2]:.2f} s,"
        f" at most {behind[-1]} of {relay.requests} requests after its commit was due;"
        f" resident memory {before:.0f} MiB early, {after:.0f} MiB late; {memory.more_files():+} descriptors"
    )
    assert behind[len(behind) * 99 // 100] <= MOST_BEHIND
    assert after < before + 10
    assert memory.more_files() < MOST_FILES


@pytest.mark.timeout(7200)
def test_killed_twenty_times_while_receiving(tmp_path: Path, server: Victoria) -> None:
    chance, record, device = random.Random(4), tmp_path / "record", free_port()
    file = rig_file(tmp_path, server.url, device, rate=400)
    rig = load(file)
    record.mkdir()
    past(record, rig, 3, 15_000)
    server.start()
    with simulator(file, "trip-in"), daemon(file, record) as watch:
        memory = Memory(psutil.Process(watch.process.pid))
        for _ in range(20):
            had = watch.status()["mirrors"]["base"]["sent"]
            until(lambda had=had: watch.status()["mirrors"]["base"]["sent"] > had, "receiving", within_s=60)
            time.sleep(chance.uniform(0.2, 4.0))
            memory.look()
            server.kill()
            time.sleep(chance.uniform(0.0, 1.5))
            server.start()
        took_s = caught_up(watch, memory, 900)
        returns, sent = (watch.status()["mirrors"]["base"][key] for key in ("returns", "sent"))
        until_ns = settled(watch)
        watch.end()
        time.sleep(3)
        points, values = compared(record, server, until_ns)
    before, after = memory.parts()
    print(
        f"\nserver killed 20 times while receiving: {points} points, {values} values, none missing, none wrong;"
        f" went back {returns} times, {sent} lines sent, level {took_s:.0f} s after the last kill;"
        f" resident memory {before:.0f} MiB early, {after:.0f} MiB late; {memory.more_files():+} descriptors"
    )
    assert returns >= 10
    assert after < before + 10
    assert memory.more_files() < MOST_FILES
