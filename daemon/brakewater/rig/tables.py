"""Models of the rig file's tables, as they are written."""

from enum import StrEnum
from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, model_validator
from pydantic_core import PydanticCustomError

from brakewater.physics import fluid
from brakewater.rig import quantity
from brakewater.rig.quantity import (
    Area,
    Day,
    Density,
    Flow,
    Length,
    LoopFluid,
    Nanoseconds,
    Power,
    Pressure,
    Rate,
    Speed,
    Temperature,
    Volume,
    lasting,
)
from brakewater.signals.rtd import Tolerance

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
    battery: bool = False
    """This computer has a battery or UPS that its kernel knows of: ``on-battery`` is watched."""


Transport = Literal["tcp", "rtu", "rtu-over-tcp", "tls"]
_SECURE_PORT: Final = 802
Address = Annotated[int, Field(ge=0, le=65535)]
Every = Annotated[int, Field(ge=1, le=3000)]


def _hole(ends: tuple[int, int]) -> tuple[int, int]:
    if ends[0] > ends[1]:
        context = {"found": f"[{ends[0]}, {ends[1]}]", "allowed": "the first and the last address, in this order"}
        raise PydanticCustomError("quantity", "{found}", context)
    return ends


Hole = Annotated[tuple[Address, Address], AfterValidator(_hole)]


class Device(Model):
    """``[[device]]``: one Modbus server. Which keys stand beside which transport, ``rig.devices`` knows."""

    name: Name
    transport: Transport = "tcp"
    host: str = ""
    port: int = Field(default=502, ge=1, le=65535)
    """Default 802 with ``tls``."""
    serial: str = ""
    """Device file of a serial port; best one that names the adapter."""
    baud: int = Field(default=19200, ge=300, le=4_000_000)
    parity: Literal["none", "even", "odd"] = "even"
    stop_bits: Literal[1, 2] = 1
    frame_gap: Annotated[Nanoseconds, lasting("0 s", "1 s")] = 5_000_000
    """Least pause between two frames."""
    turnaround: Annotated[Nanoseconds, lasting("1 ms", "60 s")] = 1_000_000_000
    """No device on the line begins its answer later than this after the request."""
    echo: bool = False
    """The line hands each request back before the answer."""
    ca: str | None = None
    certificate: str | None = None
    key: str | None = None
    server_name: str | None = None
    unit: int = Field(default=1, ge=0, le=255)
    timeout: Annotated[Nanoseconds, lasting("10 ms", "10 s")] = 150_000_000
    every: Every = 1
    """Its points are read every so many scans, unless they say otherwise."""
    stuck_after: Annotated[Nanoseconds, lasting("1 s", "1 h")] = 5_000_000_000
    """Its own heartbeat may stand still for so long."""
    max_registers: int = Field(default=125, ge=1, le=125)
    gap: int = Field(default=8, ge=0, le=124)
    """Unused registers that a merged read may bridge."""
    holes: dict[Table, tuple[Hole, ...]] = Field(default_factory=dict)
    """By table: first and last address of what no read may touch."""

    @model_validator(mode="before")
    @classmethod
    def _secure_port(cls, table: Any) -> Any:
        if isinstance(table, dict) and table.get("transport") == "tls":
            return {"port": _SECURE_PORT, **table}
        return table

    @property
    def line(self) -> str:
        """What exists once: the serial port, or the address. Devices of one line share its connection."""
        return self.serial if self.transport == "rtu" else f"{self.host}:{self.port}"

    def has_hole(self, table: Table, first: int, count: int) -> bool:
        """Whether a read of ``count`` from ``first`` on would touch a hole."""
        return any(first <= last and low < first + count for low, last in self.holes.get(table, ()))


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
    every: Every | None = None
    most_age: Nanoseconds | None = None
    sensor_range: tuple[str, str] | None = None
    jump_limit: str | None = None
    frozen_after: Nanoseconds | None = None
    trim: dict[str, Any] | None = None
    """``gain`` and ``offset``: the correction a loop check left."""
    damping: Nanoseconds | None = None
    tolerance_class: Tolerance | None = None
    """Of a platinum thermometer, after IEC 60751; default B. Behind a transmitter it stands beside ``accuracy``."""
    accuracy: str | None = None
    """Largest permitted error of any other sensor, or of a thermometer's transmitter."""
    serial: str | None = None
    calibrated: Day | None = None


class RedundantEntry(Model):
    """``[[brake.redundant]]``: two or three points of one role, and what is made of them."""

    role: str
    rule: Literal["first-good", "mean", "two-of-three"]
    apart: str | None = None
    """They may differ by so much; default the sum of their accuracies."""
    hold: Annotated[Nanoseconds, lasting("0 s", "1 h")] = 10_000_000_000
    """So long must they be apart before it is said."""


Share = Annotated[quantity.Number, Field(le=1.0)]


class RotorTable(Model):
    """``rotor`` of a brake: what the estimate of its temperature needs; from the maker, or from ``brakewater fit``."""

    surface: quantity.HeatCapacity
    """Of the skin that the currents heat and the water cools."""
    core: quantity.HeatCapacity
    through: quantity.Conductance
    """From skin to core."""
    still: quantity.Conductance
    """From the skin to standing water, all wet."""
    flowing: quantity.Conductance
    """What the least flow adds to that."""
    wet_level: Length
    """Level that wets the rotor all over."""
    accuracy: Share = 0.2
    """Each of these may be off by so much."""


