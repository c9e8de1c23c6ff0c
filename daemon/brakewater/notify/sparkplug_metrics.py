"""The newest picture as Sparkplug metrics: the rig's own at the node, each brake's at a device of its name.

A Modbus device is one of its own, which says how it answers, and is dead while it does not. A brake lives as long as
the watch, whose alarms it has: those must not become stale where devices are lost. What they gave is null then.

Values are SI, temperatures in degC; the unit stands in the property ``engUnit`` of the birth. A bad value is null with
its quality; an alarm is the text of its state.
"""

from collections.abc import Collection
from typing import Final

from brakewater import render
from brakewater.notify.sparkplug_payload import DataType, Metric, Quality
from brakewater.quality import Quality as Grade
from brakewater.quality import Reason, quality, status_name
from brakewater.rig import SELF, Rig
from brakewater.stream import Picture

STATUS: Final = "status"
"""Of a Modbus device: the worst that a read of it came to, as ``brakewater status`` has it."""
_UNANSWERED: Final = (Reason.NO_ANSWER, Reason.WRONG_ANSWER)
_GRADES: Final = {Grade.GOOD: Quality.GOOD, Grade.UNCERTAIN: Quality.UNCERTAIN, Grade.BAD: Quality.BAD}


def of(rig: Rig, picture: Picture, brake: str | None) -> list[Metric]:
    """Metrics of a brake, or of the whole rig where None; always the same names in the same order."""
    points = [point for point in rig.points if point.brake == brake and point.device != SELF]
    made = [
        _number(
            f"reading/{point.name}",
            picture.readings.get(point.name),
            render.dimension_of_point(point).value,
            contact=render.is_contact(point),
        )
        for point in points
    ]
    made += [
        _number(f"derived/{name}", seen, render.dimension_of_derived(name).value)
        for (owner, name), seen in sorted(picture.derived.items())
        if owner == brake
    ]
    return made + [
        Metric(name=f"alarm/{alarm.alarm}", type=DataType.STRING, value=alarm.state)
        for alarm in picture.alarms
        if alarm.brake == brake
    ]


def modbus_devices(rig: Rig) -> dict[str, str]:
    """Modbus device that points are read from -> name of its Sparkplug device, which nothing else has."""
    brakes = {brake.name for brake in rig.brakes}
    read = dict.fromkeys(point.device for point in rig.points if point.device != SELF)
    return {name: _free(name, brakes, read) for name in read}


def _free(name: str, brakes: Collection[str], devices: Collection[str]) -> str:
    free = name
    while free in brakes or (free != name and free in devices):
        free += "-device"
    return free


def answers(rig: Rig, picture: Picture, device: str) -> bool:
    """Whether anything that is read of a Modbus device comes; an exception is an answer."""
    by_hand = {one.point for one in picture.substitutions}
    seen = [
        picture.readings[point.name][1]
        for point in rig.points
        if point.device == device and point.name not in by_hand and point.name in picture.readings
    ]
    return not seen or not all(reason in _UNANSWERED for reason in seen)


def of_modbus(picture: Picture, device: str) -> list[Metric]:
    """Metrics of a Modbus device."""
    return [Metric(name=STATUS, type=DataType.STRING, value=status_name(picture.status.get(device, 0)))]


def _number(name: str, seen: tuple[float, int] | None, unit: str, *, contact: bool = False) -> Metric:
    kind = DataType.BOOLEAN if contact else DataType.DOUBLE
    if seen is None or quality(seen[1]) is Grade.BAD:
        return Metric(name=name, type=kind, value=None, quality=Quality.BAD, unit=unit)
    value = bool(seen[0]) if contact else float(seen[0])
    return Metric(name=name, type=kind, value=value, quality=_GRADES[quality(seen[1])], unit=unit)
