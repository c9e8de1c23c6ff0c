"""Simulated incidents drawn from a committed distribution, and hours of tripping with nothing wrong: what is told.

    python -m tests.faults.incidents --incidents 200 --hours 500            prints the table
    python -m tests.faults.incidents --incidents 200 --hours 500 --write    keeps it as tests/results/DATE-incidents.txt
    python -m tests.faults.incidents --show 17                              prints incident 17 as a scenario file
    python -m tests.faults.incidents --first 251 --hours 250 --rows FILE    hours 251 to 500, each into FILE at once
    python -m tests.faults.incidents --incidents 0 --add FILE FILE --write  the table of such runs, even cut ones

Incident N of seed S is drawn by ``Random(f"{S}:incident:{N}")`` (and hour N by ``Random(f"{S}:hour:{N}")``): cause,
severity, time, depth, brake class, water, air, crew, sensors' biases and noise. Nothing else moves it. Which alarms may
lead for a cause was committed before (``brakewater_sim/leading.toml``). The crew never acts: a limit is passed as
soon as physics lets it be.
"""

import argparse
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from time import monotonic
from typing import TypeVar

from brakewater.alarms.catalogue import CATALOGUE
from brakewater.engine import Engine
from brakewater.rig import Rig, load
from brakewater.units import Dimension, parse
from brakewater_sim.faults import FAULTS, Acts
from brakewater_sim.leading import leading
from brakewater_sim.offline import blocks, start_of
from brakewater_sim.scenarios import Scenario
from brakewater_sim.sensors import SENSORS
from brakewater_sim.simulate import Tick
from brakewater_sim.story import parse as story
from brakewater_sim.truth import Truth

from . import incident_rows, incident_table
from .told import WORST, Incident, Told, plain

RESULTS = Path(__file__).parents[1] / "results"
CONFIG = Path(__file__).parents[2] / "config"
T = TypeVar("T")
SEED = 20261125
LOST_ONE_IN = 1000
CLASSES = {"75 gal/min": "rig-4-full.toml", "150 gal/min": "rig-9-full.toml"}

# Cause -> (weight, how long it is watched in s, how long it takes to grow in s from severe to mild or None).
CAUSES: dict[str, tuple[int, float, tuple[float, float] | None]] = {
    "choked-return": (4, 420.0, (40.0, 240.0)),
    "collapsed-hose": (4, 180.0, (0.5, 3.0)),
    "strainer-plugging": (4, 900.0, (200.0, 600.0)),
    "filter-plugging": (2, 900.0, (200.0, 600.0)),
    "pump-stopped": (4, 150.0, None),
    "pump-wear": (3, 900.0, (300.0, 600.0)),
    "air-in-line": (3, 300.0, (10.0, 60.0)),
    "valve-closing": (3, 240.0, (2.0, 30.0)),
    "valve-opened": (3, 300.0, (5.0, 30.0)),
    "leaking-supply": (3, 600.0, (5.0, 60.0)),
    "tank-leak": (3, 1500.0, (5.0, 60.0)),
    "cooler-fan-off": (2, 1500.0, None),
    "hot-day": (2, 1500.0, (300.0, 900.0)),
    "small-tank": (2, 1500.0, None),
    "too-fast": (3, 900.0, (5.0, 30.0)),
    "scaled-rotor": (1, 600.0, None),
    "widening-gap": (2, 600.0, None),
    "weak-excitation": (2, 600.0, None),
    "frost": (1, 600.0, (100.0, 300.0)),
    "stuck-sensor": (2, 600.0, None),
    "frozen-level": (2, 600.0, None),
    "drifting-sensor": (2, 600.0, None),
    "biased-sensor": (2, 300.0, None),
    "wrong-range": (2, 300.0, None),
    "broken-wire": (3, 120.0, None),
    "shorted-wire": (3, 120.0, None),
    "silent-device": (2, 120.0, None),
    "stuck-device": (2, 120.0, None),
}
BIASES: dict[str, float] = {
    "inlet-flow": 4.7e-5, "return-flow": 4.7e-5, "inlet-temperature": 0.2, "outlet-temperature": 0.2,
    "tank-temperature": 0.2, "brake-level": 0.006, "tank-level": 0.01, "hook-load": 15e3, "block-position": 0.05,
    "supply-pressure": 3e3, "strainer-differential": 500.0, "filter-differential": 500.0, "coil-current": 0.4,
    "coil-voltage": 1.0, "coil-commanded": 0.4, "drum-speed": 0.1, "ambient-temperature": 0.5,
}  # fmt: skip
"""Role -> bound of its bias, drawn evenly between its two signs: about class A of IEC 60751 for thermometers, 1 % of
the rated flow for meters; the others invented."""
SENSED = ("inlet-flow", "inlet-temperature", "outlet-temperature", "brake-level", "return-flow", "supply-pressure",
          "tank-level", "coil-current")  # fmt: skip


