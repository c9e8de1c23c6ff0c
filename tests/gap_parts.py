"""A loop over a journal whose disk a test fails and mends."""

from pathlib import Path

from brakewater.engine import Engine
from brakewater.loop import Loop
from brakewater.record.journal import Journal
from brakewater.stream import Picture, Start
from field_rigs import Disk, SteppedClock, samples_of
from streams import demo, scans

RIG = demo()
CALM = samples_of(scans(RIG, 1))[0]
DRY = samples_of(scans(RIG, 1, values={"aux-flow": 0.0}))[0]
BOUND = 30


class Gapped:
    """A loop over a journal whose disk the test fails and mends."""

    def __init__(self, folder: Path) -> None:
        self.disk, self.clock, self.engine = Disk(), SteppedClock(), Engine()
        self.journal = Journal(folder, bound=BOUND, connect=self.disk.connect)
        self.snapshots: list[bytes] = []
        self.lost: list[tuple[int, int, int] | None] = []
        self.ends: list[tuple[int, int]] = []
        self.loop = Loop(
            engine=self.engine, journal=self.journal, clock=self.clock, latest=(self,), again=self._start
        )  # fmt: skip
        self.pictures: list[Picture] = []
        self.loop.begin(self._started(1))

    def _started(self, run_: int, snapshot: bytes = b"") -> Start:
        return Start(
            run=run_,
            t_ns=self.clock.steady_ns(),
            utc_ns=self.clock.utc_ns(),
            boot="test@0",
            version="0",
            rig_toml=RIG.text,
            own=RIG.own,
            snapshot=snapshot,
        )

    def _start(self, engine: Engine) -> Start:
        self.snapshots.append(engine.state())
        self.lost.append(self.journal.lost)
        self.ends.append((engine.picture().run, engine.picture().input))
        return self._started(engine.picture().run + 1, engine.state())

    def show(self, picture: Picture) -> None:
        self.pictures.append(picture)

    def standing(self) -> dict[str, str]:
        return {alarm.alarm: alarm.state for alarm in self.pictures[-1].alarms if alarm.state != "normal"}
