"""Rigs and streams for the tests of the engine: blocks from values in SI, cuts, and what an engine makes of them.

Words are encoded here by this module's own code, so that a fault of the daemon's decoding cannot cancel itself.
"""

import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from brakewater.engine import Engine
from brakewater.rig import Point, Rig, load, parse
from brakewater.signals.convert import Bit, CurrentLoop, Direct, Frequency, Linear, Pt100, Pulse, Root
from brakewater.stream import Answer, Block, Command, Event, Gap, Input, Picture, Request, Start

CONFIG = Path(__file__).parents[1] / "config"
DEMO = CONFIG / "demo.toml"
UTC = 1_927_938_245_123_456_789
GPM = 6.30901964e-5

TWO = """
schema = 1
[rig]
name = "rig-9"
pad = "quillwort-1"
scan = "500 ms"
units = "metric"
[[device]]
name = "plc1"
host = "127.0.0.1"
[[device]]
name = "rio1"
host = "127.0.0.2"
timeout = "400 ms"
[[point]]
name = "hook-load"
role = "hook-load"
device = "plc1"
table = "holding"
address = 0
type = "float64"
signal = { kind = "direct", unit = "kN" }
"""
_BRAKE = """
[[brake]]
name = "{name}"
least-flow = "150 gal/min"
wetting-flow = "10 gal/min"
bearing-level = "800 mm"
meter = "{meter}"
rotor-cool-down = "20 s"
[[brake.point]]
name = "{name}-flow"
role = "inlet-flow"
device = "{device}"
table = "holding"
address = {base}
type = "float32"
words = "low-first"
signal = {{ kind = "linear", raw = [0.0, 100.0], range = ["0 L/min", "1200 L/min"] }}
[[brake.point]]
name = "{name}-inlet"
role = "inlet-temperature"
device = "{device}"
table = "input"
address = {base}
type = "float32"
signal = {{ kind = "direct", unit = "degC" }}
[[brake.point]]
name = "{name}-outlet"
role = "outlet-temperature"
device = "rio1"
table = "input"
reference = {reference}
signal = {{ kind = "pt100", ohms-per-count = 0.01, lead-ohms = 0.5 }}
[[brake.point]]
name = "{name}-level"
role = "brake-level"
device = "{device}"
table = "input"
address = {level}
type = "int16"
signal = {{ kind = "current-loop", raw = [6400, 32000], range = ["0 mm", "1200 mm"] }}
[[brake.alarm]]
alarm = "outlet-temperature-high"
latch = true
deadband = "3 K"
[[brake.alarm]]
alarm = "cooling-flow-low"
on-delay = "0 s"
off-delay = "0 s"
latch = true
"""
_SERVICE = """
[[brake.point]]
name = "one-in-service"
role = "in-service"
device = "rio1"
table = "discrete"
address = 3
signal = { kind = "bit", inverted = true }
"""


def two_brakes() -> str:
    """A second rig: two devices, two brakes, one of them always in service and metered at the outlet, no broker."""
    one = _BRAKE.format(name="one", meter="inlet", device="plc1", base=10, level=20, reference=30101) + _SERVICE
    two = _BRAKE.format(name="two", meter="outlet", device="rio1", base=40, level=50, reference=30102)
    return TWO + one + two


