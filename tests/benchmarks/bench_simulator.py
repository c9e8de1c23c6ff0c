"""The simulator straight into a record, every signal and two faults, against 200 times real time on one core."""

import tempfile
from pathlib import Path
from time import process_time

from benchmarks.table import Row
from brakewater.rig import load
from brakewater_sim.offline import record
from brakewater_sim.story import load as load_story

CONFIG = Path(__file__).parents[2] / "config"
WANTED = 200.0


def rows() -> list[Row]:
    """The benchmark; its time is that of the processor, warm-up of the plant counted as simulated time."""
    scenario, rig = load_story(CONFIG / "scenario.toml"), load(CONFIG / "rig-4-full.toml")
    with tempfile.TemporaryDirectory() as name:
        began = process_time()
        done = record(scenario, rig, Path(name) / "trip", seconds=1200.0)
        times = (done.seconds + scenario.warmup_s) / (process_time() - began)
    return [
        Row(
            what="simulator into a record, 22 signals, two faults",
            ours=f"{times:,.0f} x real time",
            floor=f"{WANTED:,.0f} x real time",
            ratio=WANTED / times,
            target=1,
        )
    ]
