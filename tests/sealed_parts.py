"""Records with closed segments, and their sealed folders."""

import json
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from brakewater.record.journal import Journal
from brakewater.record.sealed.layout import FILES, MANIFEST, sealed_path
from brakewater.record.sealed.manifest import file_sum
from brakewater.record.sealed.read import Sealed
from brakewater.record.sealed.write import write_segment
from brakewater.record.segment import segment_path
from day_record import rig, scans
from record_streams import UTC, block, command, event, gap, start

RIG = rig()


def two_runs(folder: Path) -> None:
    """A closed run of all kinds of input, and a newer one."""
    with Journal(folder) as journal:
        journal.begin(start(1))
        journal.append(block(1, 1, 300), (event(1, 7, 1), event(1, 8, 2)))
        assert journal.wait_committed(5)
        journal.append(command(1, 301, {"alarm": "aux.cooling-lost", "odd": 1.0}), (event(1, 301, 3),))
        journal.append(gap(1, 302, (0, 5, 6)))
        assert journal.wait_committed(5)
        journal.append(block(1, 303, 40))
        assert journal.wait_committed(5)
        journal.append(command(1, 343))
        journal.begin(start(2))
        journal.append(block(2, 1, 5))


def put_in_place(folder: Path, run: int = 1) -> Sealed:
    """Write the sealed folder of a run where it belongs; the hot file stays."""
    place = sealed_path(folder, run, UTC)
    place.mkdir(parents=True)
    write_segment(segment_path(folder, run), run, place)
    return Sealed(place)


def many_runs(folder: Path, count: int, first: int = 1) -> None:
    """So many runs with a valid rig file, the last of them open to be the newest."""
    with Journal(folder) as journal:
        for run in range(first, first + count):
            journal.begin(start(run, rig_toml=RIG.text, own=RIG.own, snapshot=b""))
            journal.append(scans(RIG, 1, 700, run), (event(run, 7, 1),))
            journal.append(command(run, 701))
            journal.append(scans(RIG, 702, 300, run))


def summed_anew(sealed: Path) -> None:
    """As someone does who knows of the checksums."""
    doc = json.loads((sealed / MANIFEST).read_text())
    for name in FILES:
        found = file_sum(sealed / name)
        doc["files"][name] = {"bytes": found.size, "sha256": found.sha256}
    (sealed / MANIFEST).write_text(json.dumps(doc))


def rewritten(file: Path, change: Callable[[pa.Table], pa.Table]) -> None:
    table = pq.read_table(file)
    pq.write_table(change(table).cast(table.schema), file, compression="zstd")
