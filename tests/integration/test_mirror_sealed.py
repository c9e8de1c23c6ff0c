"""The mirror sends on what was sealed meanwhile, and the watch stays small: another process reads it."""

import gc
import shutil
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from brakewater.errors import DamagedRecordError, StorageError
from brakewater.record.lanes import Lane
from brakewater.record.reader import Record
from brakewater.record.sealed.apart import NotYetError, Unsealing
from brakewater.record.sealing.due import seal_due
from brakewater.record.sealing.seal import seal
from brakewater.record.segment import segment_path
from brakewater.stream import Block
from brokers import free_port, until
from daemons import SmallDevice, daemon, serving, small_rig
from mirror_parts import RIG, SECOND, Scripted, due, incident, parsed, write
from record_streams import flat
from streams import UTC

pytestmark = pytest.mark.integration
BEGIN = (0, -1)


@pytest.fixture
def sealed(tmp_path: Path) -> Path:
    """Three runs of one boot, the first two of them sealed."""
    folder = tmp_path / "record"
    folder.mkdir()
    for run in (1, 2, 3):
        write(folder, incident(600, run=run, t0=run * 1000 * SECOND, utc0=UTC + run * 1000 * SECOND))
    assert seal_due(folder) == []
    assert [span.sealed for span in Record(folder).spans()] == [True, True, False]
    return folder


@pytest.fixture(autouse=True)
def _no_process_is_left() -> Iterator[None]:
    before = set(psutil.Process().children())
    yield
    gc.collect()
    assert set(psutil.Process().children()) == before


@pytest.mark.parametrize(("after", "block"), [(None, 8192), ((1, 37), 240)])
def test_it_reads_the_same_as_here(sealed: Path, after: tuple[int, int] | None, block: int) -> None:
    here = list(Record(sealed).inputs(after=after, block=block))
    there = list(Record(sealed, Unsealing()).inputs(after=after, block=block))
    assert flat(there) == flat(here)
    assert [len(item) for item in there if isinstance(item, Block)] == [
        len(item) for item in here if isinstance(item, Block)
    ]


def test_who_asks_again_goes_on_where_it_was(sealed: Path) -> None:
    record, seen, found, waits = Record(sealed, Unsealing(0.0)), (1, -1), [], 0
    while True:
        try:
            for item in record.inputs(after=seen, block=100):
                found.append(item)
                seen = item.run, int(item.input[-1]) if isinstance(item, Block) else item.input
            break
        except NotYetError:
            waits += 1
            assert len(psutil.Process().children()) == 1, "the same process goes on"
            time.sleep(0.01)
    assert waits > 0
    assert flat(found) == flat(list(Record(sealed).inputs()))


def test_it_ends_with_who_asked(sealed: Path) -> None:
    items = Record(sealed, Unsealing()).inputs()
    next(items)
    assert len(psutil.Process().children()) == 1
    items.close()  # type: ignore[attr-defined]
    assert psutil.Process().children() == []
    asked = Unsealing(0.0)
    with pytest.raises(NotYetError):
        next(Record(sealed, asked).inputs())
    asked.close()
    assert psutil.Process().children() == []


def test_damage_is_told_as_it_is_here(sealed: Path) -> None:
    (scans,) = sealed.glob("segments/*/*/*/00000001/scans.parquet")
    scans.write_bytes(scans.read_bytes()[:-100])
    with pytest.raises(DamagedRecordError) as here:
        list(Record(sealed).inputs(to_run=1))
    with pytest.raises(DamagedRecordError) as there:
        list(Record(sealed, Unsealing()).inputs(to_run=1))
    assert str(there.value) == str(here.value)


def test_a_process_that_is_killed_is_told(sealed: Path) -> None:
    items = Record(sealed, Unsealing()).inputs(block=1)
    next(items)
    (child,) = psutil.Process().children()
    child.kill()
    with pytest.raises(StorageError, match="the process that reads it ended"):
        list(items)


def sent(lane: Lane) -> list[bytes]:
    """All its lines, waiting for the other process as long as it takes."""
    lines: list[bytes] = []
    while (parcel := lane.next()) is not None or lane.batches.reading:
        if parcel is not None:
            lines += parcel.lines
            lane.taken()
    return lines


def test_a_run_that_is_sealed_under_a_lane_gives_the_same_lines(tmp_path: Path) -> None:
    """Sealed and its hot file deleted before the lane begins, while it reads, and while it goes back."""
    record, folder = tmp_path / "hot", tmp_path / "record"
    first, later = incident(600, utc0=UTC), incident(300, run=2, t0=400 * SECOND, utc0=UTC + 400 * SECOND)
    write(record, [*first, *later])
    shutil.copytree(record, folder)
    whole = sorted(sent(Lane(record, 0, 15 * SECOND, BEGIN)))
    reading, late = Lane(folder, 0, 15 * SECOND, BEGIN), Lane(folder, 0, 15 * SECOND, (1, 217))
    assert reading.next() is not None
    seal(folder, 1)
    assert not segment_path(folder, 1).exists()
    assert sorted(sent(reading)) == whole
    assert sorted(sent(late)) == sorted(sent(Lane(record, 0, 15 * SECOND, (1, 217))))
    again = Lane(folder, 0, 15 * SECOND, BEGIN)
    while (parcel := again.next()) is None:
        assert again.batches.reading
    again.taken()
    again.read_again()
    assert sorted(parcel.lines + sent(again)) == whole


@pytest.mark.timeout(600)  # a process is begun for each sealed day
def test_a_watch_whose_mirror_is_owed_sealed_days_does_not_load_what_reads_them(sealed: Path, tmp_path: Path) -> None:
    wanted = due(list(Record(sealed).inputs()), 0)
    device = SmallDevice(free_port())
    with Scripted().up() as server, serving(device):
        rig = small_rig(tmp_path / "rig.toml", device=device.port)
        text = rig.read_text().replace('"rig-9"', f'"{RIG.name}"')  # whose record it goes on with
        rig.write_text(text + f'\n[mirror.base]\nurl = "{server.url}"\nevery = "0 s"\n')
        with daemon(rig, sealed) as watch:
            until(lambda: not wanted.keys() - parsed(server.lines).keys(), "every point arrives", within_s=300)
            until(lambda: watch.status()["mirrors"]["base"]["owed"] == 0, within_s=120)
            process = psutil.Process(watch.process.pid)
            assert not [one.path for one in process.memory_maps() if "arrow" in one.path]
            assert process.children() == []
            print(f"resident memory of the watch {process.memory_info().rss / 2**20:.0f} MiB")
    got = parsed(server.lines)
    assert {key: got[key] for key in wanted} == wanted
    assert "pyarrow" in sys.modules, "and this test can tell: sealing loaded it here"
    assert [one.path for one in psutil.Process().memory_maps() if "arrow" in one.path]