_RICH = """
schema = 1
[rig]
name = "rig-12"
pad = "quillwort-1"
[[device]]
name = "plc1"
host = "127.0.0.1"
[[device]]
name = "rio1"
transport = "rtu"
serial = "/dev/ttyUSB0"
baud = 9600
timeout = "500 ms"
every = 5
stuck-after = "6 s"
[[point]]
name = "beat"
role = "heartbeat"
device = "plc1"
table = "holding"
address = 0
signal = { kind = "direct", unit = "1" }
[[point]]
name = "slow-beat"
role = "heartbeat"
device = "rio1"
table = "holding"
address = 0
signal = { kind = "direct", unit = "1" }
[[point]]
name = "pump"
role = "pump-running"
device = "plc1"
table = "coil"
address = 0
signal = { kind = "bit" }
[[point]]
name = "tank"
role = "tank-temperature"
device = "rio1"
table = "input"
address = 9
damping = "4 s"
jump-limit = "2 degC/s"
frozen-after = "30 s"
signal = { kind = "pt1000", ohms-per-count = 0.1, leads = { wires = 2, length = "30 m", ohms-per-km = 20.95 } }
[[brake]]
name = "one"
least-flow = "75 gal/min"
bearing-level = "800 mm"
rotor-cool-down = "20 s"
[[brake.redundant]]
role = "inlet-temperature"
rule = "two-of-three"
hold = "2 s"
[[brake.redundant]]
role = "outlet-temperature"
rule = "first-good"
apart = "3 K"
[[brake.redundant]]
role = "brake-level"
rule = "mean"
hold = "1 s"
[[brake.point]]
name = "one-flow"
role = "inlet-flow"
device = "plc1"
table = "input"
address = 0
type = "uint16"
jump-limit = "100 gal/min/s"
signal = { kind = "pulse", k-factor = "50 per L", full-scale = "150 gal/min", window = "1 s", renewed = "0 s" }
[[brake.point]]
name = "one-return"
role = "return-flow"
device = "plc1"
table = "input"
address = 1
type = "int16"
damping = "600 ms"
signal = { kind = "root", raw = [0, 27648], full-scale = "150 gal/min", loop = true }
[[brake.point]]
name = "one-inlet"
role = "inlet-temperature"
device = "plc1"
table = "input"
address = 2
tolerance-class = "A"
trim = { gain = 1.01, offset = "0.2 K" }
signal = { kind = "pt100", ohms-per-count = 0.01, leads = { wires = 3 } }
[[brake.point]]
name = "one-inlet-b"
role = "inlet-temperature"
device = "plc1"
table = "input"
address = 3
signal = { kind = "pt100", ohms-per-count = 0.01 }
[[brake.point]]
name = "one-inlet-c"
role = "inlet-temperature"
device = "rio1"
table = "input"
address = 4
type = "float32"
sensor-range = ["-20 degC", "120 degC"]
signal = { kind = "direct", unit = "degC" }
[[brake.point]]
name = "one-outlet"
role = "outlet-temperature"
device = "plc1"
table = "input"
address = 6
damping = "1 s"
jump-limit = "10 degC/s"
signal = { kind = "pt100", ohms-per-count = 0.01 }
[[brake.point]]
name = "one-outlet-b"
role = "outlet-temperature"
device = "plc1"
table = "input"
address = 7
signal = { kind = "pt100", ohms-per-count = 0.01 }
[[brake.point]]
name = "one-level"
role = "brake-level"
device = "plc1"
table = "input"
address = 8
type = "int16"
frozen-after = "4 s"
signal = { kind = "current-loop", raw = [6400, 32000], range = ["0 mm", "1200 mm"] }
[[brake.point]]
name = "one-level-b"
role = "brake-level"
device = "plc1"
table = "input"
address = 9
type = "int16"
every = 2
accuracy = "20 mm"
signal = { kind = "linear", raw = [0, 1200], range = ["0 mm", "1200 mm"] }
[[brake.point]]
name = "one-in-service"
role = "in-service"
device = "plc1"
table = "discrete"
address = 3
signal = { kind = "bit" }
[upkeep]
[[upkeep.round]]
round = "grease"
hours = "10 s"
trips = 1
[[upkeep.round]]
round = "strainer"
days = "12 s"
"""


def rich() -> Rig:
    """A third rig, which asks for everything there is: slow groups, redundant points, heartbeats, every stage."""
    return parse(_RICH, "rich.toml")


def demo() -> Rig:
    return load(DEMO)


def two() -> Rig:
    return parse(two_brakes(), "two.toml")


def changed(text: str, *swaps: tuple[str, str]) -> str:
    """The text with pieces swapped once each; each must be there."""
    for old, new in swaps:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


_CODES = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f", "float64": ">d", "bit": ">H"}


