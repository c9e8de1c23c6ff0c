"""The rig file as checked models: devices, points, brakes, limits, alarms, lamps and links."""

from brakewater.rig.load import load, parse
from brakewater.rig.model import SELF, AlarmRule, Group, Point, Redundant, Rig, Slot, Suppression
from brakewater.rig.own import as_recorded, layout_before
from brakewater.rig.tables import Brake, Device, Lamp, Mirror, Mqtt, Table

__all__ = [
    "SELF",
    "AlarmRule",
    "Brake",
    "Device",
    "Group",
    "Lamp",
    "Mirror",
    "Mqtt",
    "Point",
    "Redundant",
    "Rig",
    "Slot",
    "Suppression",
    "Table",
    "as_recorded",
    "layout_before",
    "load",
    "parse",
]
