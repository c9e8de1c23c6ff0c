"""The demo rig, pictures and events of it, and a record in memory, for tests of what goes out."""

from collections.abc import Iterator, Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from pathlib import Path

from brakewater.errors import DamagedRecordError
from brakewater.rig import Rig, parse
from brakewater.stream import AlarmNow, Answer, Event, Picture, Request

DEMO = Path(__file__).parents[1] / "config" / "demo.toml"
UTC = 1_927_857_906_200_000_000  # 2031-02-03T04:05:06.2Z, by Python's datetime
FLOW = 61.2 * 3.785411784e-3 / 60
LEAST = 75 * 3.785411784e-3 / 60


def demo_rig(port: int = 1883, more: str = "", **instead: str) -> Rig:
    """The demo rig with another broker port, more text at its end, and words exchanged."""
    text = DEMO.read_text().replace("port = 1883", f"port = {port}\n{instead.pop('mqtt', '')}")
    for old, new in instead.items():
        assert old in text
        text = text.replace(old, new)
    return parse(text + more)


def picture(rig: Rig, states: Mapping[str, str] | None = None, *, number: int = 1, events: int = 0) -> Picture:
    """All alarms normal but for ``states`` (key -> state); readings of a trip in under way."""
    changed = states or {}
    alarms = tuple(
        AlarmNow(
            brake=rule.brake,
            alarm=rule.name,
            state=changed.get(rule.key, "normal"),
            priority=rule.priority,
            since_utc_ns=UTC if rule.key in changed else 0,
            value=FLOW if rule.kind.quantity == "inlet-flow" else None,
            reason=0,
            setpoint=rule.setpoint,
            first_out=rule.key in changed,
        )
        for rule in rig.alarms
    )
    readings = {point.name: (20.0, 0) for point in rig.points}
    readings |= {"aux-flow": (FLOW, 0), "aux-outlet": (0.0, 92), "aux-in-service": (1.0, 0), "aux-level": (0.3, 30)}
    derived = {
        ("aux", "heat_w"): (654_980.0, 0),
        ("aux", "outlet_rise_k"): (0.0, 92),
        ("aux", "cooling_margin"): (0.4, 0),
    }
    return Picture(
        run=1, input=number, t_ns=number, utc_ns=UTC, readings=readings, derived=derived, status={"plc1": 0},
        alarms=alarms, events=events,
    )  # fmt: skip


def event(n: int = 1, *, run: int = 1, number: int = 1, **changed: object) -> Event:
    """A low flow comes."""
    low = Event(
        run=run, input=number, n=n, utc_ns=UTC, rig="rig-4", brake="aux", alarm="cooling-flow-low", was="normal",
        now="unacknowledged", priority="high", value=FLOW, reason=0, setpoint=LEAST, why="condition", actor=None,
        first_out=True,
    )  # fmt: skip
    return replace(low, **changed)  # type: ignore[arg-type]


@dataclass(frozen=True)
class InMemory:
    """An event and its commit's hash."""

    event: Event
    hash: str


@dataclass
class MemoryRecord:
    """The reading side of a record: events in order, some runs damaged from a place on."""

    events_of: dict[int, list[Event]] = field(default_factory=dict)
    damaged: set[int] = field(default_factory=set)

    def events(self, after: tuple[int, int] | None = None) -> Iterator[InMemory]:
        for run, events in sorted(self.events_of.items()):
            for one in events:
                if after is None or (run, one.n) > after:
                    yield InMemory(one, "ab" * 32)
            if run in self.damaged and (after is None or after[0] <= run):
                raise DamagedRecordError(f"run {run} is damaged")


class MemoryCursors:
    """Where followers are."""

    def __init__(self) -> None:
        self.places: dict[str, tuple[int, int]] = {}
        self.history: list[tuple[int, int]] = []

    def get(self, name: str) -> tuple[int, int] | None:
        return self.places.get(name)

    def set(self, name: str, cursor: tuple[int, int]) -> None:
        self.places[name] = cursor
        self.history.append(cursor)


class Door:
    """Takes requests and answers them at once, until told to keep them."""

    def __init__(self) -> None:
        self.asked: list[Request] = []
        self.kept: list[Future[Answer]] = []
        self.keeps = False

    def __call__(self, request: Request) -> Future[Answer]:
        self.asked.append(request)
        future: Future[Answer] = Future()
        if self.keeps:
            self.kept.append(future)
        else:
            says = f"{request.args.get('alarm')} is now acknowledged"
            future.set_result(Answer(id=request.id, actor=request.actor, ok=True, says=says))
        return future
