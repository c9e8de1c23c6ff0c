"""The alarm catalogue: every alarm there is, with its rationalisation record, as one table.

Defaults start from the deadbands and delays published as starting points (ISA-18.2, EEMUA 191; from memory of their
tables) and are cut down where water moves faster than those allow: a fully choked return lifts the level centimetres a
second. Responses are our own words, common practice, no published source; the maker's manual and local rules stand
above them.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from brakewater.units import Dimension, parse


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
    MET = "met"
    """Several signals together say so; which, ``engine.judged`` knows. The value shown is its quantity."""
    STANDING = "standing"
    """Holds as long as the rig file is as it is: a standing notice."""


class Priority(StrEnum):
    """From consequence and time to respond."""

    CRITICAL = "critical"
    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


class Grade(StrEnum):
    """How bad it is if nobody does anything."""

    SEVERE = "severe"
    """The brake may fail its crew."""
    MAJOR = "major"
    """The brake is harmed, the trip stops, or the watch is blind."""
    MINOR = "minor"
    """A nuisance, a loss of records, or work for another day."""


PRIORITIES: Final[dict[Grade, tuple[tuple[float, Priority], ...]]] = {
    Grade.SEVERE: ((30.0, Priority.CRITICAL), (300.0, Priority.CRITICAL), (float("inf"), Priority.HIGH)),
    Grade.MAJOR: ((30.0, Priority.HIGH), (300.0, Priority.HIGH), (float("inf"), Priority.MEDIUM)),
    Grade.MINOR: ((30.0, Priority.MEDIUM), (300.0, Priority.LOW), (float("inf"), Priority.LOW)),
}
"""Consequence by time to respond -> priority: up to so many seconds. A matrix of our own, in the manner of ISA-18.2."""


def priority_of(grade: Grade, respond_s: float) -> Priority:
    """The matrix's cell.

    Args:
        grade: of the consequence.
        respond_s: time to respond, s.
    """
    return next(priority for most_s, priority in PRIORITIES[grade] if respond_s <= most_s)


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
    needs: tuple[str, ...] = ()
    """Roles without which it is not watched: a brake's, or of the rig."""
    waits: str = ""
    """A derived quantity that this version does not have yet; not watched until it does."""
    tables: tuple[str, ...] = ()
    """What the rig file must describe, or it is not watched: keys of ``TABLES``."""
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
    grade: Grade = Grade.MAJOR
    """Of its consequence."""
    priority: Priority = field(init=False)
    """From its grade and the time to respond, by the matrix."""
    group: str = "water"
    """First-out is told within a brake (or the rig) and a group."""
    gated: bool = False
    """Silent unless the brake is in service or its rotor may be hot."""
    consequence: str
    causes: tuple[str, ...]
    response: str
    time_to_respond: str

    def __post_init__(self) -> None:
        respond_s = parse(self.time_to_respond, Dimension.TIME)
        object.__setattr__(self, "priority", priority_of(self.grade, respond_s))

    @property
    def is_low(self) -> bool:
        """Too little is what it warns of."""
        return self.shape in (Shape.LOW, Shape.LOST)

    @property
    def sums_times(self) -> bool:
        """Its on-delay is a sum of times, since what it warns of comes in moments: a loose wire, a bad plug."""
        return self.shape in (Shape.BAD, Shape.SILENT)

    @property
    def difference(self) -> Dimension:
        """The dimension of its deadband: a temperature's is a difference."""
        return Dimension.DIFFERENCE if self.dimension is Dimension.TEMPERATURE else self.dimension


