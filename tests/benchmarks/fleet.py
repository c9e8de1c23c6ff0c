"""What a study of a fleet costs, and what more workers bring: the same rigs by one process, by several, and on Dask.

    cd tests && python -m benchmarks.fleet                           four rigs, an hour of a trip in each, five runs
    cd tests && python -m benchmarks.fleet --rigs 8 --hours 4 --write    and keeps it as tests/results/DATE-fleet.txt

All ways are run in turn, as many times as ``--runs`` says; times are medians, a speed-up is the median of those run by
run. Processor time is that of all processes of a way, its start taken out: what a record of ten scans costs that way.
On a busy machine, or with minutes of record only, that difference is noise: give it hours, and quiet.
Exit status 1 where an answer differs by a bit from that of one process.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import psutil

from benchmarks.history import _commit
from brakewater.record.sealing.seal import seal
from brakewater_sim.cli import main as simulate
from brokers import HOST, free_port, until

RESULTS: Final = Path(__file__).parents[1] / "results"
SETTING: Final = "aux.cooling-flow-low.setpoint=95 gal/min"
DAY_S, YEAR_DAYS = 86_400.0, 365


@dataclass(slots=True, kw_only=True)
class Way:
    """One way to study the fleet, and what its runs took."""

    name: str
    words: tuple[str, ...]
    helpers: tuple[psutil.Process, ...] = ()
    """Dask's workers: what they take belongs to it."""
    took_s: list[float] = field(default_factory=list)
    processor_s: list[float] = field(default_factory=list)
    start_s: float = 0.0
    answers: set[str] = field(default_factory=set)

    def run(self, records: Sequence[Path]) -> tuple[float, float, str]:
        """Seconds, seconds of processor, and the answers as they were printed."""
        words = [sys.executable, "-m", "brakewater", "study", *map(str, records), "--set", SETTING, "--json"]
        before, began = self._processor(), time.perf_counter()
        said = subprocess.run([*words, *self.words], capture_output=True, text=True, check=True).stdout
        took_s, spent_s = time.perf_counter() - began, self._processor() - before
        return took_s, spent_s, json.dumps(json.loads(said)["records"])

    def _processor(self) -> float:
        own = os.times()
        helped = [one.cpu_times() for one in self.helpers]
        return own.children_user + own.children_system + sum(each.user + each.system for each in helped)


def fleet(folder: Path, rigs: int, seconds: float) -> list[Path]:
    """Records of a trip in, each with its own chance, sealed as an office would have them."""
    places = [folder / f"rig-{number}" for number in range(1, rigs + 1)]
    for seed, place in enumerate(places, 1):
        words = ["record", "trip-in", "--seed", str(seed), "--seconds", str(seconds), "-o", str(place)]
        if simulate(words):
            raise AssertionError(f"{place}: the simulator could not record")
        seal(place, 1)
    return places


def volume(records: Sequence[Path]) -> int:
    """Bytes of all of them."""
    return sum(file.stat().st_size for one in records for file in one.rglob("*") if file.is_file())


@contextmanager
def cluster(workers: int, folder: Path) -> Iterator[tuple[str, tuple[psutil.Process, ...]]]:
    """Scheduler and workers of Dask, a thread each; its address, and its processes."""
    folder.mkdir()
    port = free_port()
    address = f"tcp://{HOST}:{port}"
    with ExitStack() as stack:
        words = ("distributed.cli.dask_scheduler", "--host", HOST, "--port", str(port), "--no-dashboard")
        found = [stack.enter_context(_child(*words, log=folder / "scheduler"))]
        until(lambda: "Scheduler at" in (folder / "scheduler").read_text(), "the scheduler", within_s=120.0)
        for name in map(str, range(workers)):
            words = ("distributed.cli.dask_worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard")
            found.append(stack.enter_context(_child(*words, "--name", name, log=folder / name)))
        logs = [folder / str(name) for name in range(workers)]
        until(lambda: all("Registered to" in log.read_text() for log in logs), "the workers", within_s=120.0)
        yield address, tuple(found)


