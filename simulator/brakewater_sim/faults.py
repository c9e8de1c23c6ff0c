"""The faults that a scenario file may ask for, as one table: what each acts on, and how far from mild to severe.

A severity of 0 is mild, 1 severe, between them a straight line. Sizes are invented for the demonstration; the
plant's answer to them is physics. Which alarms may lead for which fault stands in ``leading.toml``.
"""

from dataclasses import dataclass
from enum import StrEnum


class Acts(StrEnum):
    """Where a fault takes hold."""

    CONDITION = "condition"
    """An item of ``Health`` goes from sound to the severity's size."""
    PUMP = "pump"
    AIR = "ambient"
    TANK = "tank"
    """The tank is smaller from the start."""
    PACE = "pace"
    SENSOR = "sensor"
    DEVICE = "device"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One row."""

    name: str
    says: str
    acts: Acts
    on: str = ""
    """Item of ``Health``, kind of a sensor fault, or of a device's."""
    mild: float = 0.0
    severe: float = 0.0
    over_s: float = 0.0
    """How long it takes to grow, unless the scenario says otherwise."""
    role: str = ""
    """A sensor fault's only role; empty: the scenario names it."""


def _condition(name: str, on: str, mild: float, severe: float, over_s: float, says: str) -> Fault:
    return Fault(name=name, says=says, acts=Acts.CONDITION, on=on, mild=mild, severe=severe, over_s=over_s)


def _sensor(name: str, on: str, says: str, mild: float = 0.0, severe: float = 0.0, role: str = "") -> Fault:
    return Fault(name=name, says=says, acts=Acts.SENSOR, on=on, mild=mild, severe=severe, role=role)


_ROWS = (
    _condition("choked-return", "blockage", 0.30, 0.95, 120.0, "The return hose silts up: part of its bore is lost."),
    _condition("collapsed-hose", "blockage", 0.35, 0.98, 1.0, "The lining of the return hose folds in at once."),
    _condition("strainer-plugging", "strainer", 0.65, 0.97, 600.0, "The suction strainer plugs: part of it is lost."),
    _condition("filter-plugging", "filter", 0.65, 0.97, 900.0, "The filter plugs: part of it is lost."),
    _condition("pump-wear", "wear", 0.20, 0.60, 1200.0, "The pump's impeller is worn: part of its head is lost."),
    _condition("air-in-line", "air", 0.15, 0.80, 30.0, "The suction draws air: the pump's pull comes and goes."),
    _condition("valve-closing", "valve", 2.0, 300.0, 5.0, "The inlet valve creeps shut: the line's resistance."),
    _condition("valve-opened", "valve", 0.55, 0.15, 10.0, "The inlet valve is opened too far."),
    _condition("leaking-supply", "supply_leak", 0.05, 0.50, 20.0, "Metered water is lost on its way to the brake."),
    _condition("tank-leak", "tank_leak_m3_s", 2e-3, 2e-2, 5.0, "The tank loses water, m3/s."),
    _condition("cooler-fan-off", "cooler", 0.5, 0.1, 30.0, "The tank loses less heat: multiple of its own."),
    _condition("scaled-rotor", "scale_m", 1e-4, 1.5e-3, 1.0, "Hard-water scale on the rotor, m."),
    _condition("widening-gap", "gap", 1.10, 1.60, 1.0, "The air gap is wider than as built: its multiple."),
    _condition("weak-excitation", "excitation", 0.80, 0.25, 2.0, "The exciter gives less: part of the most current."),
    Fault(name="pump-stopped", says="The pump stops by itself.", acts=Acts.PUMP),
    Fault(name="hot-day", says="The air warms up, degC.", acts=Acts.AIR, mild=36.0, severe=50.0, over_s=1800.0),
    Fault(name="frost", says="The air cools down, degC.", acts=Acts.AIR, mild=-2.0, severe=-25.0, over_s=1800.0),
    Fault(name="small-tank", says="The tank holds only a part of its volume.", acts=Acts.TANK, mild=0.6, severe=0.15),
    Fault(name="too-fast", says="The crew lowers too fast: multiple of its pace.", acts=Acts.PACE, mild=1.2, severe=2.0,
          over_s=5.0),
    _sensor("stuck-sensor", "stuck", "A transmitter shows what it showed last."),
    _sensor("frozen-level", "stuck", "The brake's level transmitter shows what it showed last.", role="brake-level"),
    _sensor("drifting-sensor", "drift", "A transmitter drifts: its range an hour.", 0.3, 6.0),
    _sensor("biased-sensor", "bias", "A transmitter is off by a part of its range.", 0.02, 0.25),
    _sensor("wrong-range", "wrong-range", "A transmitter's range is entered wrongly: multiple of the truth.", 1.1, 2.0),
    _sensor("broken-wire", "open-circuit", "A sensor's wire breaks."),
    _sensor("shorted-wire", "short-circuit", "A sensor's wires touch."),
    Fault(name="silent-device", says="A device does not answer.", acts=Acts.DEVICE, on="silent"),
    Fault(name="stuck-device", says="A device answers with old values.", acts=Acts.DEVICE, on="stuck"),
)  # fmt: skip

FAULTS: dict[str, Fault] = {row.name: row for row in _ROWS}

SPANS: dict[str, float] = {
    "inlet-flow": 9.46e-3,
    "return-flow": 9.46e-3,
    "inlet-temperature": 50.0,
    "outlet-temperature": 50.0,
    "tank-temperature": 50.0,
    "ambient-temperature": 50.0,
    "brake-level": 1.0,
    "tank-level": 2.4,
    "hook-load": 2.0e6,
    "block-position": 30.0,
    "supply-pressure": 4.0e5,
    "strainer-differential": 1.0e5,
    "filter-differential": 1.0e5,
    "coil-current": 75.0,
    "coil-commanded": 75.0,
    "coil-voltage": 200.0,
    "drum-speed": 50.0,
}
"""Role -> what counts as its range in a drift or bias, in its unit."""


def size(fault: Fault, severity: float) -> float:
    """How large a fault is at a severity of 0 to 1."""
    return fault.mild + (fault.severe - fault.mild) * severity


def sensor_size(fault: Fault, severity: float, role: str) -> float:
    """A sensor fault's size in the role's unit: a drift a second, a bias; a wrong range stays a multiple."""
    found = size(fault, severity)
    if fault.on == "drift":
        return found * SPANS[role] / 3600.0
    return found * SPANS[role] if fault.on == "bias" else found
