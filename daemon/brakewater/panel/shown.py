"""What the pages are told, as documents: the rig once, the picture ten times a second at most. Pure functions."""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any, Final

from brakewater.alarms.catalogue import Shape
from brakewater.readiness import Obstacle, in_service, obstacles
from brakewater.render import (
    DECIMALS,
    Document,
    alarm_name,
    alarm_now,
    by_hand_now,
    horn_now,
    lamps,
    limit_shown,
    now,
)
from brakewater.rig import AlarmRule, Rig
from brakewater.rig.panel import Panel
from brakewater.stream import AlarmNow, Picture
from brakewater.units import CREW_UNITS, shown, utc_text
from brakewater.wording import ENGLISH, Wording

NUMBERS: Final = (
    ("inlet-flow", True),
    ("inlet-temperature", True),
    ("outlet-temperature", True),
    ("outlet_rise_k", False),
    ("heat_w", False),
    ("cooling_margin", False),
    ("brake-level", True),
)
"""The big numbers of a brake in their order: role or derived quantity, and whether it is a role."""

VALID_S: Final = 2.0
"""How long a page may believe a picture."""
_EARLY: Final = "_early_s"
_LIMITS: Final = {Shape.HIGH: "high", Shape.LOW: "low", Shape.LOST: "low"}


def in_units(rig: Rig, system: str | None) -> Rig:
    """The rig as a viewer with units of their own sees it; None for the rig file's."""
    return rig if system in (None, rig.units) or system not in CREW_UNITS else replace(rig, units=system)


def rig_doc(rig: Rig, panel: Panel) -> Document:
    """What does not change while a rig file is in force: names, numbers with their limits, windows."""
    return {
        "rig": rig.name,
        "pad": rig.pad,
        "units": rig.units,
        "time_zone": panel.time_zone,
        "language": panel.language,
        "scan_s": rig.scan_ns / 1e9,
        "valid_s": VALID_S,
        "brakes": [{"name": brake.name, "numbers": list(_numbers(rig, brake.name))} for brake in rig.brakes],
        "windows": [{"name": lamp.name, "alarms": list(lamp.alarms), "colour": lamp.colour} for lamp in rig.lamps],
        "decimals": dict(DECIMALS),
    }


def _numbers(rig: Rig, brake: str) -> Iterator[Document]:
    for name, is_role in NUMBERS:
        point = rig.role(name, brake) if is_role else None
        if is_role and point is None:
            continue
        limits = [rule for rule in rig.alarms if rule.brake == brake and rule.kind.quantity == name]
        yield {
            "name": point.name if point else name,
            "quantity": name,
            "derived": point is None,
            "limits": [limit for rule in limits if (limit := _limit(rule, rig.units)) is not None],
        }


def _limit(rule: AlarmRule, units: str) -> Document | None:
    side = _LIMITS.get(rule.kind.shape)
    if side is None or rule.setpoint is None:
        return None
    limit = limit_shown(rule.setpoint, rule.kind.dimension, units, rule.kind.shape)
    return {
        "alarm": rule.name,
        "side": side,
        "value": limit.value,
        "unit": limit.unit,
        "converted": limit.converted,
        "exact": shown(rule.setpoint, rule.kind.dimension, units)[0],
    }


def page_doc(rig: Rig, picture: Picture, words: Wording = ENGLISH) -> Document:
    """The newest picture for all pages.

    Args:
        rig: the rig file in force when the picture was taken.
        picture: the newest one.
        words: the language of sentences.
    """
    standing = [alarm for alarm in picture.alarms if alarm.state != "normal" or alarm.test is not None]
    return {
        "t": utc_text(picture.utc_ns),
        "utc_ms": picture.utc_ns // 1_000_000,
        "steady_ms": picture.t_ns // 1_000_000,
        "run": picture.run,
        "input": picture.input,
        "brakes": {brake.name: now(rig, picture, brake.name, VALID_S) for brake in rig.brakes},
        "ready": _ready(rig, picture, words),
        "alarms": [_alarm(rig, alarm, words) for alarm in standing],
        "windows": lamps(rig, picture),
        "horn": horn_now(rig, picture),
        "by_hand": [by_hand_now(rig, one) for one in picture.substitutions],
        "times": _times(picture),
    }


def _alarm(rig: Rig, alarm: AlarmNow, words: Wording) -> Document:
    return {**alarm_now(rig, alarm, words), "name": alarm_name(rig, alarm.key, words)}


def _ready(rig: Rig, picture: Picture, words: Wording) -> Document | None:
    """What stands in the way of a trip; None with a brake in service, where alarms speak."""
    if in_service(rig, picture):
        return None
    return {"obstacles": [_obstacle(rig, one, words) for one in obstacles(rig, picture)]}


def _obstacle(rig: Rig, one: Obstacle, words: Wording) -> Document:
    name = alarm_name(rig, one.name, words) if one.what in ("alarm", "masked") else one.name
    return {"what": one.what, "name": name, "why": one.why}


def _times(picture: Picture) -> dict[str, dict[str, float | None]]:
    """Per brake what is ahead in seconds, by its early bound: not before then; null where unknown."""
    found: dict[str, dict[str, float | None]] = {}
    for (brake, name), (value, code) in picture.derived.items():
        if name.startswith("time_to_") and name.endswith(_EARLY):
            found.setdefault(brake, {})[name.replace(_EARLY, "_s")] = None if code else value
    return found


def trend_now(rig: Rig, picture: Picture, rig_: Mapping[str, Any]) -> dict[str, float | None]:
    """One point of each trend, in the units of ``rig`` and its document ``rig_``."""
    return trend_of({"brakes": {brake.name: now(rig, picture, brake.name, VALID_S) for brake in rig.brakes}}, rig_)


def trend_of(page: Mapping[str, Any], rig_: Mapping[str, Any]) -> dict[str, float | None]:
    """The big numbers of a page as the crew reads them, by ``brake/name``: one point of each trend."""
    found = {}
    for brake in rig_["brakes"]:
        seen = page["brakes"][brake["name"]]
        for number in brake["numbers"]:
            one = seen["derived" if number["derived"] else "readings"].get(number["name"])
            found[f"{brake['name']}/{number['name']}"] = None if one is None else one["shown"]["value"]
    return found