def drawn(number: int, seed: int = SEED) -> Incident:
    """Incident ``number``."""
    draw = Random(f"{seed}:incident:{number}")
    cause = draw.choices(list(CAUSES), [weight for weight, _, _ in CAUSES.values()])[0]
    _, watched_s, over = CAUSES[cause]
    row, severity = FAULTS[cause], round(draw.uniform(0.1, 1.0), 3)
    at_s = 0.0 if row.acts is Acts.TANK else round(draw.uniform(30.0, 240.0), 1)
    brake = draw.choice(list(CLASSES))
    role = draw.choice(SENSED) if row.acts is Acts.SENSOR and not row.role else ""
    depth = draw.randrange(1200, 2900)
    night = draw.random() < 0.5
    water = draw.uniform(24.0, 31.0) + (2.0 if row.acts in (Acts.AIR, Acts.TANK) or cause == "cooler-fan-off" else 0.0)
    lines = [
        "schema = 1", "[scenario]", f'name = "incident-{number}"', f'length = "{at_s + watched_s:g} s"',
        'warmup = "300 s"', f'brake = "{brake}"', f'water = "{water:.2f} degC"',
        f'ambient = "{draw.uniform(8.0, 20.0) if night else draw.uniform(18.0, 32.0):.1f} degC"',
        f"lost-one-in = {LOST_ONE_IN}", "[[leg]]", f'from = "{depth} m"', f'to = "{depth + 900} m"',
        f"crew = {draw.randrange(10**6)}", "[[fault]]", f'fault = "{cause}"', f'at = "{at_s:g} s"',
        f"severity = {severity}",
    ]  # fmt: skip
    if over is not None:
        fast, slow = over
        lines.append(f'over = "{fast * (slow / fast) ** draw.random():.2f} s"')
    if role:
        lines.append(f'role = "{role}"')
    if row.acts is Acts.DEVICE:
        lines.append(f'device = "{draw.choice(("plc1", "rio1"))}"')
    text = "\n".join(lines) + "\n"
    return Incident(number=number, cause=cause, severity=severity, at_s=at_s, role=role, brake=brake, text=text)


def played(text: str, brake: str, number: int, seed: int, kind: str) -> tuple[Scenario, Rig]:
    """Scenario with drawn sensors, and its rig."""
    draw = Random(f"{seed}:{kind}:{number}:sensors")
    sensors = tuple(replace(one, bias=draw.uniform(-1.0, 1.0) * BIASES[one.role]) for one in SENSORS)
    return replace(story(text), sensors=sensors), load(CONFIG / CLASSES[brake])


class Seen:
    """What really happened: limits passed, and the worst of each quantity from a time on."""

    def __init__(self, scenario: Scenario, from_s: float) -> None:
        self.truth, self._from_ns = Truth(scenario), from_s * 1e9
        self.passed: dict[str, float] = {}

    def see(self, tick: Tick) -> None:
        """One more tick."""
        self.truth.see(tick)
        if tick.t_ns < self._from_ns:
            return
        for name, worse in WORST.items():
            value = tick.state.surface_degc if name == "rotor" else tick.truth[name]
            self.passed[name] = worse(self.passed.get(name, value), value)


def raised(scenario: Scenario, rig: Rig, noise: int, from_s: float = 0.0) -> tuple[list[tuple[float, str]], Seen]:
    """(time in s, alarm) in the order raised, and what really happened."""
    engine, seen = Engine(), Seen(scenario, from_s)
    events = list(engine.feed(start_of(rig)).events)
    for block in blocks(scenario, rig, seed=noise, watch=seen.see):
        events += engine.feed(block).events
    found = [((e.input - 1) * rig.scan_ns / 1e9, e.alarm) for e in events if e.now == "unacknowledged"]
    return found, seen


def told(number: int, seed: int = SEED) -> Told:
    """Play one incident."""
    incident = drawn(number, seed)
    scenario, rig = played(incident.text, incident.brake, number, seed, "incident")
    alarms, seen = raised(scenario, rig, number, incident.at_s)
    after = [(t, alarm) for t, alarm in alarms if t >= incident.at_s]
    lead = leading()[incident.cause].lead
    limits = sorted((t, name) for name, t in seen.truth.limits.items() if t >= incident.at_s and name != "inlet")
    limit_s, limit = limits[0] if limits else (0.0, "")
    right = in_time([(limit_s - t, respond_s(alarm)) for t, alarm in after if plain(alarm) in lead])
    return Told(
        incident=incident,
        early=tuple(alarm for t, alarm in alarms if t < incident.at_s),
        lead=after[0][1] if after else "",
        accepted=bool(after) and plain(after[0][1]) in lead,
        after_s=after[0][0] - incident.at_s if after else 0.0,
        limit=limit,
        lead_time_s=right[0] if limits and right else None,
        wanted_s=right[1] if right else 0.0,
        passed={name: round(value, 5) for name, value in seen.passed.items()},
    )


