"""kill -9 at random moments while journal, sealing and mirror are all at work, hundreds of times on one record.

This does not show what a power cut does (the page cache outlives a process): see test_crash_images.py for that.
"""

import contextlib
import hashlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest

from brakewater.record.mirror import MirrorWorker
from brakewater.record.reader import Record
from brakewater.record.sealing.due import seal_due
from brakewater.record.verify import verify
from brakewater.stream import Block, Start
from brokers import until
from daemons import here
from mirror_parts import Answers, Scripted, mirror
from record_streams import flat

ROUNDS = int(os.environ.get("BRAKEWATER_KILLS", "500"))
MOST_S = float(os.environ.get("BRAKEWATER_KILLS_S", "inf"))
"""No further round begins after so long; the table says how many there were."""
WHOLE_EVERY = 25
"""So many rounds apart the whole record is verified; each round what it has added is read."""
SEALING_EVERY = 3
"""So many rounds apart a kill waits for a sealing to fall into."""
PATIENCE_S = 8.0
TESTS = Path(__file__).parents[1]

pytestmark = [pytest.mark.integration, pytest.mark.long]


class Arrived(Scripted):
    """Keeps only which points came, not the lines."""

    def __init__(self) -> None:
        super().__init__()
        self.keys: set[tuple[str, str]] = set()
        self.script = self._take

    def _take(self, _number: int, lines: list[str]) -> Answers:
        self.keys |= {(head, ns) for head, _, ns in (line.split(" ") for line in lines)}
        self.requests.clear()
        return Answers(keep=False)


def one_round(folder: Path, url: str, chance: random.Random, *, sealing: bool) -> tuple[int, int, int]:
    """Go on, kill with all children, and give the last acknowledged run, input and event.

    With ``sealing`` the kill falls while a segment is being sealed, if that comes about in time.
    """
    words = [sys.executable, str(TESTS / "faults" / "kill_load.py"), str(folder), url]
    child = subprocess.Popen(
        words,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(TESTS), os.environ.get("PYTHONPATH", "")])},
        start_new_session=True,
    )
    assert child.stdout is not None
    first = child.stdout.readline()
    if sealing:
        await_draft(folder)
    time.sleep(chance.uniform(0, 0.1 if sealing else 3))
    os.killpg(child.pid, signal.SIGKILL)
    out, errors = child.communicate(timeout=10)
    assert child.returncode == -signal.SIGKILL, errors.decode()
    told = [tuple(map(int, line.split())) for line in (first + out).decode().rsplit("\n", 1)[0].splitlines()]
    last = max(one[:2] for one in told)
    return last[0], last[1], max(one[2] for one in told if one[0] == last[0])


def half_sealed(folder: Path) -> set[tuple[Path, int]]:
    """Segments that are half sealed, by folder and inode: one that is begun anew is another."""
    found = set()
    for draft in (folder / "segments").glob(".sealing-*"):
        with contextlib.suppress(FileNotFoundError):
            found.add((draft, draft.stat().st_ino))
    return found


def await_draft(folder: Path) -> None:
    """Until a segment begins to be sealed that was not left half sealed before, or patience ends."""
    before, ends = half_sealed(folder), time.monotonic() + PATIENCE_S
    while time.monotonic() < ends and not half_sealed(folder) - before:
        time.sleep(0.005)


def check_round(folder: Path, first_run: int, told: tuple[int, int, int], digests: dict[int, str]) -> None:
    """No hole, no double, nothing acknowledged is lost; keeps what each run held, to compare when it is sealed."""
    record, last = Record(folder), dict[int, int]()
    for run in [run for run in record.runs() if run >= first_run]:
        rows = list(record.inputs(from_run=run, to_run=run))
        for item in rows:
            number = 0 if isinstance(item, Start) else int(item.input[0]) if isinstance(item, Block) else item.input
            assert number == last.get(run, -1) + 1
            last[run] = int(item.input[-1]) if isinstance(item, Block) else number
        digests[run] = digest(rows)
    assert last[told[0]] >= told[1]
    assert sum(1 for one in record.events(after=(told[0], 0), to_run=told[0])) >= told[2]
    assert record.next_run() == max(last) + 1


