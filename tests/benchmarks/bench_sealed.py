"""A day sealed: time, memory, bytes; a month's window opened in a year; a replay over many days in little memory.

The day is ``day_record``: 432,000 scans, twelve points, noise of 2 to 15 counts. The year is that day, sealed once and
linked 365 times under other dates. ``BRAKEWATER_REPLAY_DAYS`` days of it are replayed: 7, since a year takes a while.
"""

import json
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

import day_record
from benchmarks.table import Row, seconds
from brakewater.record.reader import Record
from brakewater.record.sealed.layout import sealed_path, sealed_paths
from brakewater.review.replay import BLOCK
from brakewater.rig import Rig

POINTS = len(day_record.NOISE)
DAYS = 365
RUNS = 5
REPLAYED = int(os.environ.get("BRAKEWATER_REPLAY_DAYS", "7"))
SEAL_S, SEAL_MIB, OPEN_S, REPLAY_MIB = 20, 400, 1.0, 500
VALUE_BYTES, YEAR_GB, YEAR_VALUES_GB = 1.2, 2.5, 6.0
_CHILD = """
import resource, sys
from pathlib import Path
from brakewater.engine import Engine
from brakewater.record.reader import Record
from brakewater.review.replay import Tally, replayed
tally = Tally()
for _ in replayed(Record(Path(sys.argv[1])), Engine(), tally):
    pass
print(tally.scans, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""


def rows() -> Iterator[Row]:
    """All of it."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rig = day_record.rig()
        day_record.write_day(folder / "day", rig)
        shutil.copytree(folder / "day", folder / "values")
        yield from _sealed(folder / "day")
        place = sealed_paths(folder / "day")[1]
        yield from _sizes(rig, folder, place)
        _child(folder / "values", "--values")
        yield _allowed(
            "  the same with full-rate values, a year",
            _year_gb(sealed_paths(folder / "values")[1]),
            YEAR_VALUES_GB,
            "GB",
        )
        with _year(folder, place) as year:
            yield _allowed("a month's window of a year of days opened", _opened(year), OPEN_S, "s")
        with _year(folder, place, REPLAYED) as some:
            yield from _replayed(some)


def _allowed(what: str, found: float, most: float, unit: str) -> Row:
    return Row(what=what, ours=f"{found:,.2f} {unit}", floor=f"{most:g} {unit} allowed", ratio=found / most, target=1)


def _child(folder: Path, *more: str) -> tuple[float, float, float]:
    """Seconds, seconds of processor and MiB of sealing in its own process."""
    command = [sys.executable, "-m", "brakewater.record.sealing", str(folder), *more]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    took = seconds(lambda: subprocess.run(command, check=True, capture_output=True))
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return took, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, after.ru_maxrss / 1024


def _sealed(folder: Path) -> Iterator[Row]:
    """Five times, each on a copy of its own; the last one stays. Of each figure the median, of memory the most."""
    runs = []
    for run in range(1, RUNS + 1):
        copy = folder.with_name(f"day-{run}")
        shutil.copytree(folder, copy)
        runs.append(_child(copy))
        if run < RUNS:
            shutil.rmtree(copy)
    shutil.rmtree(folder)
    copy.rename(folder)
    took, processor = (statistics.median(figures) for figures in list(zip(*runs, strict=True))[:2])
    mib = max(figures[2] for figures in runs)
    yield _allowed(f"a day sealed and compared ({day_record.SCANS:,} scans)", took, SEAL_S, "s")
    yield _allowed("  its processor time (it runs at the lowest priority)", processor, SEAL_S, "s")
    yield _allowed("  its memory", mib, SEAL_MIB, "MiB")


