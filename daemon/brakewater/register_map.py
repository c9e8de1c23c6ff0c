"""The outstation's registers: which stand where and what they mean, generated from the rig by fixed places.

    0..99          head: counters, health, horn, alarms of the rig, lamps, devices
    100..199       readings of the rig
    200 + 200 k    the k-th brake: its alarms, readings and derived quantities

Every block begins and ends with the scan counter and is short enough for one request, so that a torn read shows. A
place belongs to one quantity for ever, fitted or not; lamps, devices and brakes count up in the order of the rig file.
So nothing moves when something is added at its end, and whatever does change its meaning changes the signature.

A value takes four registers: float32 in the crew's unit, quality, reason code. Where it is bad it is driven to the side
that raises alarms, for a PLC that looks at nothing but the number.
"""

import hashlib
from dataclasses import dataclass
from functools import cached_property
from typing import Final

from brakewater.render import dimension_of_derived
from brakewater.rig import Brake, Rig
from brakewater.rig.roles import ROLES
from brakewater.units import Dimension, shown

FORMAT: Final = 1
"""Version of the places below."""
NOT_FITTED: Final = 255
"""Reason code of a value that this rig does not have."""

SCANS, BEATS, HEALTH, VERSION, SIGNATURE, HORN, BRAKES, LAMP_COUNT, DEVICE_COUNT = 0, 1, 2, 3, 4, 6, 7, 8, 9
ACTIVE, UNSEEN, LIT, LAMPS, DEVICES = 10, 12, 14, 16, 48
_MOST_LAMPS = _MOST_DEVICES = 32
_READINGS_OF_RIG: Final = 100
_FIRST_BRAKE: Final = 200
_STRIDE: Final = 200
BRAKE_ACTIVE, BRAKE_UNSEEN = 2, 4
_BLOCK_SIZE: Final = 100
_BRAKE_SIZE: Final = 120
_FIRST_CELL: Final = 6
_CELL_SIZE: Final = 4

HEALTH_BITS: Final = (
    ("watching", "scans come and go through the engine"),
    ("recording", "the record takes them"),
    ("broker", "the message broker is connected, or the rig has none"),
    ("mirrors", "every mirror is up to date, or the rig has none"),
    ("device-silent", "a device gave no answer in the last scan"),
    ("alarm-standing", "an alarm's condition holds"),
    ("alarm-unacknowledged", "an alarm waits for an acknowledgement"),
    ("alarm-test", "an alarm is tripped by hand to prove its lamp and horn"),
)
"""Bit by bit, the lowest first. The first four are 1 when all is well, the others 0."""

ALARMS_OF_BRAKE: Final = (
    "cooling-lost", "cooling-flow-low", "cooling-flow-high", "inlet-temperature-high", "outlet-temperature-high",
    "outlet-rise-high", "brake-level-rising", "brake-level-high", "return-restricted", "water-lost",
    "cooling-margin-low", "inlet-limit-ahead", "heat-share-low", "brake-weakening", "excitation-low",
    "rotor-hot-no-flow", "supply-pressure-low", "strainer-fouling", "excitation-reduced",
)  # fmt: skip
ALARMS_OF_RIG: Final = (
    "tank-level-low", "supply-pressure-low", "strainer-fouling", "pump-stopped", "frost-ahead", "round-due",
    "signal-bad", "signal-doubtful", "device-silent", "device-stuck", "record-stalled", "mirror-behind", "broker-lost",
    "panel-lost", "lamp-write-failed", "clock-stepped", "on-battery", "disk-low", "limits-above-maker",
    "air-gap-drifting", "part-restarting",
)  # fmt: skip
"""Bit by bit, the lowest first; alarms with a subject share the bit of their kind. Only ever longer."""
OTHER_ALARM: Final = 31
"""Bit of an alarm that has none of its own."""

_READINGS_OF_BRAKE: Final = {
    "inlet-flow": 0.0,
    "inlet-temperature": 200.0,
    "outlet-temperature": 200.0,
    "brake-level": 10.0,
    "in-service": 1.0,
    "return-flow": 0.0,
    "supply-pressure": 0.0,
    "strainer-differential": 1e6,
    "overflow-open": 1.0,
    "coil-current": 0.0,
    "coil-voltage": 0.0,
    "drum-speed": 100.0,
    "filter-differential": 1e6,
}
_DERIVED: Final = {
    "outlet_rise_k": 200.0,
    "heat_w": 1e7,
    "heat_std_w": 1e7,
    "heat_limit_w": 0.0,
    "cooling_margin": 0.0,
    "level_rate_m_s": 1.0,
    "time_to_bearing_s": 0.0,
    "time_to_inlet_limit_s": 0.0,
    "time_to_outlet_limit_s": 0.0,
    "flow_balance_m3_s": 0.1,
    "duty_w": 1e7,
    "heat_share": 0.0,
    "rotor_temperature_degc": 1000.0,
    "tank_temperature_degc": 200.0,
    "cooling_ready": 0.0,
}
_OF_RIG: Final = {
    "hook-load": 1e7,
    "block-position": 0.0,
    "pump-running": 0.0,
    "pump-commanded": 1.0,
    "tank-level": 0.0,
    "tank-temperature": 200.0,
    "ambient-temperature": -50.0,
}
"""Quantity -> what a bad value is driven to, SI. In the order of their places; only ever longer."""