class TorqueTable(Model):
    """``torque`` of a brake: its law as new, at the rated air gap."""

    most: quantity.Torque
    speed: quantity.Turn
    """Of the drum where the torque peaks."""
    current: quantity.Current
    """At which it gives that."""


class Hoist(Model):
    """``[hoist]``: what turns hook load and block into power at the drum."""

    block_mass: quantity.Mass
    """Travelling block, hook and what else always hangs."""
    line_efficiency: Share = 0.81
    """Default that of ten lines, from a textbook table, from memory."""
    efficiency_accuracy: Share = 0.05


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
    meter_kind: Literal["volumetric", "mass"] = "volumetric"
    """What the meter counts: the volume at the line's temperature, or mass (shown as volume at ``meter-density``)."""
    meter_density: Density | None = None
    """With a mass meter: by which its transmitter shows a volume flow; default the fluid's at 20 degC."""
    fluid: LoopFluid = fluid.WATER
    rtd_correlation: float = Field(default=0.0, ge=0.0, le=0.99)
    """How far inlet's and outlet's thermometers err together, 0 to 0.99: above 0 only where calibrated in one bath."""
    most_flow: Flow | None = None
    """Above this: cooling-flow-high, which is not watched without it."""
    least_pressure: Pressure | None = None
    """Below this at the supply: supply-pressure-low, which is not watched without it."""
    strainer_limit: Pressure | None = None
    """Above this across the strainer: strainer-fouling, which is not watched without it."""
    thermowell_lag: Annotated[Nanoseconds, lasting("0 s", "2 min")] = 0
    """Time constant of the outlet's thermometer in its well; 0: none is taken off."""
    housing_area: Area | None = None
    """Free water surface in the brake: with the level it gives the water's volume and residence."""
    rotor: RotorTable | None = None
    torque: TorqueTable | None = None
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
    re_alarm: Annotated[Nanoseconds, lasting("1 min", "24 h")] | None = None
    """Acknowledged and still standing after so long, it asks for attention again."""
    basis: str | None = None


class Lamp(Model):
    """``[[lamp]]``: which alarms share a window, and how it and the horn behave."""

    name: Name
    alarms: tuple[str, ...] = Field(min_length=1)
    colour: Literal["red", "yellow", "green", "blue", "white"] = "red"
    sequence: Literal["A", "M", "R", "F1A", "F1M", "F2A", "F2M", "F3A", "F3M"] = "A"
    """Of ANSI/ISA-18.1; see ``alarms.annunciator``."""

    def shows(self, alarm: str) -> bool:
        """Whether an alarm, as events name it, has its place here."""
        return alarm in self.alarms or alarm.partition(":")[0] in self.alarms


class SuppressEntry(Model):
    """``[[suppress]]``: alarms that mean nothing while a contact says so (suppressed by design)."""

    alarms: tuple[str, ...] = Field(min_length=1)
    """Kinds, or keys such as ``aux.strainer-fouling``."""
    point: str
    state: Literal["on", "off"]
    after: Annotated[Nanoseconds, lasting("0 s", "1 h")] = 0
    """It must have said so for so long; it ends with the first scan that says otherwise, or says nothing."""
    basis: str
    """Why these alarms mean nothing then, and who decided it."""


class Tank(Model):
    """``[[tank]]``."""

    name: Name
    volume: Volume
    height: Length | None = None
    """Level at which it holds that; with ``tank-level``, forecasts count what is in it, else that it is full."""
    other_heat: Power = 0.0
    """What others put into the same water on average, the rims of the friction brake for one."""


class Tls(Model):
    """Keys of a link that may be encrypted; files in PEM."""

    ca: str | None = None
    """Who signed the other side's certificate; None: whom this machine trusts."""
    certificate: str | None = None
    """Of the watch itself, where the other side asks for one."""
    key: str | None = None
    """Of the certificate, where it does not stand in the same file."""


class Mqtt(Tls):
    """``[mqtt]``; the password comes from the environment."""

    host: str
    port: int = Field(default=1883, ge=1, le=65535)
    root: Annotated[str, StringConstraints(pattern=r"^[^+#/\x00]+(/[^+#/\x00]+)*$")] | None = None
    user: str | None = None
    tls: bool = False
    """Usual port 8883."""


_Level = Annotated[str, StringConstraints(pattern=r"^[^+#/\x00]+$")]


class Sparkplug(Model):
    """``[sparkplug]``: the watch as a Sparkplug B edge node on the broker of ``[mqtt]``, a device a brake and a PLC."""

    group: _Level
    edge_node: _Level | None = None
    """Default: the rig's name."""
    primary_host: _Level | None = None
    """Born only while this host is online; None: whoever listens."""


class Mirror(Tls):
    """``[mirror.NAME]``; the token comes from the environment."""

    url: str
    org: str = "rig"
    bucket: str = "brakewater"
    every: Nanoseconds = 1_000_000_000
    """One scan in this long is mirrored."""
    backlog_rate: int = Field(default=2000, ge=10, le=1_000_000)
    """Lines a second, at most, of what is owed from the time the server was away; live points go first."""
