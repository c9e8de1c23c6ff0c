"""The scenarios, as data: what happens when, and which alarms a good watch raises by when.

Times are seconds from the scenario's start; before it the plant runs ``warmup_s`` so that it starts warm. All invented.
``expected`` is all that the demo rig's watch raises, by its own names, and ``due_s`` the latest time for it: what the
engine needed with any of several seeds, and a few seconds more (tests/integration/test_sim_alarms.py).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from brakewater_sim.health import Health
from brakewater_sim.hoist import HoistSizes
from brakewater_sim.lines import LineSizes
from brakewater_sim.plant import Sizes
from brakewater_sim.profile import Profile, constant, steps
from brakewater_sim.sensors import SENSORS, SensorFault, SensorSizes

RUNNING = constant(1.0)
OPEN = constant(0.0)
MILD = constant(24.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """An alarm that the scenario must raise."""

    alarm: str
    due_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """A device that does not answer for a while, or (``stuck``) answers with what it held when this began."""

    device: str
    from_s: float
    to_s: float
    stuck: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One story: where the plant starts, what is done to it, what must be noticed.

    Raises:
        ValueError: a fault names a role that has no transmitter, or a condition that the plant does not have.
    """

    name: str
    says: str
    length_s: float
    warmup_s: float = 450.0
    clock_s: float = 0.0
    """Where the hoist's timetable stands at the start: 0 is the moment a stand begins to go down."""
    water_degc: float = 29.44
    """Of the tank before the warm-up; 85 degF."""
    ambient_degc: Profile = MILD
    pump: Profile = RUNNING
    """Running where it is 0.5 or more."""
    blockage: Profile = OPEN
    """Blocked part of the return hose, 0 to 1."""
    pace: Profile = RUNNING
    """Of the hoist: 1 normal, 0 held on the friction brake."""
    conditions: Mapping[str, tuple[Profile, ...]] = field(default_factory=dict)
    """Item of ``Health`` -> what acts on it."""
    legs: tuple[HoistSizes, ...] = ()
    """What the hoist does after its first leg, in ``sizes``."""
    sensors: tuple[SensorSizes, ...] = SENSORS
    lost_one_in: int = 0
    """One answer of a device in so many is lost, at random; 0 none."""
    faults: tuple[SensorFault, ...] = ()
    silences: tuple[Silence, ...] = ()
    expected: tuple[Expected, ...] = ()
    sizes: Sizes = field(default_factory=Sizes)

    def __post_init__(self) -> None:
        known = {sensor.role for sensor in SENSORS}
        unknown = sorted({fault.role for fault in self.faults} - known)
        if unknown:
            raise ValueError(f"scenario {self.name}: no transmitter {unknown}; allowed: {sorted(known)}")
        odd = sorted(self.conditions.keys() - set(Health._fields))
        if odd:
            raise ValueError(f"scenario {self.name}: no condition {odd}; allowed: {sorted(Health._fields)}")


def _expect(due_s: dict[str, float]) -> tuple[Expected, ...]:
    return tuple(Expected(alarm=alarm, due_s=due) for alarm, due in due_s.items())


DEMO_CREW = replace(HoistSizes(), lowering_m_s=0.85, connect_s=27.0)
"""A quick crew: about 100 s a stand, so that two minutes show two of them."""
HEAVY = replace(HoistSizes(), start_depth_m=2800.0, lowering_m_s=1.4, connect_s=25.0, collars_kg=60_000.0)
"""A heavy string run in too fast."""
WORN = LineSizes(line_s2_m5=9.2e5)
"""A supply line that carries 79 US gal/min, not 85."""
WHOLE_TRIP = replace(HoistSizes(), start_depth_m=0.0)

SCENARIOS = {
    scenario.name: scenario
    for scenario in (
        Scenario(
            name="demo",
            says="A trip in under way; the return hose chokes and is cleared; the pump stops with the brake loaded.",
            length_s=120.0,
            clock_s=27.0,
            blockage=Profile(knots=((20.0, 0.0), (30.0, 0.65), (60.0, 0.65), (63.0, 0.0))),
            pump=steps(1.0, (85.0, 0.0), over_s=0.05),
            pace=steps(1.0, (97.0, 0.0), over_s=3.0),
            expected=_expect(
                {
                    "brake-level-rising": 35.0,
                    "brake-level-high": 57.0,
                    "pump-stopped": 86.0,
                    "cooling-lost": 90.0,
                    "cooling-flow-low": 91.0,
                    "rotor-hot-no-flow": 96.0,
                }
            ),
            sizes=Sizes(hoist=DEMO_CREW),
        ),
        Scenario(
            name="trip-in",
            says="A whole trip in from surface to 3,381 m on a mild day, five hours; nothing is wrong.",
            length_s=17_700.0,
            warmup_s=0.0,
            water_degc=26.0,
            sizes=Sizes(hoist=WHOLE_TRIP),
        ),
        Scenario(
            name="pump-loss",
            says="The pump stops in mid-trip while a stand goes down; the crew holds 15 s later.",
            length_s=180.0,
            pump=steps(1.0, (10.0, 0.0), over_s=0.05),
            pace=steps(1.0, (25.0, 0.0), over_s=3.0),
            expected=_expect(
                {"pump-stopped": 11.0, "cooling-lost": 15.0, "cooling-flow-low": 16.0, "rotor-hot-no-flow": 21.0}
            ),
        ),
        Scenario(
            name="return-choke",
            says="The return hose chokes within two minutes and stays so; water rises past the bearing.",
            length_s=240.0,
            blockage=Profile(knots=((30.0, 0.0), (150.0, 0.7))),
            expected=_expect({"brake-level-rising": 116.0, "brake-level-high": 124.0}),
        ),
        Scenario(
            name="hot-day",
            says="A hot day, a heavy string run in too fast: the tank passes 100 degF, later the outlet 160 degF.",
            length_s=1680.0,
            water_degc=36.0,
            ambient_degc=constant(43.0),
            expected=_expect(
                {
                    "inlet-temperature-high": 230.0,
                    "cooling-margin-low": 720.0,
                    "outlet-temperature-high": 1400.0,
                }
            ),
            sizes=Sizes(hoist=HEAVY, line=WORN),
        ),
        Scenario(
            name="inlet-rtd-open",
            says="A wire of the inlet RTD breaks in mid-trip and is mended two minutes later.",
            length_s=300.0,
            faults=(SensorFault(role="inlet-temperature", kind="open-circuit", from_s=40.0, to_s=160.0),),
            expected=_expect({"signal-bad:aux-inlet": 46.0}),
        ),
        Scenario(
            name="plc-silent",
            says="The PLC stops answering in mid-trip for a minute: flow is unknown, so it counts as lost.",
            length_s=180.0,
            silences=(Silence(device="plc1", from_s=40.0, to_s=100.0),),
            expected=_expect({"device-silent:plc1": 43.0, "cooling-lost": 44.0, "rotor-hot-no-flow": 64.0}),
        ),
    )
}