def respond_s(alarm: str) -> float:
    """How long people need once it stands."""
    return parse(CATALOGUE[plain(alarm)].time_to_respond, Dimension.TIME)


def in_time(accepted: list[tuple[float, float]]) -> tuple[float, float] | None:
    """The first of accepted alarms, (time left, time wanted) in s, that left its time; else the first of all.

    An early notice that asks for work within the hour does not make the urgent alarm after it late.
    """
    return next((one for one in accepted if one[0] >= one[1]), accepted[0] if accepted else None)


HOUR = """schema = 1
[scenario]
name = "hour-{number}"
length = "1 h"
warmup = "300 s"
brake = "{brake}"
water = "{water:.2f} degC"
ambient = "{ambient:.1f} degC"
lost-one-in = {lost}
[[leg]]
direction = "{direction}"
from = "{start} m"
to = "{end} m"
crew = {crew}
rest-every = {rest}
"""


def quiet_hour(number: int, seed: int = SEED) -> list[str]:
    """Alarms in an hour of tripping with nothing wrong but lost replies."""
    draw = Random(f"{seed}:hour:{number}")
    brake, inward = draw.choice(list(CLASSES)), draw.random() < 0.7
    start = draw.randrange(300, 2600)
    text = HOUR.format(
        number=number, brake=brake, water=draw.uniform(22.0, 30.0), ambient=draw.uniform(5.0, 28.0), lost=LOST_ONE_IN,
        direction="in" if inward else "out", start=start if inward else start + 1000,
        end=start + 1000 if inward else start, crew=draw.randrange(10**6), rest=draw.choice((0, 8, 15)),
    )  # fmt: skip
    scenario, rig = played(text, brake, number, seed, "hour")
    return [f"{alarm} at {t:.0f} s of hour {number}" for t, alarm in raised(scenario, rig, number)[0]]


def _within(
    pool: ProcessPoolExecutor, play: Callable[[int, int], T], numbers: range, seed: int, ends: float | None
) -> Iterator[tuple[int, T]]:
    """Results by number, a few at a time, until the time is up; says on a terminal how far it is."""
    step = 4 * (os.cpu_count() or 1)
    for first in range(0, len(numbers), step):
        if ends is not None and monotonic() > ends:
            break
        some = numbers[first : first + step]
        for number, result in zip(some, pool.map(play, some, [seed] * len(some)), strict=True):
            yield number, result
            if sys.stderr.isatty():
                print(f"\r{play.__name__}: {number} of {numbers[-1]}", end="", file=sys.stderr, flush=True)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Incidents and quiet hours, as a table.")
    parser.add_argument("--incidents", type=int, default=200)
    parser.add_argument("--hours", type=int, default=0)
    parser.add_argument("--first", type=int, default=1, metavar="N", help="number of the first incident and hour")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--minutes", type=float, metavar="M", help="begin no more incidents after so long")
    parser.add_argument("--rows", type=Path, metavar="FILE", help="add each result to FILE as soon as it is there")
    parser.add_argument("--add", type=Path, nargs="+", default=[], metavar="FILE", help="what earlier runs kept so")
    parser.add_argument("--write", action="store_true", help="keep the table in tests/results")
    parser.add_argument("--show", type=int, metavar="N", help="print incident N as a scenario file")
    return parser.parse_args()


def main() -> None:
    """The command."""
    args = _arguments()
    if args.show is not None:
        print(drawn(args.show, args.seed).text, end="")
        return
    rows = incident_rows.read(args.add, args.seed)
    ends = None if args.minutes is None else monotonic() + 60.0 * args.minutes
    with ProcessPoolExecutor(args.jobs) as pool:
        for play, count in ((told, args.incidents), (quiet_hour, args.hours)):
            numbers = range(args.first, args.first + count)
            for number, result in _within(pool, play, numbers, args.seed, ends if play is told else None):
                rows.take(number, result, args.rows, args.seed)
    keep = RESULTS / f"{datetime.now(UTC):%Y-%m-%d}-incidents.txt" if args.write else None
    _print(incident_table.table(rows, args.seed), keep)


def _print(lines: Iterable[str], keep: Path | None) -> None:
    text = "\n".join(lines) + "\n"
    print(text, end="")
    if keep is not None:
        keep.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
