"""Models of the rig file's tables, and the checked rig they add up to."""

from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from brakewater.alarms.catalogue import AlarmKind
from brakewater.rig.quantity import Day, Flow, Length, Nanoseconds, Rate, Speed, Temperature, Volume, lasting
from brakewater.rig.roles import ROLES
from brakewater.signals.convert import Register, Signal
from brakewater.signals.words import register_count

SELF: Final = "self"
"""The device that is the daemon itself."""

Name = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,47}$")]


class Table(StrEnum):
    """The four Modbus tables."""

    COIL = "coil"
    DISCRETE = "discrete"
    INPUT = "input"
    HOLDING = "holding"

    @property
    def is_bits(self) -> bool:
        """One bit an address; otherwise one 16-bit register."""
        return self in (Table.COIL, Table.DISCRETE)


def _hyphened(name: str) -> str:
    return name.replace("_", "-")


class Model(BaseModel):
    """Frozen, strict about keys; keys are written with hyphens."""

    model_config = ConfigDict(frozen=True, extra="forbid", alias_generator=_hyphened, arbitrary_types_allowed=True)


class RigTable(Model):
    """``[rig]``."""

    name: Name
    pad: Name = "pad"
    scan: Annotated[Nanoseconds, lasting("20 ms", "1 s")] = 200_000_000
    """Cadence; slower than a second the alarms could not keep their times."""
    units: Literal["us", "metric"] = "us"
    """What the crew reads."""


class Device(Model):
    """``[[device]]``: one Modbus server."""

    name: Name
    transport: Literal["tcp"] = "tcp"
    host: str
    port: int = Field(default=502, ge=1, le=65535)
    unit: int = Field(default=1, ge=0, le=255)
    timeout: Annotated[Nanoseconds, lasting("10 ms", "10 s")] = 150_000_000
    max_registers: int = Field(default=125, ge=1, le=125)
    gap: int = Field(default=8, ge=0, le=124)
    """Unused registers that a merged read may bridge."""


class PointEntry(Model):
    """``[[point]]`` and ``[[brake.point]]`` as written; see :class:`Point` for what becomes of it."""

    name: Name
    role: str
    device: str
    table: Table
    address: int | None = Field(default=None, ge=0, le=65535)
    reference: int | None = Field(default=None, ge=1, le=465536)
    type: str = "uint16"
    words: Literal["high-first", "low-first"] = "high-first"
    bytes: Literal["high-first", "low-first"] = "high-first"
    signal: dict[str, Any]
    serial: str | None = None
    calibrated: Day | None = None


class Brake(Model):
    """``[[brake]]``: its limits, as the maker's manual gives them."""

    name: Name
    inlet_limit: Temperature = Field(default=37.77777777777778)
    """Default 100 degF, common practice, no published source."""
    outlet_limit: Temperature = Field(default=71.11111111111111)
    """Default 160 degF, common practice, no published source."""
    least_flow: Flow
    wetting_flow: Flow = Field(default=3.154509820e-4)
    """Below this the sensors see no moving water; default 5 gal/min, an assumption."""
    bearing_level: Length
    meter: Literal["inlet", "outlet"] = "inlet"
    fluid: Literal["water"] = "water"
    rotor_cool_down: Nanoseconds = 1_200_000_000_000
    """How long the rotor may be hot after service; default 20 min, an assumption."""
    dry_time: Nanoseconds = 20_000_000_000
    """How long the loaded brake may stand a failing flow; default 20 s, an assumption."""
    worst_level_rate: Speed = 0.05
    """Fastest credible rise; default 50 mm/s: full inflow into a choked brake, an assumption."""
    worst_outlet_rate: Rate = 2.0
    """Default 2 K/s: a megawatt into a tenth of a cubic metre of standing water, rounded down."""
    worst_inlet_rate: Rate = 0.2
    basis: str | None = None
    """Where these limits stand and who entered them."""


class AlarmEntry(Model):
    """``[[brake.alarm]]`` and ``[[alarm]]``: what differs from the catalogue."""

    alarm: str
    setpoint: str | None = None
    deadband: str | None = None
    on_delay: Nanoseconds | None = None
    off_delay: Nanoseconds | None = None
    priority: Literal["critical", "high", "medium", "low"] | None = None
    latch: bool = False
    basis: str | None = None