@contextmanager
def _child(*words: str, log: Path) -> Iterator[psutil.Process]:
    home = {**os.environ, "HOME": str(log.parent)}
    with log.open("wb") as out:
        process = subprocess.Popen([sys.executable, "-m", *words], stdout=out, stderr=out, cwd=log.parent, env=home)
        try:
            yield psutil.Process(process.pid)
        finally:
            process.kill()
            process.wait()


def measured(ways: Sequence[Way], records: Sequence[Path], tiny: Path, runs: int) -> None:
    """Every way, in turn, as often as asked for; first each on next to nothing, which also wakes its workers."""
    for way in ways:
        way.run([tiny, tiny])
        way.start_s = way.run([tiny, tiny])[1]
    for _ in range(runs):
        for way in ways:
            took_s, spent_s, answers = way.run(records)
            way.took_s.append(took_s)
            way.processor_s.append(spent_s - way.start_s)
            way.answers.add(answers)


def table(ways: Sequence[Way], rigs: int, seconds: float, size: int) -> list[str]:
    """A row a way."""
    first, days = ways[0], rigs * seconds / DAY_S
    lines = [f"{'way':<20} {'wall':>8} {'speed-up':>9} {'CPU a rig-day':>14} {'CPU a rig-year':>15}  answers"]
    for way in ways:
        speed = statistics.median(one / own for one, own in zip(first.took_s, way.took_s, strict=True))
        a_day = statistics.median(way.processor_s) / days
        same = "equal to the last bit" if way.answers == first.answers and len(way.answers) == 1 else "DIFFERENT"
        lines.append(
            f"{way.name:<20} {statistics.median(way.took_s):>6.2f} s {speed:>8.2f}x {a_day:>12.1f} s"
            f" {a_day * YEAR_DAYS / 3600:>13.2f} h  {same}"
        )
    return [*lines, f"read: {size / days / 1e6:.2f} MB a rig-day, {size / days * YEAR_DAYS / 1e9:.2f} GB a rig-year"]


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--rigs", type=int, default=4, metavar="N")
    parser.add_argument("--hours", type=float, default=1.0, metavar="H", help="of a trip in, each; at most 4.9")
    parser.add_argument("--runs", type=int, default=5, metavar="N")
    parser.add_argument("--write", action="store_true", help="keep the table under tests/results")
    args = parser.parse_args()
    seconds = args.hours * 3600
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        records = fleet(folder / "fleet", args.rigs, seconds)
        (tiny,) = fleet(folder / "tiny", 1, 2.0)
        ways = [Way(name=f"{n} process{'es' * (n > 1)}", words=("--workers", str(n))) for n in (1, 2)]
        for n in (1, 2):
            address, helpers = stack.enter_context(cluster(n, folder / f"dask-{n}"))
            words = ("--cluster", address)
            ways.append(Way(name=f"Dask, {n} worker{'s' * (n > 1)}", words=words, helpers=helpers))
        measured(ways, records, tiny, args.runs)
        rows = table(ways, args.rigs, seconds, volume(records))
    load = f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}"
    when = f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC, commit {_commit()}, {load}, median of {args.runs} runs"
    asked = f"--rigs {args.rigs} --hours {args.hours:g} --runs {args.runs}"
    lines = [
        f"{args.rigs} rigs, {args.hours:g} h of a trip in each, 5 scans/s, sealed; {when}",
        f"Command: cd tests && python -m benchmarks.fleet {asked} --write",
        "",
        *rows,
    ]
    print("\n".join(lines))
    if args.write:
        (RESULTS / f"{datetime.now(UTC):%Y-%m-%d}-fleet.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 1 if any(way.answers != ways[0].answers or len(way.answers) != 1 for way in ways) else 0


if __name__ == "__main__":
    sys.exit(main())