def raw_of(point: Point, value: float) -> float:
    """The number a device shows for a value in SI (degC)."""
    signal = point.signal
    match signal:
        case Direct():
            return (value - signal.offset) / signal.scale
        case Linear() | CurrentLoop():
            return signal.raw_low + (value - signal.low) / (signal.high - signal.low) * (
                signal.raw_high - signal.raw_low
            )
        case Pt100():
            ohms = signal.r0 * (1 + 3.9083e-3 * value - 5.775e-7 * value * value)  # IEC 60751, from 0 degC up
            return (ohms - signal.ohms_offset) / signal.ohms_per_count
        case Bit():
            return float((value == 0.0) == signal.inverted)
        case Root():
            return signal.raw_low + (value / signal.full_scale) ** 2 * (signal.raw_high - signal.raw_low)
        case Frequency():
            return value * signal.pulses_per_m3 / signal.hz_per_count
        case Pulse():
            raise AssertionError("a counter goes by the time: see counts")


def words_of(point: Point, raw: float) -> list[int]:
    """The registers that hold a number; counts are rounded and held within the type."""
    kind = point.register.kind.value
    if kind == "bit":
        return [int(raw) << (point.register.bit or 0)]
    number: float = raw
    if not kind.startswith("float"):
        bits = int(kind.lstrip("uint"))
        low, high = (0, 2**bits - 1) if kind.startswith("u") else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
        number = min(max(round(raw), low), high)
    packed = struct.pack(_CODES[kind], number)
    words = [int.from_bytes(packed[at : at + 2], "big") for at in range(0, len(packed), 2)]
    words = words if point.register.words_high_first else words[::-1]
    return [word if point.register.bytes_high_first else ((word & 255) << 8) | word >> 8 for word in words]


def counts(pulse: Pulse, flow: np.ndarray[Any, Any], t_ns: np.ndarray[Any, Any]) -> list[float]:
    """What a counter shows at [n] times if it had always run at [n] flows."""
    return [float(int(q * pulse.pulses_per_m3 * (t / 1e9)) % pulse.rolls_at) for q, t in zip(flow, t_ns, strict=True)]


CALM = {
    "inlet-flow": 90 * GPM,
    "inlet-temperature": 27.0,
    "outlet-temperature": 50.0,
    "return-flow": 90 * GPM,
    "pump-running": 1.0,
    "tank-temperature": 25.0,
    "brake-level": 0.3,
    "ambient-temperature": 15.0,
    "tank-level": 2.0,
    "in-service": 1.0,
    "self.broker": 1.0,
    "self.panel": 1.0,
    "self.mains": 1.0,
}
CALM_TWO = {**CALM, "inlet-flow": 170 * GPM}


def calm(rig: Rig, point: Point) -> float:
    """A value at which nothing is wrong."""
    return (CALM_TWO if rig.name == "rig-9" else CALM).get(point.role, 0.0)


Numbers = float | Sequence[float] | np.ndarray[Any, Any]


def scans(
    rig: Rig,
    n: int,
    *,
    run: int = 1,
    first: int = 1,
    t0: int | None = None,
    utc0: int | None = None,
    values: Mapping[str, Numbers] | None = None,
    raw: Mapping[str, Numbers] | None = None,
    status: Mapping[str, Any] | None = None,
    age: Mapping[str, Any] | None = None,
) -> Block:
    """A block of n scans at the rig's cadence, calm but for what is said.

    ``values`` (SI) and ``raw`` (the device's number) go by point; ``status`` by point or device; ``age`` (ns) by
    device; each a number or n.
    """
    number = np.arange(first, first + n, dtype=np.int64)
    t = (first * rig.scan_ns if t0 is None else t0) + np.arange(n, dtype=np.int64) * rig.scan_ns
    words = np.zeros((n, rig.words), np.uint16)
    state = np.zeros((n, len(rig.points)), np.uint8)
    for slot in rig.slots:
        point, columns = slot.point, slice(slot.column, slot.column + slot.point.count)
        for name in (point.device, point.name):
            if name in (status or {}):
                state[:, slot.index] = (status or {})[name]
        given = (raw or {}).get(point.name)
        if given is None:
            value = np.atleast_1d((values or {}).get(point.name, calm(rig, point)))
            if isinstance(point.signal, Pulse):
                given = counts(point.signal, np.broadcast_to(value, n), t)
            elif point.role == "heartbeat" and point.name not in (values or {}):
                given = t // 1_000_000_000 % 10_000
            else:
                given = [raw_of(point, float(x)) for x in value]
        rows = [words_of(point, float(x)) for x in np.atleast_1d(given)]
        words[:, columns] = rows if len(rows) == n else rows[0]
    utc = (UTC + int(t[0]) if utc0 is None else utc0) + (t - t[0])
    ages = np.zeros((n, len(rig.groups)), np.int64)
    for column, group in enumerate(rig.groups):
        ages[:, column] = (age or {}).get(group.device, 0)
    return Block(run=run, input=number, t_ns=t, utc_ns=utc, words=words, status=state, age_ns=ages)


