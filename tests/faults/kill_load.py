"""What is killed: engine, journal, sealing and mirror at work on a trip that goes wrong; goes on where it was.

Tells each commit on standard output. Called as: python kill_load.py RECORD MIRROR_URL
"""

import itertools
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

from brakewater.engine import Engine
from brakewater.record.cursors import Cursors
from brakewater.record.journal import Journal
from brakewater.record.mirror import MirrorWorker
from brakewater.record.reader import Record
from brakewater.record.writer import Committed
from brakewater.restart import restored
from brakewater.stream import Block, Input, Start
from mirror_parts import SECOND, incident, mirror

SCANS, PIECE = 240, 4
MARGIN_NS = SECOND // 5
"""Shorter than for a real server: what waits for a follower is not sealed, and a life lasts seconds."""
UTC = 1_927_938_245 * SECOND


def main(folder: Path, url: str) -> None:
    worker: list[MirrorWorker] = []

    def tell(made: Committed) -> None:
        print(made.run, made.last_input, made.last_event or 0, flush=True)
        for one in worker:
            one.committed()

    before, newest = restored(Record(folder)), Record(folder).newest()
    engine, snapshot, t_ns = before.engine, before.snapshot, newest[1] if newest else 0
    seal_on(folder)
    with Journal(folder, on_commit=tell, bound=5000) as journal, Cursors(folder):
        worker.append(MirrorWorker("base", mirror(url), folder, margin_ns=MARGIN_NS))
        worker[0].start()
        for run in itertools.count(before.run):
            inputs = incident(SCANS, run=run, t0=t_ns + SECOND, utc0=UTC + t_ns)
            for item in cut(inputs):
                given = replace(item, snapshot=snapshot) if isinstance(item, Start) else item
                outcome = engine.feed(given)
                if isinstance(given, Start):
                    journal.begin(given, outcome.events)
                else:
                    journal.append(given, outcome.events)
                    time.sleep(0.004)
            t_ns, snapshot, engine = engine.picture().t_ns, engine.state(), Engine()


def seal_on(folder: Path) -> None:
    """A program beside this one that seals what is due; the daemon's steps back so far that it would never have begun.

    It is killed with all of the process group.
    """
    subprocess.Popen([sys.executable, str(Path(__file__).with_name("seal_load.py")), str(folder)])


def cut(inputs: list[Input]) -> list[Input]:
    """In small blocks, as a watch takes them."""
    parts: list[Input] = []
    for item in inputs:
        if isinstance(item, Block):
            parts += [item.cut(at, min(at + PIECE, len(item))) for at in range(0, len(item), PIECE)]
        else:
            parts.append(item)
    return parts


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
