"""The checked rig that the tables of a rig file add up to."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final

from brakewater.alarms.annunciator import READY, WATCHING
from brakewater.alarms.catalogue import AlarmKind
from brakewater.alarms.practice import Practice, practice_of
from brakewater.physics.uncertainty import Spread
from brakewater.rig.conditioning import Accuracy, Conditioning
from brakewater.rig.keeping import Keeping
from brakewater.rig.outputs import LampMailbox, Registers
from brakewater.rig.panel import Panel
from brakewater.rig.roles import PLAUSIBLE, ROLES
from brakewater.rig.tables import Brake, Device, Hoist, Lamp, Mirror, Mqtt, Sparkplug, Table, Tank
from brakewater.rig.upkeep import Upkeep
from brakewater.signals.convert import AnySignal, Direct, Linear, Register
from brakewater.signals.words import register_count
from brakewater.stream import OwnLayout
from brakewater.trips.rounds import Round

SELF: Final = "self"
"""The device that is the daemon itself."""


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
    signal: AnySignal
    every: int = 1
    """Read every so many scans."""
    most_age_ns: int | None = None
    """Older than this a reading is ``OLD``; None: never."""
    conditioning: Conditioning = field(default_factory=Conditioning)
    accuracy: Accuracy | None = None
    """None where no cross-check makes sense: contacts and the daemon's own points."""
    spread: Spread = field(default_factory=Spread)
    """The same by its independent parts, with the converter's step."""
    serial: str | None = None
    calibrated: str | None = None

    @property
    def count(self) -> int:
        """Registers (or bits) it takes on the device; also its words in a scan."""
        return 1 if self.table.is_bits else register_count(self.register.kind)

    @property
    def sensed(self) -> tuple[float, float] | None:
        """What its sensor can measure, in SI; of numbers a device sends as they are, at least what is plausible."""
        if self.conditioning.sensor_range is not None or self.device == SELF:
            return self.conditioning.sensor_range
        return PLAUSIBLE.get(ROLES[self.role].dimension) if isinstance(self.signal, Direct | Linear) else None

    @property
    def definition(self) -> tuple[Any, ...]:
        """What its history depends on: a change of any of these empties its windows."""
        place = (self.role, self.device, self.table.value, self.address, self.every)
        return (*place, repr(self.register), repr(self.signal), repr(self.conditioning))


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """What of a device is read together; one age in a scan."""

    device: str
    every: int
    """Read every so many scans."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Redundant:
    """Points of one role on one brake, in the order of the file, and what is made of them."""

    brake: str
    role: str
    rule: str
    points: tuple[Point, ...]
    apart: float | None
    """SI; None: the sum of their accuracies."""
    hold_ns: int

    @property
    def definition(self) -> tuple[Any, ...]:
        """What its history depends on."""
        accuracies = [repr(point.accuracy) for point in self.points]
        return (self.rule, self.apart, self.hold_ns, *[point.definition for point in self.points], *accuracies)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """Where a point stands in a scan."""

    point: Point
    index: int
    """Column of its status."""
    column: int
    """First column of its words."""
    group: int
    """Column of its read group's age."""


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
    defaults: frozenset[str] = frozenset()
    """Which of setpoint, deadband, on-delay and off-delay nobody has entered for this rig."""
    realarm_ns: int | None = None
    """None: never."""

    @property
    def name(self) -> str:
        """As events carry it: ``signal-bad:aux-flow``."""
        return f"{self.kind.name}:{self.subject}" if self.subject else self.kind.name

    @property
    def key(self) -> str:
        """Unique on the rig: ``aux.cooling-lost`` or ``rig.broker-lost``."""
        return f"{self.brake or 'rig'}.{self.name}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Suppression:
    """One row of what is suppressed by design."""

    alarms: tuple[str, ...]
    """Keys."""
    point: str
    when_on: bool
    after_ns: int
    basis: str


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
    hoist: Hoist | None = None
    sparkplug: Sparkplug | None = None
    redundant: tuple[Redundant, ...] = ()
    registers: Registers | None = None
    """The outstation, where there is one."""
    mailboxes: tuple[LampMailbox, ...] = ()
    panel: Panel | None = None
    """The pages, where there are any."""
    roles: Mapping[str, frozenset[str]] = field(default_factory=dict)
    """Role -> what it may do."""
    suppressions: tuple[Suppression, ...] = ()
    keeping: Keeping | None = None
    """What is kept of the record; a checked rig always has it."""
    upkeep: Upkeep | None = None
    """The book of rounds, where one is kept."""
    rounds: tuple[Round, ...] = ()
    """By brake, in the order of the defaults, then of the file."""
    recorded_by: tuple[int, ...] | None = None
    """The version that recorded the run, where the engine is to do as that one did; None: as today's does."""

    @cached_property
    def practice(self) -> Practice:
        """How the engine carries it out."""
        return practice_of(self.recorded_by)

    @cached_property
    def device_names(self) -> tuple[str, ...]:
        """In the order of the file; ``self`` is last."""
        return (*(device.name for device in self.devices), SELF)

    @property
    def time_zone(self) -> str:
        """In which people on it read times."""
        return self.panel.time_zone if self.panel is not None else "UTC"

    @property
    def windows(self) -> tuple[str, ...]:
        """Every lamp: that of the watch first, the rig file's in its order, ``ready`` last."""
        return (WATCHING, *(lamp.name for lamp in self.lamps), READY)

    @cached_property
    def own(self) -> OwnLayout:
        """The daemon's own points as they stand in a scan, for its ``Start``."""
        return tuple((point.name, point.register.kind.value) for point in self.points if point.device == SELF)

    @cached_property
    def keys(self) -> tuple[str, ...]:
        """Of its alarms, for its ``Start``."""
        return tuple(rule.key for rule in self.alarms)

    @cached_property
    def groups(self) -> tuple[Group, ...]:
        """In the order of a scan's ages: each device's by their ``every``, at least one a device; ``self`` is last."""
        found = []
        for device in self.devices:
            paces = {point.every for point in self.points if point.device == device.name} or {device.every}
            found += [Group(device=device.name, every=every) for every in sorted(paces)]
        return (*found, Group(device=SELF, every=1))

    @cached_property
    def slots(self) -> tuple[Slot, ...]:
        """Where each point stands in a scan."""
        slots, column = [], 0
        for index, point in enumerate(self.points):
            group = self.groups.index(Group(device=point.device, every=point.every))
            slots.append(Slot(point=point, index=index, column=column, group=group))
            column += point.count
        return tuple(slots)

    @cached_property
    def words(self) -> int:
        """Words in a scan."""
        return sum(point.count for point in self.points)

    def sequences_of(self, alarm: str) -> tuple[str, ...]:
        """Annunciator sequences of the windows that show an alarm; A where none does."""
        return tuple(lamp.sequence for lamp in self.lamps if lamp.shows(alarm)) or ("A",)

    def role(self, role: str, brake: str | None = None) -> Point | None:
        """The point with a role, the first of several, or None."""
        return next(iter(self.all_of_role(role, brake)), None)

    def all_of_role(self, role: str, brake: str | None = None) -> tuple[Point, ...]:
        """Every point with a role, in the order of the file."""
        wanted = brake if ROLES[role].brake else None
        return tuple(point for point in self.points if point.role == role and point.brake == wanted)

    @property
    def root(self) -> str:
        """Root of the MQTT topics."""
        return (self.mqtt and self.mqtt.root) or f"brakewater/{self.name}"
