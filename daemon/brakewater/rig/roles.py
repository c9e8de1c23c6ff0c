"""The closed list of roles a point may have."""

from dataclasses import dataclass
from typing import Final

from brakewater.units import Dimension


@dataclass(frozen=True, slots=True, kw_only=True)
class Role:
    """One row of the list."""

    dimension: Dimension
    brake: bool
    """Belongs to a brake; otherwise to the rig."""
    lost: str
    """What the watch cannot do without it."""
    required: bool = False
    bit: bool = False


def _of_brake(dimension: Dimension, lost: str, *, required: bool = False) -> Role:
    return Role(dimension=dimension, brake=True, lost=lost, required=required)


def _of_rig(dimension: Dimension, lost: str) -> Role:
    return Role(dimension=dimension, brake=False, lost=lost)


def _bit(lost: str, *, brake: bool = False) -> Role:
    return Role(dimension=Dimension.NUMBER, brake=brake, lost=lost, bit=True)


_CONTACT: Final = (
    "doubting at once a contact that says out of service while the brake works and no alarm of its water comes: "
    "without, its outlet tells after three stands"
)

ROLES: dict[str, Role] = {
    "inlet-flow": _of_brake(Dimension.FLOW, "everything", required=True),
    "inlet-temperature": _of_brake(Dimension.TEMPERATURE, "rise, heat and margin", required=True),
    "outlet-temperature": _of_brake(Dimension.TEMPERATURE, "rise, heat and margin", required=True),
    "brake-level": _of_brake(Dimension.LENGTH, "warning before water reaches the bearings", required=True),
    "in-service": _bit(
        "knowing when the brake is out of service: it counts as always in service, and a stopped rig is not silent",
        brake=True,
    ),
    "return-flow": _of_brake(Dimension.FLOW, "telling a choked return or a leak from a change of inflow"),
    "supply-pressure": _of_brake(Dimension.PRESSURE, "warning of a failing supply before the flow falls"),
    "strainer-differential": _of_brake(Dimension.PRESSURE, "warning of a fouling strainer"),
    "overflow-open": _bit("knowing that water leaves by the overflow", brake=True),
    "coil-current": _of_brake(
        Dimension.CURRENT, f"torque index, warning of a weak excitation and {_CONTACT} (drum-speed is needed as well)"
    ),
    "coil-commanded": _of_brake(Dimension.CURRENT, "warning of a weak excitation"),
    "coil-voltage": _of_brake(Dimension.VOLTAGE, "coil resistance and temperature"),
    "drum-speed": _of_brake(Dimension.TURN, f"torque index, duty from the drum and {_CONTACT} (coil-current as well)"),
    "filter-differential": _of_brake(Dimension.PRESSURE, "warning of a fouling filter"),
    "hook-load": _of_rig(Dimension.FORCE, "duty and heat share"),
    "block-position": _of_rig(Dimension.LENGTH, "duty, stands and pace"),
    "pump-running": _bit("telling a stopped pump from a blocked line (of two pumps the contact of either running)"),
    "pump-commanded": _bit("telling a pump that stopped by itself from one that was switched off"),
    "tank-level": _of_rig(Dimension.LENGTH, "warning of a tank running low"),
    "tank-temperature": _of_rig(Dimension.TEMPERATURE, "forecasting the inlet from the tank"),
    "ambient-temperature": _of_rig(Dimension.TEMPERATURE, "tank forecast and frost warning"),
    "heartbeat": _of_rig(Dimension.NUMBER, "telling a stuck device from a steady one"),
    "push-acknowledge": _bit("acknowledging from a push-button"),
    "push-silence": _bit("silencing from a push-button"),
    "push-reset": _bit("resetting from a push-button"),
    "push-test": _bit("lamp test from a push-button"),
}

PLAUSIBLE: dict[Dimension, tuple[float, float]] = {
    Dimension.TEMPERATURE: (-100.0, 500.0),
    Dimension.FLOW: (-5.0, 5.0),
    Dimension.LENGTH: (-1_000.0, 1_000.0),
    Dimension.PRESSURE: (-2e5, 1e8),
    Dimension.FORCE: (-1e7, 1e8),
    Dimension.CURRENT: (-1e5, 1e5),
    Dimension.VOLTAGE: (-1e5, 1e5),
    Dimension.TURN: (-1e4, 1e4),
}
"""What no sensor on a rig shows lies outside, in SI (temperatures in degC): assumptions, wide enough for any of them.

They catch words in the wrong order where a device sends numbers whose own range says nothing.
"""
REQUIRED = tuple(name for name, role in ROLES.items() if role.required)