class Lamp(Model):
    """``[[lamp]]``: which alarms share a window."""

    name: Name
    alarms: tuple[str, ...] = Field(min_length=1)
    colour: Literal["red", "yellow", "blue", "white"] = "red"


class Tank(Model):
    """``[[tank]]``."""

    name: Name
    volume: Volume


class Mqtt(Model):
    """``[mqtt]``; the password comes from the environment."""

    host: str
    port: int = Field(default=1883, ge=1, le=65535)
    root: Annotated[str, StringConstraints(pattern=r"^[^+#/\x00]+(/[^+#/\x00]+)*$")] | None = None
    user: str | None = None


class Mirror(Model):
    """``[mirror.NAME]``; the token comes from the environment."""

    url: str
    org: str = "rig"
    bucket: str = "brakewater"
    every: Nanoseconds = 1_000_000_000
    """One scan in this long is mirrored."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One signal, ready to read and convert."""

    name: str
    role: str
    brake: str | None
    device: str
    table: Table
    address: int
    register: Register
    signal: Signal
    serial: str | None = None
    calibrated: str | None = None

    @property
    def count(self) -> int:
        """Registers (or bits) it takes on the device; also its words in a scan."""
        return 1 if self.table.is_bits else register_count(self.register.kind)

    @property
    def definition(self) -> tuple[Any, ...]:
        """What its history depends on: a change of any of these empties its windows."""
        return (self.role, self.device, self.table.value, self.address, repr(self.register), repr(self.signal))


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """Where a point stands in a scan."""

    point: Point
    index: int
    """Column of its status."""
    column: int
    """First column of its words."""
    device: int
    """Column of its device's age."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRule:
    """One alarm of this rig with everything resolved."""

    kind: AlarmKind
    brake: str | None
    subject: str | None
    """Point or device for alarms raised one each."""
    setpoint: float | None
    deadband: float
    on_ns: int
    off_ns: int
    unknown_ns: int | None
    priority: str
    latching: bool

    @property
    def name(self) -> str:
        """As events carry it: ``signal-bad:aux-flow``."""
        return f"{self.kind.name}:{self.subject}" if self.subject else self.kind.name

    @property
    def key(self) -> str:
        """Unique on the rig: ``aux.cooling-lost`` or ``rig.broker-lost``."""
        return f"{self.brake or 'rig'}.{self.name}"


@dataclass(frozen=True, kw_only=True)
class Rig:
    """One rig, whole and checked."""

    file: str
    text: str
    name: str
    pad: str
    scan_ns: int
    units: str
    devices: tuple[Device, ...]
    points: tuple[Point, ...]
    """In scan order: the rig's, each brake's, then the daemon's own."""
    brakes: tuple[Brake, ...]
    tanks: tuple[Tank, ...]
    alarms: tuple[AlarmRule, ...]
    lamps: tuple[Lamp, ...]
    mqtt: Mqtt | None
    mirrors: dict[str, Mirror]
    people: dict[str, str]

    @cached_property
    def device_names(self) -> tuple[str, ...]:
        """In the order of a scan's ages; ``self`` is last."""
        return (*(device.name for device in self.devices), SELF)

    @cached_property
    def slots(self) -> tuple[Slot, ...]:
        """Where each point stands in a scan."""
        slots, column = [], 0
        for index, point in enumerate(self.points):
            device = self.device_names.index(point.device)
            slots.append(Slot(point=point, index=index, column=column, device=device))
            column += point.count
        return tuple(slots)

    @cached_property
    def words(self) -> int:
        """Words in a scan."""
        return sum(point.count for point in self.points)

    def role(self, role: str, brake: str | None = None) -> Point | None:
        """The point with a role, or None."""
        wanted = brake if ROLES[role].brake else None
        return next((point for point in self.points if point.role == role and point.brake == wanted), None)

    @property
    def root(self) -> str:
        """Root of the MQTT topics."""
        return (self.mqtt and self.mqtt.root) or f"brakewater/{self.name}"