def _sizes(rig: Rig, folder: Path, place: Path) -> Iterator[Row]:
    scans = (place / "scans.parquet").stat().st_size
    yield _allowed(
        f"bytes a value ({POINTS} points; raw, quality, times)", scans / day_record.SCANS / POINTS, VALUE_BYTES, "B"
    )
    for how, dictionary in (("its defaults", True), ("no dictionary", False)):
        plain = _plain(rig, folder / "plain.parquet", dictionary=dictionary)
        yield Row(
            what=f"  against plain zstd Parquet, {how}",
            ours=f"{scans / 1e6:.2f} MB",
            floor=f"{plain / 1e6:.2f} MB",
            ratio=scans / plain,
            target=0.45,
        )
    yield _allowed("  the whole segment, a year of days", _year_gb(place), YEAR_GB, "GB")


def _plain(rig: Rig, file: Path, *, dictionary: bool) -> int:
    """The same columns as the journal has them, by pyarrow's own ways."""
    parts = []
    for first in range(1, day_record.SCANS + 1, 8000):
        block = day_record.scans(rig, first, min(8000, day_record.SCANS + 1 - first))
        columns = {"input": block.input, "t_ns": block.t_ns, "utc_ns": block.utc_ns}
        columns |= {f"age{at}": block.age_ns[:, at] for at in range(block.age_ns.shape[1])}
        columns |= {f"word{at}": block.words[:, at] for at in range(block.words.shape[1])}
        columns |= {f"status{at}": block.status[:, at] for at in range(block.status.shape[1])}
        parts.append(pa.table({name: pa.array(values.copy()) for name, values in columns.items()}))
    pq.write_table(pa.concat_tables(parts), file, compression="zstd", use_dictionary=dictionary)
    return file.stat().st_size


def _year_gb(place: Path) -> float:
    return sum(file.stat().st_size for file in place.iterdir()) * DAYS / 1e9


@contextmanager
def _year(folder: Path, place: Path, days: int = DAYS) -> Iterator[Path]:
    """The day under as many dates, each with a run of its own."""
    year = folder / "year"
    doc = json.loads((place / "manifest.json").read_text())
    for day in range(days):
        begin_ns = day_record.UTC_NS + day * day_record.DAY_NS
        other = sealed_path(year, day + 1, begin_ns)
        other.mkdir(parents=True)
        for file in place.iterdir():
            if file.name != "manifest.json":
                os.link(file, other / file.name)
        span = {key: str(int(value) + day * day_record.DAY_NS) for key, value in doc["span"].items()}
        start = {key: str(int(value) + day * day_record.DAY_NS) for key, value in doc["start"].items()}
        changed = doc | {"run": day + 1, "span": span, "start": start}
        changed["steps"] = doc["steps"] | {"base_ns": str(int(doc["steps"]["base_ns"]) + day * day_record.DAY_NS)}
        (other / "manifest.json").write_text(json.dumps(changed))
    (year / "hot").mkdir()
    yield year
    shutil.rmtree(year)


def _opened(year: Path) -> float:
    """From nothing to the first scans of a month in the middle, in a process that has pyarrow loaded."""
    begin_ns = day_record.UTC_NS + 180 * day_record.DAY_NS

    def work() -> None:
        record = Record(year)
        spans = record.spans(begin_ns + 1, begin_ns + 30 * day_record.DAY_NS)
        assert len(spans) == 31, len(spans)
        items = record.inputs(from_run=spans[0].run, block=BLOCK)
        next(items)
        assert len(next(items)) > 0  # type: ignore[arg-type]

    return statistics.median(seconds(work) for _ in range(RUNS))


def _replayed(year: Path) -> Iterator[Row]:
    child = [sys.executable, "-c", _CHILD, str(year)]
    told: list[list[str]] = []

    def work() -> None:
        told.append(subprocess.run(child, check=True, capture_output=True, text=True).stdout.split())

    took = statistics.median(seconds(work) for _ in range(RUNS))
    scans, mib = int(told[0][0]), max(float(one[1]) for one in told)
    yield _allowed(f"memory of a replay of {scans:,} scans", mib, REPLAY_MIB, "MiB")
    yield Row(
        what="  its pace from sealed segments",
        ours=f"{scans / took:,.0f} scans/s",
        floor="100,000 scans/s wanted",
        ratio=scans / took / 100_000,
        target=1,
        at_least=True,
    )