def digest(rows: list[object]) -> str:
    return hashlib.sha256(repr(flat(rows)).encode()).hexdigest()  # type: ignore[arg-type]


@pytest.mark.timeout(600 + 10 * ROUNDS)
def test_kills_under_full_load(tmp_path: Path) -> None:
    folder, chance, digests, tally = tmp_path / "record", random.Random(ROUNDS), dict[int, str](), Counter[str]()
    folder.mkdir()
    with Arrived().up() as server:
        assert isinstance(server, Arrived)
        ends = time.monotonic() + MOST_S
        for number in range(1, ROUNDS + 1):
            if time.monotonic() > ends:
                break
            tally["kills"] += 1
            first_run, before = Record(folder).next_run(), half_sealed(folder)
            told = one_round(folder, server.url, chance, sealing=number % SEALING_EVERY == 0)
            tally["killed while sealing"] += bool(half_sealed(folder) - before)
            check_round(folder, first_run, told, digests)
            if number % WHOLE_EVERY == 0:
                report = verify(folder)
                assert report.verdict == "consistent", report.altered
                print(
                    f"{number} kills, {report.runs} runs, {report.inputs} inputs, {report.events} events,"
                    f" {tally['killed while sealing']} while sealing",
                    flush=True,
                )
        due = due_keys(folder)
        arrive(folder, server, due)
        events = {key for key in server.keys if key[0].startswith("brakewater_event")}
        assert events <= due, f"mirrored, and not in the record: {sorted(events - due)[:5]}"
        (folder / "cursors.sqlite3").unlink()  # the mirror is through, and need not keep its margin hot
        assert seal_due(folder) == []
        assert_agrees(folder, digests)
    report = verify(folder)
    assert report.verdict == "consistent", report.altered
    replayed = here("replay", folder, "--compare", "--json")
    assert replayed.returncode == 0, replayed.stdout[-2000:] + replayed.stderr
    assert json.loads(replayed.stdout.splitlines()[-1])["identical"] is True
    assert tally["killed while sealing"] > 0 or tally["kills"] < 10 * SEALING_EVERY, "no kill fell into a sealing"
    sealed = sum(span.sealed for span in Record(folder).spans())
    print(
        f"kills {tally['kills']}, of them while a segment was being sealed {tally['killed while sealing']}\n"
        f"runs {report.runs}, sealed {sealed}, inputs {report.inputs}, events {report.events},"
        f" commits {report.commits}, points mirrored {len(server.keys)}\n"
        f"lost 0, holes 0, doubles 0, chain {report.verdict}, replay identical, sealed = hot for {len(digests)} runs"
    )


def arrive(folder: Path, server: Arrived, due: set[tuple[str, str]]) -> None:
    """Let the mirror come to the end of the record: every point that is due arrives."""
    worker = MirrorWorker("base", mirror(server.url), folder)
    worker.start()
    try:
        until(lambda: due <= server.keys, "every point arrives", within_s=1800)
    finally:
        worker.close(5)


def assert_agrees(folder: Path, digests: dict[int, str]) -> None:
    record = Record(folder)
    assert sum(span.sealed for span in record.spans()) >= len(digests) - 1
    for run, before in digests.items():
        assert digest(list(record.inputs(from_run=run, to_run=run))) == before, f"run {run} is not what it was"
    identities = [one.event.identity for one in record.events()]
    assert len(set(identities)) == len(identities)


def due_keys(folder: Path) -> set[tuple[str, str]]:
    """Measurement, tags and time of every event; and of the brake at every scan."""
    record = Record(folder)
    keys = set()
    for one in record.events():
        event = one.event
        tags = f"rig={event.rig},brake={event.brake or 'rig'},alarm={event.alarm}"
        keys.add((f"brakewater_event,{tags}", str(event.utc_ns)))
    for item in record.inputs():
        if isinstance(item, Block):
            keys |= {("brakewater,rig=rig-4,brake=aux", str(utc_ns)) for utc_ns in item.utc_ns.tolist()}
    return keys
