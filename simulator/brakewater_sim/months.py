"""A brake's trips months apart in one record, each a run of its own, as of a watch switched on for it.

Between the trips the brake wears (``wear.py``) by the heat of the trips that nobody plays. After each trip
the mechanic measures the air gap and enters it, for every brake whose book asks for it. ``hot-rotor`` does not
wear at all: in the last trip the pump fails for some minutes while the crew goes on.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from typing import Final

from brakewater.record.journal import Journal
from brakewater.rig import Rig
from brakewater.stream import Block, Command, Request, Start
from brakewater_sim import wear
from brakewater_sim.offline import CHUNK, blocks, have_committed, new_folder, start_of
from brakewater_sim.profile import constant
from brakewater_sim.scenarios import Scenario
from brakewater_sim.story import parse
from brakewater_sim.wear import Wear

KINDS: Final = ("sound", "gap", "exciter", "scaled-rotor", "hot-rotor")
MONTH_S: Final = 30 * 86_400.0
MONTH_J: Final = 1.8e11
"""Heat of the fifteen trips of a month, 12 GJ each; invented."""
MONTH_H: Final = 180.0
_SCALED: Final = Wear(scale_m_j=8e-16, eroded=0.0)
"""On the rotor's outer faces, which hard water coats and no gap shows: 0.9 mm after six months; invented."""
_STORY: Final = """
schema = 1
[scenario]
name = "month-{month}"
length = "{length:.0f} s"
warmup = "1 s"
water = "{water:.1f} degC"
ambient = "{air:.1f} degC"
[[leg]]
from = "{start} m"
to = "{end:.1f} m"
wait = "30 s"
crew = {crew}
"""
_FAILS: Final = """
[[fault]]
fault = "pump-stopped"
at = "{at:.0f} s"
until = "{until:.0f} s"
"""
_STAND_M: Final = 28.65
_STAND_S: Final = 190.0
"""A slow crew's; the trip ends earlier, and what is left shows the rotor cooling."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """What is played."""

    kind: str
    seed: int
    trips: int = 6
    stands: int = 8
    apart: int = 1
    """Months from trip to trip."""

    def wear(self) -> Wear:
        """How the brake wears.

        Raises:
            ValueError: no such kind.
        """
        if self.kind not in KINDS:
            raise ValueError(f"kind: found {self.kind!r}; allowed: {', '.join(KINDS)}")
        if self.kind == "scaled-rotor":
            return _SCALED
        return wear.drawn("sound" if self.kind == "hot-rotor" else self.kind, self.seed)

    def month(self, number: int) -> Scenario:
        """Trip ``number``, from 0."""
        draw = Random(f"{self.seed}:{number}:month")  # noqa: S311 - luck, no secret
        start = draw.randrange(2200, 2700)
        text = _STORY.format(
            month=number, length=_STAND_S * self.stands + 400.0, water=draw.uniform(24.0, 30.0),
            air=draw.uniform(15.0, 28.0), start=start, end=start + _STAND_M * self.stands + 0.5,
            crew=draw.randrange(10**6),
        )  # fmt: skip
        if self.kind == "hot-rotor" and number == self.trips - 1:
            middle = 0.5 * _STAND_S * self.stands
            text += _FAILS.format(at=middle, until=middle + 240.0)
        felt = self.wear().health(number * self.apart * MONTH_J)
        conditions = {name: (constant(value),) for name, value in felt._asdict().items() if name in _WORN}
        return replace(parse(text), conditions=conditions)


_WORN: Final = frozenset({"gap", "scale_m", "excitation"})


def record_months(life: Life, rig: Rig, folder: Path, progress: Callable[[float], None] = lambda _: None) -> Path:
    """Write the trips into a new record folder.

    Args:
        life: what is played.
        rig: whose registers show it.
        folder: where; must be empty or not there.
        progress: told the part that is done, 0 to 1, after every trip.

    Raises:
        ValueError: no such kind.
        StorageError: the folder holds something, or the disk does not take it.
    """
    life.wear()
    with new_folder(folder) as unfinished, Journal(unfinished, bound=2 * CHUNK) as journal:
        for number in range(life.trips):
            for item in _run(life, number, rig):
                if isinstance(item, Start):
                    journal.begin(item)
                    continue
                journal.append(item)
                have_committed(journal, folder)
            progress((number + 1) / life.trips)
    return folder


def _run(life: Life, number: int, rig: Rig) -> Iterator[Start | Block | Command]:
    """Inputs of one trip, in order."""
    month = number * life.apart
    run, shift, start = number + 1, round(month * MONTH_S * 1e9), start_of(rig)
    yield replace(start, run=run, t_ns=start.t_ns + shift, utc_ns=start.utc_ns + shift)
    last: Block | None = None
    for block in blocks(life.month(number), rig, seed=100 * life.seed + number):
        last = replace(block, run=run, t_ns=block.t_ns + shift, utc_ns=block.utc_ns + shift)
        yield last
    if last is None:
        return
    draw = Random(f"{life.seed}:{number}:feeler")  # noqa: S311 - luck, no secret
    measured = Wear() if life.kind == "scaled-rotor" else life.wear()
    for nth, one in enumerate((one for one in rig.rounds if one.kind == "gap"), 1):
        found = wear.feeler(measured, month * MONTH_H, month * MONTH_J, draw)
        values = {name: f"{1e3 * metres:.4f} mm" for name, metres in found.items()}
        args = {"round": one.name, "values": values}
        asked = Request(
            id=f"gap-{number}" if nth == 1 else f"gap-{number}-{one.brake}", actor="mechanic", do="log-round", args=args
        )
        yield Command(
            run=run,
            input=int(last.input[-1]) + nth,
            t_ns=int(last.t_ns[-1]),
            utc_ns=int(last.utc_ns[-1]),
            request=asked,
        )
