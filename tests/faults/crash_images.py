"""Crash images of a record: each must open, verify, and hold all that had been acknowledged as durable by then."""

import os
import random
import re
import shutil
import sqlite3
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from brakewater.record.anchor import Anchor
from brakewater.record.cursors import Cursors
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.record.verify import verify
from faults.disk_log import Disk, Note, notes_in
from record_streams import start

TESTS = Path(__file__).parents[1]
KEY = Ed25519PrivateKey.from_private_bytes(b"1" * 32)
_HEAD = re.compile(rb'\{"run":\s?(\d+),\s?"commit":\s?(\d+),\s?"hash":\s?"([0-9a-f]{64})"')
_EVENT = re.compile(
    rb'/event.{0,8}?\{"run":\s?(\d+),\s?"input":\s?\d+,\s?"n":\s?(\d+),.{0,2000}?"hash":\s?"([0-9a-f]{64})"', re.DOTALL
)


@dataclass(slots=True)
class Told:
    """What was acknowledged or shown outside up to some place in the notes."""

    heads: dict[tuple[int, int], set[str]] = field(default_factory=dict)
    events: dict[tuple[int, int], str] = field(default_factory=dict)
    """Run and n -> hash of the commit."""

    def take(self, note: Note) -> None:
        """Heads of the chain in acknowledgements and on the wire, events on the wire."""
        for run, commit, link in _HEAD.findall(note.data):
            self.heads.setdefault((int(run), int(commit)), set()).add(link.decode())
        for run, n, link in _EVENT.findall(note.data):
            self.events[int(run), int(n)] = link.decode()


def pem(private: Ed25519PrivateKey) -> str:
    """As the daemon takes it."""
    form = serialization.PrivateFormat.PKCS8
    return private.private_bytes(serialization.Encoding.PEM, form, serialization.NoEncryption()).decode()


def recorder(folder: Path) -> Path:
    """Compile the recorder; gives the library to preload."""
    made = folder / "write_recorder.so"
    source = TESTS / "faults" / "write_recorder.c"
    subprocess.run(["gcc", "-shared", "-fPIC", "-O2", "-Wall", "-o", str(made), str(source)], check=True)
    return made


def watched(library: Path, record: Path, log: Path, acks: Path | None = None) -> dict[str, str]:
    """Environment of a process whose writes are to be noted."""
    return {
        **os.environ,
        "LD_PRELOAD": str(library),
        "CRASH_ROOT": str(record.resolve()),
        "CRASH_LOG": str(log),
        **({"CRASH_ACKS": str(acks)} if acks else {}),
        "BRAKEWATER_SIGNING_KEY": pem(KEY),
        "PYTHONPATH": str(TESTS),
    }


def noted_load(folder: Path, runs: int, pause_s: float = 0.0) -> tuple[Path, Path]:
    """Record and seal under load with every write noted; gives the record and the notes."""
    record, log, acks = (folder / "record").resolve(), folder / "log", folder / "acks"
    record.mkdir()
    words = [sys.executable, str(TESTS / "faults" / "crash_load.py"), str(record), str(acks), str(runs), str(pause_s)]
    subprocess.run(words, env=watched(recorder(folder), record, log, acks), check=True, timeout=120)
    return record, log


def images(
    record: Path,
    log: Path,
    count: int,
    seed: int,
    folder: Path,
    kept: Path,
    check: Callable[[Path, Told], None],
    *,
    lying: bool = False,
) -> Counter[str]:
    """Make crash images at random places in the notes and check each.

    Raises:
        AssertionError: an image is not as it must be; names place and seed. The image as the power cut left it, and the
            notes that it was made of, are in ``kept``: the next run's notes are others.
    """
    notes = list(notes_in(log))
    chance = random.Random(seed)
    places = sorted(chance.randint(1, len(notes)) for _ in range(count))
    disk, told, at = Disk(record, lying=lying), Told(), 0
    tally: Counter[str] = Counter(notes=len(notes))
    for number, place in enumerate(places):
        for note in notes[at:place]:
            disk.take(note)
            if note.kind in "AN":
                told.take(note)
        at = place
        loose = bool(number % 2)
        image = folder / f"image-{number}"
        disk.leave(image, random.Random(f"{seed} {number}"), loose=loose)
        try:
            check(image, told)
        except Exception as error:
            how = "loose" if loose else "ordered"
            disk.leave(kept / image.name, random.Random(f"{seed} {number}"), loose=loose)  # the check goes on with it
            shutil.copy(log, kept / "notes")
            raise AssertionError(
                f"{image.name} at note {place} of {len(notes)}, seed {seed}, {how}; kept in {kept}: {error}"
            ) from error
        shutil.rmtree(image)
        tally["loose" if loose else "ordered"] += 1
    tally["heads"], tally["events"] = len(told.heads), len(told.events)
    return tally


def check_record(image: Path, told: Told) -> None:
    """It opens, is consistent, holds what was told, and can be gone on with."""
    public = KEY.public_key().public_bytes_raw().hex()
    report = verify(image, keys=[public], anchor=Anchor(heads=dict(told.heads)) if told.heads else None)
    assert not report.altered, "\n".join(map(str, report.altered))
    assert report.heads_outside == len(told.heads), f"{report.heads_outside} of {len(told.heads)} heads"
    record = Record(image)
    hashes = {(one.event.run, one.event.n): one.hash for one in record.events()}
    lost = {place: link for place, link in told.events.items() if hashes.get(place) != link}
    assert not lost, f"events that were published are not in the record: {lost}"
    for file in sorted((image / "hot").glob("*.sqlite3")):
        with closing(sqlite3.connect(file)) as base:
            assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",), file
    with Cursors(image) as cursors:
        cursors.set("after", (1, 1))
    assert not (image / "cursors.damaged").exists(), "every follower would begin again"
    _goes_on(image, max((run for run, _ in told.heads), default=0))


def _goes_on(image: Path, newest: int) -> None:
    record = Record(image)
    run, head = record.next_run(), record.head()
    assert run > newest, f"run {run} would be used twice"
    with Journal(image) as journal:
        journal.begin(start(run))
    after = verify(image)
    assert not after.altered, "\n".join(map(str, after.altered))
    assert after.head is not None
    assert after.head.run == run
    assert head is None or Record(image).runs()[-2:] == [head.run, run]


def tell(rows: Iterable[tuple[str, Counter[str]]]) -> None:
    """Print each load's row as soon as its images are checked, so that a run that is cut off has told what it did."""
    print(f"{'load':<34}{'notes':>9}{'images ordered':>16}{'images loose':>14}{'heads told':>12}{'events told':>13}")
    for name, one in rows:
        counts = f"{one['notes']:>9,}{one['ordered']:>16,}{one['loose']:>14,}{one['heads']:>12,}{one['events']:>13,}"
        print(f"{name:<34}{counts}", flush=True)
