"""The alarm catalogue: every alarm there is, with its rationalisation record, as one table.

Defaults start from the deadbands and delays published as starting points (ISA-18.2, EEMUA 191; from memory of their
tables) and are cut down where water moves faster than those allow: a fully choked return lifts the level centimetres a
second. Responses are our own words, common practice, no published source; the maker's manual and local rules stand
above them.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from brakewater.units import Dimension


class Scope(StrEnum):
    """What an alarm is raised for: one of each brake, point or device, or one for the rig."""

    BRAKE = "brake"
    POINT = "point"
    DEVICE = "device"
    RIG = "rig"


class Shape(StrEnum):
    """How the condition is told from the stream."""

    HIGH = "high"
    LOW = "low"
    LOST = "lost"
    """Low, and unknown counts as low after a short while."""
    BAD = "bad"
    DOUBTFUL = "doubtful"
    SILENT = "silent"
    STUCK = "stuck"
    DOWN = "down"
    OFF = "off"
    """Further from zero than the setpoint, on either side."""
    STANDING = "standing"
    """Holds as long as the rig file is as it is: a standing notice."""


class Priority(StrEnum):
    """From consequence and time to respond."""

    CRITICAL = "critical"
    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


RE_ALARM: Final[dict[Priority, str]] = {Priority.CRITICAL: "30 min"}
"""After how long an acknowledged alarm that still stands asks for attention again, unless the rig file says; a priority
without a row never does. An assumption, no published source."""

PROTECTED: Final = frozenset({"cooling-lost", "brake-level-high", "rotor-hot-no-flow"})
"""Alarms that nothing may hide while their brake is in service or its rotor may be hot."""

CHATTER_RISES: Final = 3
CHATTER_NS: Final = 60_000_000_000
"""An alarm that comes so often within so long chatters (criterion of a trade article on ISA-18.2, TRADE: three times in
a minute). It is then held until it has been clear for as long: it stands, and hides nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmKind:
    """One row of the catalogue. Quantities are written with units, as in a rig file."""

    name: str
    scope: Scope
    shape: Shape
    quantity: str = ""
    """Role or derived quantity that is watched; empty for signals and devices."""
    dimension: Dimension = Dimension.NUMBER
    setpoint: str = ""
    """Default setpoint with its unit, or the rig-file key of the brake it is taken from."""
    limit: str = ""
    """Rig-file key of the brake whose limit this alarm guards: set beyond it, it comes too late."""
    factor: float = 1.0
    """The default setpoint is this share of the brake's key."""
    deadband: str = ""
    on_delay: str = "0 s"
    off_delay: str = "0 s"
    unknown_delay: str = ""
    """With shape ``lost``: how long an unknown value may last."""
    priority: Priority
    group: str = "water"
    """First-out is told within a brake (or the rig) and a group."""
    gated: bool = False
    """Silent unless the brake is in service or its rotor may be hot."""
    consequence: str
    causes: tuple[str, ...]
    response: str
    time_to_respond: str

    @property
    def is_low(self) -> bool:
        """Too little is what it warns of."""
        return self.shape in (Shape.LOW, Shape.LOST)

    @property
    def difference(self) -> Dimension:
        """The dimension of its deadband: a temperature's is a difference."""
        return Dimension.DIFFERENCE if self.dimension is Dimension.TEMPERATURE else self.dimension


STOP = "Stop lowering and hold on the friction brake."

