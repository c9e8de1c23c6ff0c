"""Alarms and events as documents: codes, the values they turned on, one plain sentence, and what to do."""

from collections.abc import Mapping
from typing import Any, Final

from brakewater.alarms.catalogue import CATALOGUE, AlarmKind
from brakewater.alarms.lifecycle import MASKS, State, masks_of, shown_of
from brakewater.quality import Reason, quality, reason_name
from brakewater.render.values import Document, limit_shown, limit_with_unit, rounded, with_unit
from brakewater.rig import Rig
from brakewater.rig.own import CLOCK_STEP, FAR_S
from brakewater.stream import TESTED, AlarmNow, AlarmTest, MaskNow
from brakewater.units import utc_text
from brakewater.wording import ENGLISH, Wording

_GONE_STATES: Final = frozenset(
    {State.NORMAL, State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED, *MASKS}
)
"""The condition no longer holds, or somebody has set the alarm aside: no response is called for."""


_CONTRADICTS: Final = reason_name(Reason.CROSS_CHECK)
_CONTACT: Final = "in-service"


def kind_of(alarm: str) -> AlarmKind | None:
    """None for a kind that an older record knows and this version does not."""
    return CATALOGUE.get(alarm.partition(":")[0])


def _shown(kind: AlarmKind | None, value: float | None, setpoint: float | None, system: str) -> Document:
    """Value and setpoint in the crew's unit; null where there is none, and no unit where neither means a quantity."""
    if kind is None or setpoint is None:
        return {"value": None, "setpoint": None, "unit": None}
    limit = limit_shown(setpoint, kind.dimension, system, kind.shape)
    return {
        "value": None if value is None else rounded(value, kind.dimension, system)[0],
        "setpoint": limit.value,
        "unit": limit.unit,
    }


def _what(rig: Rig, alarm: str, brake: str | None, words: Wording) -> str:
    name, _, subject = alarm.partition(":")
    what = words.alarms.get(name, alarm).format(subject=subject)
    return words.on_brake.format(what=what, brake=brake) if brake and len(rig.brakes) > 1 else what


def alarm_name(rig: Rig, key: str, words: Wording = ENGLISH) -> str:
    """What people call an alarm, from its key such as ``aux.cooling-lost``."""
    brake, _, alarm = key.partition(".")
    return _what(rig, alarm, None if brake == "rig" else brake, words)


def _numbers(
    kind: AlarmKind | None, value: float | None, reason: str, setpoint: float | None, system: str, words: Wording
) -> str:
    if kind is None or setpoint is None:
        return "" if reason == "good" else words.because.format(reason=words.reason(reason))
    known = (
        words.unknown.format(reason=words.reason(reason)) if value is None else with_unit(value, kind.dimension, system)
    )
    limit = limit_with_unit(setpoint, kind.dimension, system, kind.shape)
    says = (
        words.measured_and_set if value is None else words.measured.get(_said_as(kind, value), words.measured_and_set)
    )
    return says.format(
        value=known,
        setpoint=limit,
        percent=round(100 * (value or 0.0)),
        limit_percent=round(100 * setpoint),
        minutes=int((value or 0.0) / 60),  # no later than it was foreseen
        limit_minutes=f"{setpoint / 60:g}",
    )


def _why(rig: Rig, alarm: str, reason: str) -> str:
    """The name of a reason in words; a contact that contradicts what the brake does has its own."""
    subject = alarm.partition(":")[2]
    if reason == _CONTRADICTS and any(point.name == subject for point in rig.points if point.role == _CONTACT):
        return f"{reason}-{_CONTACT}"
    return reason


def _said_as(kind: AlarmKind, value: float) -> str:
    """Its name in ``words.measured``."""
    return f"{kind.name}-far" if is_far(kind, value) else kind.name


def is_far(kind: AlarmKind, value: float) -> bool:
    """Whether the wall clock stepped by more than is counted: the value is a bound then, and not measured."""
    return kind.quantity == CLOCK_STEP and abs(value) >= FAR_S


def _respond(kind: AlarmKind | None, state: State, words: Wording, *, tested: bool) -> str | None:
    if kind is None or state in _GONE_STATES:
        return None
    return words.respond_tested if tested else words.responses.get(kind.name, kind.response)


def came_first(event: Mapping[str, Any]) -> bool:
    """Whether an event document is that of the first out coming; not of what happens to it while nobody has seen it."""
    return bool(event["first_out"]) and event["to"] == "unacknowledged" != event["from"]