def start(rig: Rig, *, run: int = 1, t_ns: int = 0, snapshot: bytes = b"", version: str = "0") -> Start:
    return Start(
        run=run, t_ns=t_ns, utc_ns=UTC + t_ns, boot="b", version=version, rig_toml=rig.text, own=rig.own,
        snapshot=snapshot,
    )  # fmt: skip


def command(
    after: Block | Start, do: str = "acknowledge", *, key: str = "c1", actor: str = "driller", **args: Any
) -> Command:
    """A command right after a block or a Start; ``key`` is its id."""
    if isinstance(after, Start):
        number, t, utc = 0, after.t_ns, after.utc_ns
    else:
        number, t, utc = (int(column[-1]) for column in (after.input, after.t_ns, after.utc_ns))
    request = Request(id=key, actor=actor, do=do, args=args)
    return Command(run=after.run, input=number + 1, t_ns=t, utc_ns=utc, request=request)


@dataclass(slots=True)
class Played:
    """Everything an engine made of a stream."""

    events: list[Event] = field(default_factory=list)
    answers: list[Answer] = field(default_factory=list)
    columns: dict[Any, list[bytes]] = field(default_factory=dict)
    state: bytes = b""
    picture: Picture | None = None

    def numbers(self) -> dict[Any, bytes]:
        """Bytes of every column from end to end."""
        return {key: b"".join(parts) for key, parts in self.columns.items()}

    def moves(self) -> list[tuple[int, str, str]]:
        """(input, alarm, new state) of every event."""
        return [(event.input, event.alarm, event.now) for event in self.events]


def play(inputs: Iterable[Input], engine: Engine | None = None) -> Played:
    """Feed a stream to an engine, a fresh one where none is given."""
    engine, played = engine or Engine(), Played()
    for item in inputs:
        outcome = engine.feed(item)
        played.events += outcome.events
        played.answers += outcome.answers
        for key, column in {**outcome.readings, **outcome.derived}.items():
            played.columns.setdefault((key, "value"), []).append(np.ascontiguousarray(column.values).tobytes())
            played.columns.setdefault((key, "code"), []).append(np.ascontiguousarray(column.codes).tobytes())
    played.state, played.picture = engine.state(), engine.picture()
    return played


def whole(inputs: Sequence[Input]) -> list[Input]:
    """The same stream with neighbouring blocks joined: the longest blocks there can be."""
    joined: list[Input] = []
    for item in inputs:
        last = joined[-1] if joined else None
        joined[-1:] = (
            [_join(last, item)] if isinstance(last, Block) and isinstance(item, Block) else [*joined[-1:], item]
        )
    return joined


def _join(a: Block, b: Block) -> Block:
    names = ("input", "t_ns", "utc_ns", "words", "status", "age_ns")
    return Block(run=a.run, **{name: np.concatenate((getattr(a, name), getattr(b, name))) for name in names})


def cut(inputs: Iterable[Input], lengths: Iterable[int]) -> list[Input]:
    """The same stream with its blocks cut into pieces of these lengths, the last length for ever."""
    endless = iter(lengths)
    length, pieces = 1, []
    for item in inputs:
        if not isinstance(item, Block):
            pieces.append(item)
            continue
        at = 0
        while at < len(item):
            length = next(endless, length)
            pieces.append(item.cut(at, min(at + length, len(item))))
            at += length
    return pieces


def gap(after: Block) -> Gap:
    """A loss noted right after a block."""
    last = int(after.input[-1])
    return Gap(
        run=after.run, input=last + 1, t_ns=int(after.t_ns[-1]), utc_ns=int(after.utc_ns[-1]), lost_run=after.run,
        lost_first=last, lost_last=last, why="disk full",
    )  # fmt: skip