_ROWS = (
    AlarmKind(
        name="cooling-lost",
        scope=Scope.BRAKE,
        shape=Shape.LOST,
        quantity="inlet-flow",
        dimension=Dimension.FLOW,
        limit="wetting-flow",
        setpoint="wetting-flow",
        deadband="2 gal/min",
        on_delay="100 ms",
        off_delay="2 s",
        unknown_delay="2 s",
        priority=Priority.CRITICAL,
        gated=True,
        consequence="The rotor heats and grows within seconds; the brake is lost with the string in hand.",
        causes=("pump stopped", "valve shut", "hose off", "flow meter or its line dead"),
        response=f"{STOP} Then restore the water by the maker's procedure; never throw cold water on a hot, standing"
        " rotor.",
        time_to_respond="10 s",
    ),
    AlarmKind(
        name="cooling-flow-low",
        scope=Scope.BRAKE,
        shape=Shape.LOW,
        quantity="inlet-flow",
        dimension=Dimension.FLOW,
        limit="least-flow",
        setpoint="least-flow",
        deadband="3 gal/min",
        on_delay="2 s",
        off_delay="3 s",
        priority=Priority.HIGH,
        gated=True,
        consequence="Less heat is carried off than the brake may make; the outlet runs hot.",
        causes=("strainer fouled", "pump worn or drawing air", "valve part shut", "hose kinked"),
        response=f"{STOP} Then find what holds the flow back before lowering on.",
        time_to_respond="1 min",
    ),
    AlarmKind(
        name="inlet-temperature-high",
        scope=Scope.BRAKE,
        shape=Shape.HIGH,
        quantity="inlet-temperature",
        dimension=Dimension.TEMPERATURE,
        limit="inlet-limit",
        setpoint="inlet-limit",
        deadband="2 degF",
        on_delay="5 s",
        off_delay="5 s",
        priority=Priority.HIGH,
        gated=True,
        consequence="The water can carry off less heat before the outlet reaches its limit.",
        causes=("tank warmed up by the trip", "cooler or fan off", "hot day", "tank level low"),
        response=f"{STOP} Then slow the pace, or cool or top up the tank.",
        time_to_respond="5 min",
    ),
    AlarmKind(
        name="outlet-temperature-high",
        scope=Scope.BRAKE,
        shape=Shape.HIGH,
        quantity="outlet-temperature",
        dimension=Dimension.TEMPERATURE,
        limit="outlet-limit",
        setpoint="outlet-limit",
        deadband="2 degF",
        on_delay="1 s",
        off_delay="5 s",
        priority=Priority.HIGH,
        gated=True,
        consequence="Water near boiling insulates the rotor; bearings lose their grease.",
        causes=("flow too small for the pace", "inlet too warm", "heavy string at high pace"),
        response=f"{STOP} Keep the water running until the outlet has cooled, then lower more slowly.",
        time_to_respond="30 s",
    ),
    AlarmKind(
        name="brake-level-rising",
        scope=Scope.BRAKE,
        shape=Shape.HIGH,
        quantity="level_rate_m_s",
        dimension=Dimension.SPEED,
        setpoint="3 mm/s",
        deadband="1 mm/s",
        on_delay="0 s",
        off_delay="3 s",
        priority=Priority.HIGH,
        gated=True,
        consequence="The water is on its way to the bearings.",
        causes=("return hose choked or collapsed", "return valve part shut", "inflow opened up"),
        response=f"{STOP} Then free the return, or cut the inflow back by the maker's procedure.",
        time_to_respond="10 s",
    ),
    AlarmKind(
        name="brake-level-high",
        scope=Scope.BRAKE,
        shape=Shape.HIGH,
        quantity="brake-level",
        dimension=Dimension.LENGTH,
        limit="bearing-level",
        setpoint="bearing-level",
        factor=0.75,
        deadband="20 mm",
        on_delay="400 ms",
        off_delay="5 s",
        priority=Priority.CRITICAL,
        gated=True,
        consequence="Water reaches the bearings and washes out their grease.",
        causes=("return choked", "overflow blocked", "inflow too large"),
        response=f"{STOP} Then free the return before any more water goes in; check the bearings' grease afterwards.",
        time_to_respond="5 s",
    ),
    AlarmKind(
        name="signal-bad",
        scope=Scope.POINT,
        shape=Shape.BAD,
        on_delay="4 s",
        off_delay="2 s",
        priority=Priority.MEDIUM,
        group="signals",
        consequence="The watch is blind on this signal.",
        causes=("broken wire", "failed transmitter", "wrong range, address or data type"),
        response="Have the instrument tech check this loop; watch the local gauge until it is good again.",
        time_to_respond="10 min",
    ),
    AlarmKind(
        name="signal-doubtful",
        scope=Scope.POINT,
        shape=Shape.DOUBTFUL,
        on_delay="5 s",
        off_delay="5 s",
        priority=Priority.LOW,
        group="signals",
        consequence="The watch goes on with this signal, but what it says may be wrong or is entered by hand.",
        causes=(
            "value substituted by hand",
            "loop just outside its range",
            "line overloaded",
            "sensors contradict each other",
        ),
        response="Compare with the local gauge; have the instrument tech look at what the reason names.",
        time_to_respond="1 h",
    ),
    AlarmKind(
        name="device-silent",
        scope=Scope.DEVICE,
        shape=Shape.SILENT,
        on_delay="1 s",
        off_delay="1 s",
        priority=Priority.HIGH,
        group="signals",
        consequence="The watch is blind on every signal of this device.",
        causes=("power off", "cable or switch", "address or port changed"),
        response="Have the instrument tech restore the device; watch the local gauges until it answers again.",
        time_to_respond="5 min",
    ),
    AlarmKind(
        name="device-stuck",
        scope=Scope.DEVICE,
        shape=Shape.STUCK,
        on_delay="0 s",
        off_delay="1 s",
        priority=Priority.HIGH,
        group="signals",
        consequence="The device repeats old values: the watch is blind on every signal of it.",
        causes=("program of the device stopped", "device in stop or programming mode", "its own input card dead"),
        response="Have the instrument tech restart the device's program; watch the local gauges until it runs again.",
        time_to_respond="5 min",
    ),
    AlarmKind(
        name="broker-lost",
        scope=Scope.RIG,
        shape=Shape.DOWN,
        quantity="self.broker",
        on_delay="5 s",
        off_delay="0 s",
        priority=Priority.LOW,
        group="self",
        consequence="Lamps and pages fed by the message broker show nothing new.",
        causes=("broker stopped", "network", "password or certificate"),
        response="Restart the broker or mend the network; alarms go on here and are delivered when it is back.",
        time_to_respond="30 min",
    ),
    AlarmKind(
        name="lamp-write-failed",
        scope=Scope.RIG,
        shape=Shape.DOWN,
        quantity="self.lamp-writes",
        on_delay="3 s",
        off_delay="0 s",
        priority=Priority.HIGH,
        group="self",
        consequence="Lamps fed by this mailbox show nothing new; the PLC's watchdog should have put them out.",
        causes=("PLC away", "mailbox moved or its signature changed", "something else writes there"),
        response="Watch the page instead of these lamps; have the instrument tech compare mailbox and rig file.",
        time_to_respond="5 min",
    ),
    AlarmKind(
        name="clock-stepped",
        group="self",
        scope=Scope.RIG,
        shape=Shape.OFF,
        quantity="self.clock-step",
        dimension=Dimension.TIME,
        setpoint="5 s",
        off_delay="60 s",
        priority=Priority.LOW,
        consequence="Times in the record and in reports jump; delays, rates and the order of events do not.",
        causes=("time server back after a long while", "clock set by hand", "battery of the rig PC's clock empty"),
        response="Have the instrument tech see that the rig PC keeps time; note the step where times are compared.",
        time_to_respond="1 d",
    ),
    AlarmKind(
        name="limits-above-maker",
        scope=Scope.RIG,
        shape=Shape.STANDING,
        priority=Priority.LOW,
        group="self",
        consequence="An alarm comes only after the limit that the brake's maker gives.",
        causes=("a setpoint in the rig file beyond the brake's limit",),
        response="Know which alarm it is and why (see the rig file's basis); the maker's manual stands above it.",
        time_to_respond="1 d",
    ),
    AlarmKind(
        name="disk-low",
        scope=Scope.RIG,
        shape=Shape.HIGH,
        quantity="self.disk-used",
        setpoint="0.9",
        deadband="0.02",
        on_delay="10 s",
        off_delay="10 s",
        priority=Priority.LOW,
        group="self",
        consequence="When the disk is full, alarms go on but nothing more is recorded.",
        causes=("record kept without limit", "something else fills the disk"),
        response="Have the service owner free space, or limit what is kept in [record]; a legal hold keeps its window.",
        time_to_respond="1 d",
    ),
)

CATALOGUE: dict[str, AlarmKind] = {row.name: row for row in _ROWS}
