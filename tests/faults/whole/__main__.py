"""Everything at once: a watch on a record of its own, real devices, broker, mirror and disk, and faults on each side.

    cd tests && python -m faults.whole --seconds 3600 --seed 1            prints the table
    cd tests && python -m faults.whole --seconds 3600 --seed 1 --write    and keeps it as tests/results/DATE-whole.txt

Exit status 1 where an invariant broke, or was never looked at; the record of one that broke is kept, and its place is
printed. Needs root, for a disk of its own that is filled to
the last byte.
"""

import argparse
import asyncio
import contextlib
import os
import signal
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from brakewater.control import ask
from brakewater.errors import DeviceError
from brakewater.record.cursors import Cursors
from brakewater.rig import load

from .ends import mirrored, told, whole
from .held import Held
from .looks import Looks
from .plan import SIDES, Harm, drawn, is_calm
from .sides import Sides, standing
from .told import Tally

RESULTS: Final = Path(__file__).parents[2] / "results"
_LOOK_S: Final = 5.0
_ACKNOWLEDGE_S: Final = 7.0
_LAST_CALM_S: Final = 90.0


async def soak(seconds: float, seed: int) -> Tally:
    """Run all; gives what was checked and what broke."""
    tally, plan = Tally(), drawn(seed, seconds)
    every_s = max(1.0, seconds / 3600)
    async with standing(seed, every_s, (96 << 20) + int(seconds * 4096), tally) as sides:
        sides.start_watch()
        held = Held(sides.record, load(str(sides.rig)), tally, sides.noted, sides.steps, sides.stopped)
        began = time.monotonic()
        looks = Looks(sides, began)
        async with asyncio.TaskGroup() as group:
            beside = [
                group.create_task(one)
                for one in (
                    looks.run(), looks.calms(), _record(held), _acknowledge(sides),
                    *(sides.play(name, lambda: _calm(began, seconds)) for name in sides.devices),
                )
            ]  # fmt: skip
            sides_done = [group.create_task(_side(sides, plan, side, began)) for side in SIDES]
            await asyncio.sleep(max(0.0, began + seconds - time.monotonic()))
            await asyncio.gather(*sides_done)
            await looks.well_by(time.monotonic() + _LAST_CALM_S)
            for task in beside:
                task.cancel()
        await asyncio.to_thread(_over, sides, held, looks, every_s)
    return tally


def _calm(began: float, seconds: float) -> bool:
    at_s = time.monotonic() - began
    return is_calm(at_s) or at_s > seconds


async def _side(sides: Sides, plan: list[Harm], side: str, began: float) -> None:
    for harm in plan:
        if harm.side == side:
            await asyncio.sleep(max(0.0, began + harm.at_s - time.monotonic()))
            await sides.harm(harm)


async def _record(held: Held) -> None:
    while True:
        await asyncio.sleep(_LOOK_S)
        await asyncio.to_thread(held.look)


async def _acknowledge(sides: Sides) -> None:
    """Somebody who acknowledges everything now and then."""
    while True:
        await asyncio.sleep(_ACKNOWLEDGE_S)
        with contextlib.suppress(DeviceError):
            await asyncio.to_thread(ask, sides.record, {"do": "acknowledge", "alarm": "all"}, timeout_s=3.0)


def _over(sides: Sides, held: Held, looks: Looks, every_s: float) -> None:
    """Everything is calm; the watch is ended and its record taken apart."""
    tally = sides.tally
    until_ns = held.newest_t_ns()
    _settle(sides, held, every_s)
    sides.end_watch()
    held.look()
    tally.check("inputs: no hole, none twice", not held.why_not, held.why_not)
    events = whole(sides.record, tally)
    told(sides.wire.taken, events, tally)
    mirrored(sides.record, sides.mirror, round(every_s * 1e9), until_ns, tally)
    looks.judge()
    said = (sides.folder / "watch.log").read_text(encoding="utf-8")
    tally.check("no defect in the log", "Traceback" not in said, said[said.find("Traceback") - 500 :][:3000])
    tally.figures["between two scans, at most"] = f"{held.longest_s:.2f} s beyond what stopped the watch"
    tally.figures["newest scan when asked, at most"] = f"{looks.oldest_s:.2f} s old"
    tally.figures["well again at the latest"] = f"{looks.slowest_s:.0f} s after a calm began"
    tally.figures["inputs lost on a full disk and named by gaps"] = f"{held.lost:,}"


def _settle(sides: Sides, held: Held, every_s: float) -> None:
    """Wait until broker and mirror have what was recorded by now."""
    ends = time.monotonic() + _LAST_CALM_S
    time.sleep(every_s + 5.0)
    while time.monotonic() < ends:
        held.look()
        with Cursors(sides.record) as marks, contextlib.suppress(DeviceError):
            mirror = ask(sides.record, {"ask": "status"}, timeout_s=3.0)["mirrors"]["base"]
            if mirror["backlog_ns"] < (every_s + 3) * 1e9 and not mirror["owed"] and marks.get("mqtt") == held.event:
                return
        time.sleep(0.5)


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=1200.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", action="store_true", help="keep the table under tests/results")
    wanted = parser.parse_args()
    began = datetime.now(UTC)
    signal.signal(signal.SIGINT, signal.default_int_handler)  # also where a shell runs it in the background
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # nothing is left behind by whoever ends it
    tally = asyncio.run(soak(wanted.seconds, wanted.seed))
    head = (
        f"A whole watch under faults on every side at once, {began:%Y-%m-%d %H:%M} to {datetime.now(UTC):%H:%M} UTC:"
        f" {wanted.seconds:g} s, seed {wanted.seed}\n"
        f"Accelerated: each side harmed about once a minute where a rig PC sees a few such things a week; load"
        f" {os.getloadavg()[2]:.1f} on {os.cpu_count()} cores.\n"
    )
    unlooked = tally.unlooked(wanted.seconds)
    never = "".join(f"NEVER LOOKED AT: {name}\n" for name in unlooked)
    text = f"{head}\n{tally.table()}{never}"
    print(text)
    if wanted.write:
        (RESULTS / f"{began:%Y-%m-%d}-whole.txt").write_text(text, encoding="utf-8")
    return 1 if sum(tally.broken.values()) or unlooked else 0


if __name__ == "__main__":
    sys.exit(main())
