"""What else holds at a moment, as documents: points by hand, what is in a trip's way, rounds due, settings changed."""

from typing import Final

from brakewater.alarms.catalogue import Shape
from brakewater.readiness import Obstacle
from brakewater.render.alarms import alarm_name, is_far, kind_of
from brakewater.render.values import Document, dimension_of_point, limit_with_unit, rounded, with_unit
from brakewater.rig import Rig
from brakewater.stream import ByHand, RoundNow, SettingNow
from brakewater.trips.rounds import OVERDUE
from brakewater.units import Dimension, counted, utc_text

_SIDE: Final = {"low": Shape.LOW, "high": Shape.HIGH}
_MEASURED: Final = {
    "round": Dimension.NUMBER,
    "flow": Dimension.FLOW,
    "inlet": Dimension.TEMPERATURE,
    "level": Dimension.LENGTH,
}


def by_hand_now(rig: Rig, one: ByHand) -> Document:
    """A point that someone has substituted or put under check, with the value that stands in for it."""
    point = next(point for point in rig.points if point.name == one.point)
    value = None if one.value is None else rounded(one.value, dimension_of_point(point), rig.units)
    return {
        "point": one.point,
        "what": one.what,
        "value": one.value,
        "shown": None if value is None else {"value": value[0], "unit": value[1]},
        "actor": one.actor,
        "reason": one.reason,
        "since": utc_text(one.since_utc_ns),
        "until": utc_text(one.until_utc_ns),
    }


def obstacle_now(rig: Rig, one: Obstacle) -> Document:
    """What stands in the way of a trip, in codes and in words."""
    text = f"{one.name} {one.why}"
    if one.what == "alarm":
        text += f": {alarm_name(rig, one.name)}"
    kind = kind_of(one.name.partition(".")[2]) if one.what == "alarm" else None
    dimension = kind.dimension if kind else _MEASURED.get(one.what)
    if one.value is not None and kind is not None and is_far(kind, one.value):
        text += ", by 24 days or more"  # what counts it reaches no further
    elif one.value is not None and dimension is not None:
        text += f", {with_unit(one.value, dimension, rig.units)}"
    if one.limit is not None and dimension is not None:
        text += f" against {limit_with_unit(one.limit, dimension, rig.units, _SIDE.get(one.why))}"
    return {
        "what": one.what, "name": one.name, "why": one.why, "value": one.value, "limit": one.limit, "text": text
    }  # fmt: skip


def round_now(one: RoundNow) -> Document:
    """A round of upkeep, in codes and in words."""
    percent = round(100 * one.share)
    state = "OVERDUE" if one.share >= OVERDUE else "DUE" if one.share >= 1.0 else "ok"
    last = f"done {utc_text(one.done_utc_ns)[:16]}" if one.done_utc_ns else "never logged"
    by = f"{percent} % of its {one.by}" if one.by != "never" else "no interval"
    return {
        "round": one.round,
        "brake": one.brake,
        "share": one.share,
        "by": one.by,
        "state": state.lower(),
        "running_s": one.running_s,
        "trips": one.trips,
        "due": None if one.due_utc_ns is None else utc_text(one.due_utc_ns),
        "done": None if one.done_utc_ns is None else utc_text(one.done_utc_ns),
        "since": utc_text(one.since_utc_ns),
        "text": f"{state}: {by} used up; {last}; {one.running_s / 3600:.1f} h run"
        f" and {counted(one.trips, 'trip')} since",
    }


def setting_now(one: SettingNow) -> Document:
    """A setting changed by command."""
    return {
        "alarm": one.alarm,
        "setting": one.setting,
        "value": one.text,
        "was": one.was,
        "actor": one.actor,
        "reason": one.reason,
        "since": utc_text(one.since_utc_ns),
    }