def event_shown(rig: Rig, doc: Mapping[str, Any], words: Wording = ENGLISH) -> Document:
    """A recorded event with what people read: ``shown``, ``text`` and ``respond`` (null once the condition has gone).

    Args:
        rig: gives the crew's units.
        doc: ``record.documents.event_doc``, with or without its hash.
        words: the language.

    Raises:
        KeyError, ValueError: the document is no event's.
    """
    kind, state = kind_of(doc["alarm"]), shown_of(doc["to"])
    text = _sentence(doc, words).format(
        what=_what(rig, doc["alarm"], doc["brake"], words),
        numbers=_numbers(kind, doc["value"], _why(rig, doc["alarm"], doc["reason"]), doc["setpoint"], rig.units, words),
        actor=doc["actor"],
    )
    if doc.get("note"):
        text += words.noted.format(note=doc["note"])
    if doc.get("cause"):
        text += words.follows.format(cause=alarm_name(rig, doc["cause"], words))
    return {
        **doc,
        "shown": _shown(kind, doc["value"], doc["setpoint"], rig.units),
        "text": text,
        "respond": _respond(kind, state, words, tested=doc["why"] == TESTED),
    }


def _sentence(doc: Mapping[str, Any], words: Wording) -> str:
    """By what happened: a mask laid on or taken off is told from the masks before and after."""
    if doc["why"] == TESTED:
        if doc["from"] == doc["to"]:
            return words.reasons["silence-tested"]
        return words.tested[shown_of(doc["to"])]
    if doc["why"] in words.reasons:
        return words.reasons[doc["why"]]
    moves = words.moves_by_actor if doc["actor"] else words.moves
    was, now = masks_of(doc["from"]), masks_of(doc["to"])
    laid, lifted = set(now) - set(was), set(was) - set(now)
    if laid:
        return moves[max(laid, key=MASKS.index)]
    if lifted:
        left = words.stands[shown_of(doc["to"])]
        return words.lifted[max(lifted, key=MASKS.index)].replace("{then}", left)
    return moves[shown_of(doc["to"])]


def alarm_now(rig: Rig, alarm: AlarmNow, words: Wording = ENGLISH) -> Document:
    """An alarm as it stands; ``value`` and ``quality`` are those at its last turn, and null while it is normal.

    A normal alarm has nothing to show: what it saw when it last turned is long past, or it never saw anything.
    """
    kind, state, reason = kind_of(alarm.alarm), shown_of(alarm.state), reason_name(alarm.reason)
    normal = state is State.NORMAL
    value = None if normal else alarm.value
    text = words.stands[state].format(
        what=_what(rig, alarm.alarm, alarm.brake, words),
        numbers=_numbers(kind, alarm.value, _why(rig, alarm.alarm, reason), alarm.setpoint, rig.units, words),
    )
    if alarm.cause:
        text += words.follows.format(cause=alarm_name(rig, alarm.cause, words))
    return {
        "rig": rig.name,
        "brake": alarm.brake,
        "alarm": alarm.alarm,
        "state": alarm.state,
        "priority": alarm.priority,
        "since": utc_text(alarm.since_utc_ns) if alarm.since_utc_ns else None,
        "value": value,
        "quality": None if normal else quality(alarm.reason).name.lower(),
        "reason": None if normal else reason,
        "setpoint": alarm.setpoint,
        "first_out": alarm.first_out,
        "active": alarm.active,
        "cause": alarm.cause,
        "silenced": alarm.silenced,
        "chattering": alarm.chattering,
        "masks": [_mask_now(mask) for mask in alarm.masks],
        "shown": _shown(kind, value, alarm.setpoint, rig.units),
        "text": text if alarm.test is None else _tested(alarm.test, text, words),
        "respond": _respond(kind, state, words, tested=alarm.test is not None),
        "test": None if alarm.test is None else _test(alarm.test),
    }


def _test(test: AlarmTest) -> Document:
    return {
        "actor": test.actor,
        "reason": test.reason,
        "since": utc_text(test.since_utc_ns),
        "until": utc_text(test.until_utc_ns),
    }


def _tested(test: AlarmTest, text: str, words: Wording) -> str:
    return words.stands_tested.format(actor=test.actor, until=utc_text(test.until_utc_ns), text=text)


def _mask_now(mask: MaskNow) -> Document:
    return {
        "mask": mask.mask,
        "actor": mask.actor,
        "reason": mask.reason,
        "since": utc_text(mask.since_utc_ns),
        "until": None if mask.until_utc_ns is None else utc_text(mask.until_utc_ns),
    }