BOOKED: Final = "upkeep"
"""Group of what the upkeep book says; it never sounds the horn."""
TABLES: Final[dict[str, str]] = {
    "hoist": "[hoist]",
    "rotor": "rotor of the brake",
    "torque": "torque of the brake",
    "tank": "one [[tank]], of one brake alone",
}
"""What a derived quantity needs of the rig file -> how a person finds it there."""

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
        gated=True,
        grade=Grade.SEVERE,
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
        gated=True,
        consequence="Water near boiling insulates the rotor; bearings lose their grease.",
        causes=("flow too small for the pace", "inlet too warm", "heavy string at high pace"),
        response=f"{STOP} Keep the water running until the outlet has cooled, then lower more slowly.",
        time_to_respond="30 s",
    ),
    AlarmKind(
        name="brake-level-rising",
        scope=Scope.BRAKE,
        shape=Shape.MET,
        quantity="level_rise_m",
        dimension=Dimension.LENGTH,
        setpoint="10 mm",
        on_delay="0 s",
        off_delay="3 s",
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
        gated=True,
        grade=Grade.SEVERE,
        consequence="Water reaches the bearings and washes out their grease.",
        causes=("return choked", "overflow blocked", "inflow too large"),
        response=f"{STOP} Then, by the maker's procedure, free the return before any more water goes in; check the"
        " bearings' grease afterwards.",
        time_to_respond="5 s",
    ),
    AlarmKind(
        name="return-restricted",
        scope=Scope.BRAKE,
        shape=Shape.MET,
        needs=("return-flow",),
        quantity="flow_balance_m3_s",
        dimension=Dimension.FLOW,
        setpoint="5 gal/min",
        on_delay="1 s",
        off_delay="5 s",
        gated=True,
        consequence="Less water leaves the brake than enters it: it fills towards the bearings.",
        causes=(
            "return hose choked, kinked or collapsed",
            "return valve part shut",
            "tank's inlet under water or iced",
        ),
        response=f"{STOP} Then free the return; cutting the inflow back buys time, by the maker's procedure.",
        time_to_respond="10 s",
    ),
    AlarmKind(
        name="water-lost",
        scope=Scope.BRAKE,
        shape=Shape.MET,
        needs=("return-flow",),
        quantity="flow_balance_m3_s",
        dimension=Dimension.FLOW,
        setpoint="5 gal/min",
        on_delay="25 s",  # a choke that hides as much has raised the level by then: 0.3 mm/s over 1.1 m2
        off_delay="10 s",
        gated=True,
        consequence="Water runs out between the two meters: onto the floor, and in the end out of the tank.",
        causes=("hose or fitting leaks", "drain left open", "overflow runs", "one of the flow meters wrong"),
        response=f"{STOP} Then look along the hoses for the leak; hot water scalds, keep clear of the spray.",
        time_to_respond="2 min",
    ),
    AlarmKind(
        name="cooling-flow-high",
        scope=Scope.BRAKE,
        shape=Shape.HIGH,
        quantity="inlet-flow",
        dimension=Dimension.FLOW,
        setpoint="most-flow",
        deadband="3 gal/min",
        on_delay="5 s",
        off_delay="5 s",
        gated=True,
        consequence="More goes in than the return may carry off; the level may rise.",
        causes=("valve opened too far", "pump set up for two brakes feeds one", "flow meter wrong"),
        response="Cut the inflow back to what the maker asks for; watch the level.",
        time_to_respond="10 min",
    ),
    AlarmKind(
        name="outlet-rise-high",
        scope=Scope.BRAKE,
        shape=Shape.HIGH,
        quantity="outlet_rise_k",
        dimension=Dimension.DIFFERENCE,
        setpoint="rise-limit",
        deadband="2 degF",
        on_delay="2 s",
        off_delay="5 s",
        gated=True,
        consequence="The brake makes more heat than this water is meant for; a warmer inlet makes the outlet too hot.",
        causes=("flow too small for the pace", "heavy string at high pace", "flow meter reads high"),
        response=f"{STOP} Then lower more slowly, and find out why the flow is small for this load.",
        time_to_respond="1 min",
    ),
    AlarmKind(
        name="cooling-margin-low",
        scope=Scope.BRAKE,
        shape=Shape.LOW,
        quantity="cooling_margin",
        setpoint="10 %",
        deadband="5 %",
        on_delay="3 s",
        off_delay="3 min",
        gated=True,
        consequence="Nearly all that this flow and inlet can carry off is used up; the outlet limit is next.",
        causes=("inlet warm", "flow small", "string heavy for this pace"),
        response=f"{STOP} Then go on more slowly, once the margin is back.",
        time_to_respond="1 min",
    ),
    AlarmKind(
        name="supply-pressure-low",
        scope=Scope.BRAKE,
        shape=Shape.LOW,
        needs=("supply-pressure",),
        quantity="supply-pressure",
        dimension=Dimension.PRESSURE,
        setpoint="least-pressure",
        deadband="1 psi",
        on_delay="2 s",
        off_delay="5 s",
        gated=True,
        consequence="The supply fails; the flow is next.",
        causes=("pump worn, drawing air or stopped", "suction blocked", "tank low", "hose burst"),
        response=f"{STOP} Then see to the pump and its suction before the flow is lost.",
        time_to_respond="1 min",
    ),
    AlarmKind(
        name="strainer-fouling",
        scope=Scope.BRAKE,
        shape=Shape.HIGH,
        needs=("strainer-differential",),
        quantity="strainer-differential",
        dimension=Dimension.PRESSURE,
        setpoint="strainer-limit",
        deadband="0.5 psi",
        on_delay="30 s",
        off_delay="30 s",
        gated=True,
        consequence="The strainer holds the flow back more and more.",
        causes=("dirt from the tank", "scale", "strainer overdue"),
        response="Clean or change over the strainer between trips; never open it under pressure or hot.",
        time_to_respond="1 h",
    ),
    AlarmKind(
        name="inlet-limit-ahead",
        scope=Scope.BRAKE,
        shape=Shape.LOW,
        needs=("ambient-temperature",),
        tables=("tank",),
        quantity="time_to_inlet_limit_early_s",
        dimension=Dimension.TIME,
        setpoint="15 min",
        deadband="5 min",
        on_delay="60 s",
        off_delay="60 s",
        gated=True,
        consequence="At this pace the tank will be too warm before long.",
        causes=("long trip", "cooler or fan off", "tank low", "hot day"),
        response="Plan a pause, slow the pace, or cool or top up the tank now, while there is time.",
        time_to_respond="15 min",
    ),
    AlarmKind(
        name="heat-share-low",
        scope=Scope.BRAKE,
        shape=Shape.MET,
        needs=("hook-load", "block-position"),
        tables=("hoist",),
        quantity="heat_share",
        setpoint="50 %",
        on_delay="60 s",
        off_delay="60 s",
        gated=True,
        consequence="The brake takes less of the load than it should; the friction brake carries the rest and wears.",
        causes=(
            "excitation low",
            "air gap grown",
            "driller uses the friction brake",
            "flow or temperature reading wrong",
        ),
        response="Compare with how the brakes are used; have coils and air gap looked at before the next trip.",
        time_to_respond="30 min",
    ),
    AlarmKind(
        name="brake-weakening",
        scope=Scope.BRAKE,
        shape=Shape.MET,
        needs=("hook-load", "block-position", "drum-speed", "coil-current"),
        tables=("hoist", "torque"),
        quantity="torque_index",
        setpoint="80 %",
        on_delay="60 s",
        off_delay="60 s",
        gated=True,
        consequence="The brake gives less torque for its current than it did: one day it will not hold the pace.",
        causes=("air gap grown", "coil partly shorted", "rotor worn or very hot"),
        response="Have the mechanic measure the air gap and the coils before the next trip.",
        time_to_respond="1 h",
    ),
    AlarmKind(
        name="excitation-low",
        scope=Scope.BRAKE,
        shape=Shape.LOW,
        needs=("coil-current", "coil-commanded"),
        quantity="excitation_share",
        setpoint="50 %",
        deadband="10 %",
        on_delay="1 s",
        off_delay="5 s",
        grade=Grade.SEVERE,
        gated=True,
        consequence="The coils draw less than they are asked for: the brake may not slow the load.",
        causes=("lead or brush broken", "excitation supply failed", "breaker open"),
        response=f"{STOP} Then have the excitation found and mended, isolated and locked out.",
        time_to_respond="5 s",
    ),
    AlarmKind(
        name="excitation-reduced",
        scope=Scope.BRAKE,
        shape=Shape.LOW,
        needs=("coil-current", "coil-commanded"),
        quantity="excitation_share",
        setpoint="80 %",
        deadband="5 %",
        on_delay="5 s",
        off_delay="60 s",
        gated=True,
        consequence="The coils take a part of the current asked for, and torque goes by its square.",
        causes=("exciter at its limit", "lead, brush or slip ring worn", "coil hot or partly open"),
        response="Slow the pace and keep the friction brake ready; have the excitation looked at before the next trip.",
        time_to_respond="10 min",
    ),
    AlarmKind(
        name="rotor-hot-no-flow",
        scope=Scope.BRAKE,
        shape=Shape.MET,
        tables=("rotor",),
        quantity="rotor_temperature_degc",
        dimension=Dimension.TEMPERATURE,
        setpoint="200 degF",
        on_delay="2 s",
        off_delay="10 s",
        grade=Grade.SEVERE,
        gated=True,
        consequence="A hot rotor stands without water: cold water now would crack it, none at all may warp it.",
        causes=("water shut off too soon after the trip", "pump stopped", "hose off"),
        response=f"{STOP} Throw no cold water on it: by the maker's procedure, turn it slowly and steadily, then"
        " restore the water.",
        time_to_respond="30 s",
    ),
    AlarmKind(
        name="pump-stopped",
        scope=Scope.RIG,
        shape=Shape.MET,
        needs=("pump-running",),
        quantity="pump-running",
        on_delay="0 s",
        off_delay="2 s",
        group="supply",
        gated=True,
        consequence="The cooling water is about to stop.",
        causes=("power or breaker", "fuel or engine", "stopped by hand", "coupling broken"),
        response=f"{STOP} Then start the pump, or the standby pump, by the maker's procedure; never throw cold water on"
        " a hot, standing rotor.",
        time_to_respond="10 s",
    ),
    AlarmKind(
        name="tank-level-low",
        scope=Scope.RIG,
        shape=Shape.LOW,
        needs=("tank-level",),
        quantity="tank-level",
        dimension=Dimension.LENGTH,
        setpoint="0.5 m",
        deadband="50 mm",
        on_delay="15 s",
        off_delay="30 s",
        group="supply",
        consequence="Less water warms up faster, and the pump may draw air.",
        causes=("leak", "evaporation", "water lost overboard", "not topped up"),
        response="Top the tank up; look for a leak.",
        time_to_respond="15 min",
    ),
    AlarmKind(
        name="frost-ahead",
        scope=Scope.RIG,
        shape=Shape.LOW,
        needs=("ambient-temperature",),
        quantity="ambient-temperature",
        dimension=Dimension.TEMPERATURE,
        setpoint="36 degF",
        deadband="3 degF",
        on_delay="60 s",
        off_delay="5 min",
        group="supply",
        consequence="Standing water freezes and bursts jackets and hoses; an iced return chokes the brake.",
        causes=("cold night", "pump off with water in the lines"),
        response="Keep the water moving, or drain brake and lines by the maker's procedure before it freezes.",
        time_to_respond="1 h",
    ),
    AlarmKind(
        name="record-stalled",
        scope=Scope.RIG,
        shape=Shape.HIGH,
        quantity="self.commit-age",
        dimension=Dimension.TIME,
        setpoint="15 s",
        on_delay="5 s",
        off_delay="5 s",
        grade=Grade.MINOR,
        group="self",
        consequence="Alarms go on, but what happens now may be missing from the record.",
        causes=("disk full or failing", "disk very slow"),
        response="Have the service owner look at the disk of the rig PC.",
        time_to_respond="30 min",
    ),
    AlarmKind(
        name="mirror-behind",
        scope=Scope.RIG,
        shape=Shape.HIGH,
        quantity="self.mirror",
        dimension=Dimension.TIME,
        setpoint="5 min",
        on_delay="60 s",
        off_delay="10 s",
        grade=Grade.MINOR,
        group="self",
        consequence="Pages fed by this server show the past; nothing is lost.",
        causes=("network", "server stopped", "token or password"),
        response="Mend the link or the server; it catches up by itself.",
        time_to_respond="1 d",
    ),
    AlarmKind(
        name="signal-bad",
        scope=Scope.POINT,
        shape=Shape.BAD,
        on_delay="4 s",
        off_delay="2 s",
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
        group="signals",
        grade=Grade.MINOR,
        consequence="The watch goes on with this signal, but what it says may be wrong or is entered by hand.",
        causes=(
            "value substituted by hand",
            "loop just outside its range",
            "line overloaded",
            "sensors contradict each other",
            "two sensors exchanged",
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
        group="self",
        grade=Grade.MINOR,
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
        group="self",
        consequence="Lamps fed by this mailbox show nothing new; the PLC's watchdog should have put them out.",
        causes=("PLC away", "mailbox moved or its signature changed", "something else writes there"),
        response="Watch the page instead of these lamps; have the instrument tech compare mailbox and rig file.",
        time_to_respond="5 min",
    ),
    AlarmKind(
        name="panel-lost",
        scope=Scope.RIG,
        shape=Shape.DOWN,
        quantity="self.panel",
        on_delay="10 s",
        off_delay="10 s",
        group="self",
        consequence="The driller's page shows nothing new; lamps, horn and alarms go on.",
        causes=("the page's program cannot start", "its port is taken", "its certificate cannot be read"),
        response="Watch lamps and horn; have the service owner look at the log of the watch.",
        time_to_respond="5 min",
    ),
    AlarmKind(
        name="part-restarting",
        scope=Scope.RIG,
        shape=Shape.HIGH,
        quantity="self.restarts",
        setpoint="2",
        off_delay="10 s",
        group="self",
        consequence="The watch or its page ends again and again: it watches in between, but not all the time.",
        causes=("a defect in this version", "memory or disk of the rig PC failing", "power that comes and goes"),
        response="Have the service owner read the log from before each start, and go back to the version before.",
        time_to_respond="30 min",
    ),
    AlarmKind(
        name="on-battery",
        scope=Scope.RIG,
        shape=Shape.DOWN,
        quantity="self.mains",
        on_delay="10 s",
        off_delay="10 s",
        group="self",
        consequence="The watch goes on until the battery is empty; then nothing is watched or recorded.",
        causes=("mains off", "supply of the rig PC unplugged or failed", "no supply that the rig PC can see"),
        response="Restore the supply of the rig PC; before the battery is empty, stop tripping or watch the gauges.",
        time_to_respond="10 min",
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
        grade=Grade.MINOR,
        consequence="Times in the record and in reports jump; delays, rates and the order of events do not.",
        causes=("time server back after a long while", "clock set by hand", "battery of the rig PC's clock empty"),
        response="Have the instrument tech see that the rig PC keeps time; note the step where times are compared.",
        time_to_respond="1 d",
    ),
    AlarmKind(
        name="limits-above-maker",
        scope=Scope.RIG,
        shape=Shape.STANDING,
        group="self",
        grade=Grade.MINOR,
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
        grade=Grade.MINOR,
        group="self",
        consequence="When the disk is full, alarms go on but nothing more is recorded.",
        causes=("record kept without limit", "something else fills the disk"),
        response="Have the service owner free space, or limit what is kept in [record]; a legal hold keeps its window.",
        time_to_respond="1 d",
    ),
    AlarmKind(
        name="round-due",
        scope=Scope.RIG,
        shape=Shape.HIGH,
        quantity="book.round",
        setpoint="99.9999 %",
        on_delay="1 s",
        grade=Grade.MINOR,
        group=BOOKED,
        consequence="Most brakes are lost to neglect: grease runs out, breathers choke, gaps drift unseen.",
        causes=("the interval of hours, trips or days is used up", "the round was done and not logged"),
        response="Have the mechanic do the round when the brake can be spared, and log it.",
        time_to_respond="1 d",
    ),
    AlarmKind(
        name="air-gap-drifting",
        scope=Scope.RIG,
        shape=Shape.HIGH,
        quantity="book.gap",
        setpoint="100 %",
        on_delay="1 s",
        grade=Grade.MINOR,
        group=BOOKED,
        consequence="By its trend the air gap leaves its limits within a month: torque is lost, or the rotor touches.",
        causes=("bearing going", "rotor out of round or worn", "scale in the gap"),
        response="Have the mechanic measure again at every plug and look at bearings and scale before it is overdue.",
        time_to_respond="1 d",
    ),
)

CATALOGUE: dict[str, AlarmKind] = {row.name: row for row in _ROWS}
