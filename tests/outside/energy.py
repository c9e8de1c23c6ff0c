"""Heat carried off + stored = put in, over 20 trips with drawn sensor biases: ``python tests/outside/energy.py``.

Five trips of the simulator's plant (both classes, several strings, the crew's own pace), each seen four times by other
sensors: every one of flow meter, inlet and outlet thermometer is off by a draw from the whole of what the rig file lets
its class, loop and meter be off by (rectangular, each part by itself), and has its noise and lag. Once more each with
sensors that show the truth. Truth is the plant's own ledger: what brake and coil put in from where the trip begins to
where it ends.
"""

import json
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from unittest.mock import patch

from brakewater.record.reader import Record
from brakewater.review.trips import ledger
from brakewater.rig import Rig, load
from brakewater_sim import offline
from brakewater_sim.simulate import Simulation, Tick
from brakewater_sim.story import parse

CONFIG = Path(__file__).parents[2] / "config"
STORY = """
schema = 1
[scenario]
name = "energy"
length = "{length} s"
warmup = "1 s"
brake = "{brake}"
{more}
[[leg]]
direction = "in"
wait = "30 s"
from = "{start} m"
to = "{end} m"
crew = {crew}
"""
PLANTS = (
    ("75 gal/min", 2400, 9), ("75 gal/min", 1100, 9), ("75 gal/min", 3000, 7), ("150 gal/min", 2600, 9),
    ("150 gal/min", 1500, 8),
)  # fmt: skip
DRAWS = 4
ROLES = ("inlet-flow", "inlet-temperature", "outlet-temperature")


@dataclass(frozen=True)
class Row:
    plant: int
    sensors: str
    truth_j: float
    carried_j: float
    stored_j: float
    put_in_j: float
    std_j: float

    @property
    def inside(self) -> bool:
        return abs(self.put_in_j - self.truth_j) <= 1.96 * self.std_j

    def __str__(self) -> str:
        mj = [x / 1e6 for x in (self.carried_j, self.stored_j, self.put_in_j, 1.96 * self.std_j, self.truth_j)]
        return (
            f"{self.plant}  {self.sensors:7} carried {mj[0]:7.1f}  stored {mj[1]:5.1f}  sum {mj[2]:7.1f}"
            f" +/- {mj[3]:5.1f} MJ  put in {mj[4]:7.1f}"
            f"  off {mj[2] / mj[4] - 1.0:+6.1%}  {'in' if self.inside else 'OUT'}"
        )


class Seen:
    """Ticks of one run of the plant, seen by sensors that are off."""

    def __init__(self, ticks: dict[int, Tick], off: dict[str, float]) -> None:
        self._ticks, self._off = ticks, off

    def advance_to(self, t_ns: int) -> Tick:
        tick = self._ticks[t_ns]
        shown = {role: value + self._off.get(role, 0.0) for role, value in tick.measured.items()}
        return replace(tick, measured=shown)


def drawn(rig: Rig, values: dict[str, float], draw: Random) -> dict[str, float]:
    """What each sensor is off by near a usual value, from its own limits."""
    found = {}
    for role in ROLES:
        point = rig.role(role, rig.brakes[0].name)
        assert point is not None
        found[role] = sum(draw.uniform(-1.0, 1.0) * (fix + part * values[role]) for fix, part in point.spread.limits)
    return found


def rows(plants: tuple[tuple[str, int, int], ...] = PLANTS, draws: int = DRAWS) -> Iterator[Row]:
    for number, (brake, start, stands) in enumerate(plants, 1):
        rig = load(CONFIG / ("rig-4-full.toml" if brake.startswith("75") else "rig-9-full.toml"))
        for ideal in (False, True):
            more = "ideal-sensors = true" if ideal else ""
            text = STORY.format(length=stands * 190 + 700, brake=brake, more=more, start=start,
                                end=start + 28.65 * stands + 0.5, crew=number)  # fmt: skip
            scenario = parse(text)
            whole = replace(scenario, sensors=tuple(replace(one, bias=0.0) for one in scenario.sensors))
            simulation = Simulation(whole, number, {point.role for point in rig.points})
            count = round(scenario.length_s * 1e9) // rig.scan_ns
            ticks = {at * rig.scan_ns: simulation.advance_to(at * rig.scan_ns) for at in range(count)}
            middle = {role: ticks[rig.scan_ns * (count // 2)].truth[role] for role in ROLES}
            for draw in range(1 if ideal else draws):
                off = {} if ideal else drawn(rig, middle, Random(100 * number + draw))
                yield _row(number, "ideal" if ideal else f"draw {draw + 1}", (rig, scenario), Seen(ticks, off))


def _row(number: int, sensors: str, of: tuple[Rig, object], seen: Seen) -> Row:
    rig, scenario = of
    with tempfile.TemporaryDirectory() as folder, patch.object(offline, "Simulation", lambda *_: seen):
        record, truth = Path(folder) / "r", Path(folder) / "truth.json"
        offline.record(scenario, rig, record, truth=truth)  # type: ignore[arg-type]
        (trip,) = json.loads(truth.read_text())["trips"]
        found = ledger(Record(record))
    assert found is not None
    (line,) = found.lines
    assert line.put_in_j is not None
    return Row(number, sensors, trip["heat_j"], line.energy_j, line.stored_j, line.put_in_j, line.put_in_std_j)  # type: ignore[arg-type]


def table() -> Iterator[str]:
    """Every row, and how many are inside."""
    told = []
    for row in rows():
        told.append(row)
        yield str(row)
    drawn_ones = [row.inside for row in told if row.sensors != "ideal"]
    ideal = [row.inside for row in told if row.sensors == "ideal"]
    yield f"inside: {sum(drawn_ones)} of {len(drawn_ones)} with drawn biases, {sum(ideal)} of {len(ideal)} ideal"


if __name__ == "__main__":
    for line in table():
        print(line, flush=True)