NOT_SHOWN: Final = ("push-", "heartbeat", "coil-commanded")
"""How the roles begin that have no place: what only a PLC says, it knows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """The place of one value."""

    address: int
    brake: str | None
    quantity: str
    """Role or derived quantity."""
    point: str | None
    """Of a reading; None where it is derived or the rig has no such point."""
    derived: bool
    dimension: Dimension
    unit: str
    """The crew's."""
    bad: float
    """In the crew's unit: what stands there when the quality is bad."""

    @property
    def fitted(self) -> bool:
        """Something may stand there other than ``bad``."""
        return self.derived or self.point is not None


COILS: Final = (
    ("acknowledge", "acknowledge all alarms"),
    ("silence", "silence the horn"),
    ("reset", "reset all latched alarms"),
    ("test", "lamp test"),
)
"""Coil by coil from address 0."""


@dataclass(frozen=True, kw_only=True)
class Layout:
    """The registers of one rig."""

    rig: Rig

    @cached_property
    def size(self) -> int:
        """Registers there are, from 0."""
        return _FIRST_BRAKE + max(0, len(self.rig.brakes) - 1) * _STRIDE + (_BRAKE_SIZE if self.rig.brakes else 0)

    @cached_property
    def blocks(self) -> tuple[tuple[int, int], ...]:
        """First and last address of each block; the scan counter stands at both."""
        sizes = [(0, _BLOCK_SIZE), (_READINGS_OF_RIG, _BLOCK_SIZE)]
        sizes += [(brake_base(at), _BRAKE_SIZE) for at in range(len(self.rig.brakes))]
        return tuple((first, first + size - 1) for first, size in sizes)

    @cached_property
    def cells(self) -> tuple[Cell, ...]:
        """Every value, in the order of addresses."""
        cells = _cells(self.rig, None, _READINGS_OF_RIG, _OF_RIG)
        for at, brake in enumerate(self.rig.brakes):
            cells += _cells(self.rig, brake, brake_base(at), {**_READINGS_OF_BRAKE, **_DERIVED})
        return tuple(cells)

    @cached_property
    def bit_words(self) -> tuple[int, ...]:
        """Registers whose bits are the discrete inputs: input 16 w + b is bit b of the w-th."""
        words = [HEALTH, ACTIVE, ACTIVE + 1, UNSEEN, UNSEEN + 1, LIT, LIT + 1, HORN]
        for at in range(len(self.rig.brakes)):
            words += [brake_base(at) + BRAKE_ACTIVE + offset for offset in range(4)]
        return tuple(words)

    @cached_property
    def lamps(self) -> tuple[str, ...]:
        """In the order of their places; ``watching`` first."""
        return self.rig.windows[:_MOST_LAMPS]

    @cached_property
    def devices(self) -> tuple[str, ...]:
        """In the order of their places."""
        return tuple(device.name for device in self.rig.devices)[:_MOST_DEVICES]

    @cached_property
    def signature(self) -> int:
        """32 bits that change when a place gets another meaning, unit or bad value."""
        cells = [(c.address, c.brake, c.quantity, c.fitted, c.unit, c.bad) for c in self.cells]
        known = (FORMAT, self.rig.name, [brake.name for brake in self.rig.brakes], self.lamps, self.devices, cells)
        return int.from_bytes(hashlib.sha256(repr(known).encode()).digest()[:4], "big")


def brake_base(at: int) -> int:
    """First register of a brake, counted from 0."""
    return _FIRST_BRAKE + at * _STRIDE


def _cells(rig: Rig, brake: Brake | None, base: int, quantities: dict[str, float]) -> list[Cell]:
    return [
        _cell(rig, brake, base + _FIRST_CELL + at * _CELL_SIZE, quantity, bad)
        for at, (quantity, bad) in enumerate(quantities.items())
    ]


def _cell(rig: Rig, brake: Brake | None, address: int, quantity: str, bad: float) -> Cell:
    derived = quantity in _DERIVED
    dimension = dimension_of_derived(quantity) if derived else ROLES[quantity].dimension
    of = brake.name if brake else None
    point = None if derived else rig.role(quantity, of)
    driven, unit = shown(bad, dimension, rig.units)
    return Cell(
        address=address,
        brake=of,
        quantity=quantity,
        point=point.name if point else None,
        derived=derived,
        dimension=dimension,
        unit=unit,
        bad=driven,
    )
