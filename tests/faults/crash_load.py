"""What records while its writes are noted: runs of scans, commands, events and gaps; acknowledges what is durable.

Called as: python crash_load.py RECORD ACKS RUNS PAUSE_S
"""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from brakewater.record.cursors import Cursors
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.record.sealing.due import seal_due
from brakewater.record.signing import Signer
from brakewater.record.writer import Committed
from record_streams import block, command, event, gap, start


def main(folder: Path, acks: Path, runs: int, pause_s: float) -> None:
    handle = os.open(acks, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)

    def tell(made: Committed) -> None:
        if made.durable:
            doc = {"run": made.run, "commit": made.commit_no, "hash": made.hash, "input": made.last_input}
            os.write(handle, json.dumps(doc).encode() + b"\n")

    chance = np.random.default_rng(runs)
    signer = Signer(os.environ["BRAKEWATER_SIGNING_KEY"])
    sealing: subprocess.Popen[bytes] | None = None
    with Journal(folder, on_commit=tell, bound=100_000, signer=signer) as journal, Cursors(folder) as cursors:
        for run in range(Record(folder).next_run(), Record(folder).next_run() + runs):
            one_run(journal, cursors, run, chance, pause_s)
            if sealing is None or sealing.poll() is not None:
                sealing = subprocess.Popen([sys.executable, "-m", "brakewater.record.sealing", str(folder)])
    if sealing is not None:
        sealing.wait()
    seal_due(folder)


def one_run(journal: Journal, cursors: Cursors, run: int, chance: np.random.Generator, pause_s: float) -> None:
    journal.begin(start(run))
    number, events = 1, 0
    for _ in range(int(chance.integers(3, 40))):
        kind = chance.random()
        if kind < 0.2:
            journal.append(command(run, number) if kind < 0.15 else gap(run, number, (run, 1, 1)))
            number += 1
        else:
            scans = int(chance.choice([1, 5, 400, 3000], p=[0.5, 0.35, 0.13, 0.02]))
            made = tuple(event(run, number, events + 1 + at) for at in range(int(chance.integers(0, 3))))
            journal.append(block(run, number, scans), made)
            number, events = number + scans, events + len(made)
        time.sleep(pause_s)
        if chance.random() < 0.6:
            journal.wait_committed(30)
            cursors.set("follower", (run, number - 1))
    journal.wait_committed(30)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4]))
