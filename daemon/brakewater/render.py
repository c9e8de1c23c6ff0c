"""From codes and SI to what people and payloads see: the crew's units, one plain sentence, lamps and horn.

Pure functions; the engine and the record never call them. Every payload keeps the SI value beside the shown one, and a
value never stands without its quality: a bad one is null in JSON and ``--`` on a terminal.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from math import ceil, floor, log10
from typing import Any, Final

from brakewater.alarms.annunciator import READY, WATCHING, Aspect, Colour, Seen, horn, lamp
from brakewater.alarms.catalogue import CATALOGUE, AlarmKind, Shape
from brakewater.alarms.lifecycle import MASKS, State, masks_of, shown_of
from brakewater.physics.uncertainty import COVERAGE
from brakewater.quality import Quality, quality, reason_name
from brakewater.readiness import Obstacle, in_service, obstacles
from brakewater.rig import SELF, Lamp, Point, Rig
from brakewater.rig.roles import ROLES
from brakewater.stream import TESTED, AlarmNow, AlarmTest, ByHand, MaskNow, Picture, RoundNow, SettingNow
from brakewater.trips.rounds import OVERDUE
from brakewater.units import Dimension, counted, shown, utc_text
from brakewater.wording import ENGLISH, Wording

Document = dict[str, Any]

DECIMALS: Final[dict[str, int]] = {
    "gal/min": 1,
    "L/min": 1,
    "degF": 1,
    "degC": 1,
    "K": 1,
    "in": 1,
    "mm": 0,
    "in/s": 2,
    "mm/s": 1,
    "bbl": 1,
    "m3": 2,
    "kW": 0,
    "MJ": 1,
    "klbf": 1,
    "kN": 0,
    "psi": 1,
    "bar": 2,
    "s": 1,
    "degF/s": 2,
    "K/s": 2,
    "rpm": 0,
    "1": 2,
}
"""Digits after the point that a crew can use, by unit of ``units.CREW_UNITS``; 2 for any other."""

_SUFFIXES: Final = (
    ("_m3_s", Dimension.FLOW),
    ("_m_s", Dimension.SPEED),
    ("_degc", Dimension.TEMPERATURE),
    ("_w", Dimension.POWER),
    ("_k", Dimension.DIFFERENCE),
    ("_j", Dimension.ENERGY),
    ("_s", Dimension.TIME),
    ("_m", Dimension.LENGTH),
)
_DAY_S: Final = 86_400.0
"""Forecasts look no further, and nobody needs a longer time to the second."""
_YES_OR_NO: Final = ("cooling_ready",)
_OWN_CONTACTS: Final = ("self.broker", "self.lamp-writes", "self.panel", "self.mains")
_GONE_STATES: Final = frozenset(
    {State.NORMAL, State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED, *MASKS}
)
"""The condition no longer holds, or somebody has set the alarm aside: no response is called for."""
_OWN_NUMBERS: Final = ("self.queued", "self.disk-used", "self.restarts", *_OWN_CONTACTS)


# --------------------------------------------------------------------- values


def dimension_of_point(point: Point) -> Dimension:
    """What a point measures; the daemon's own are times but for counts, shares and link states."""
    if point.device == SELF:
        return Dimension.NUMBER if point.role in _OWN_NUMBERS else Dimension.TIME
    return ROLES[point.role].dimension


def plain_name(name: str) -> str:
    """A derived quantity's name without its SI unit, for columns in other units: ``outlet_rise``."""
    return next((name.removesuffix(suffix) for suffix, _ in _SUFFIXES if name.endswith(suffix)), name)


def spoken(name: str) -> str:
    """A derived quantity's name for people: ``time to bearing, not before``, ``heat, standard uncertainty``."""
    bound = ", not before" if "_early" in name else ", standard uncertainty" if "_std" in name else ""
    return plain_name(name).replace("_early", "").replace("_std", "").replace("_", " ") + bound


def dimension_of_derived(name: str) -> Dimension:
    """What a derived quantity measures: its name ends in its SI unit, or in none."""
    return next((dimension for suffix, dimension in _SUFFIXES if name.endswith(suffix)), Dimension.NUMBER)


def std_name(name: str) -> str:
    """The quantity that is the standard uncertainty of another: ``heat_std_w`` of ``heat_w``.

    That of a temperature is a difference: ``rotor_temperature_std_k``.
    """
    plain = plain_name(name)
    suffix = name.removeprefix(plain)
    return f"{plain}_std{'_k' if suffix == '_degc' else suffix}"


def is_contact(point: Point) -> bool:
    """True for a point that is on or off."""
    return point.role in _OWN_CONTACTS or (point.device != SELF and ROLES[point.role].bit)


def rounded(value: float, dimension: Dimension, system: str) -> tuple[float, str]:
    """An SI value in the crew's unit, rounded to what a crew can use, and the unit's name.

    Args:
        value: SI; temperatures in degC.
        dimension: what it measures.
        system: ``rig.units``.
    """
    number, unit = shown(value, dimension, system)
    return round(number, DECIMALS.get(unit, 2)) + 0.0, unit  # + 0.0 turns -0.0 into 0.0


def with_unit(value: float, dimension: Dimension, system: str) -> str:
    """A measured value for people: ``61.2 gal/min``; a pure number stands alone."""
    number, unit = rounded(value, dimension, system)
    text = f"{number:.{DECIMALS.get(unit, 2)}f}"
    return text if dimension is Dimension.NUMBER else f"{text} {unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A limit as people read it."""

    value: float
    unit: str
    places: int
    """Digits after the point that it has."""
    converted: bool
    """It was set in another unit: what is shown is rounded, and lies on the safe side of what is in force."""


@lru_cache(maxsize=1024)
def limit_shown(value: float, dimension: Dimension, system: str, shape: Shape | None = None) -> Limit:
    """A limit in the crew's unit: as it was set where it was set in that unit, else with three digits.

    A converted one is never rounded to the unsafe side: down where too much is alarmed, up where too little is.

    Args:
        value: SI; temperatures in degC.
        dimension: what it limits.
        system: ``rig.units``.
        shape: of the alarm whose limit it is; None rounds to the nearest.
    """
    number, unit = shown(value, dimension, system)
    if dimension is Dimension.NUMBER:  # set as it is shown: nothing is converted
        return Limit(value=round(number, _SHARE_PLACES) + 0.0, unit=unit, places=_SHARE_PLACES, converted=False)
    most = DECIMALS.get(unit, 2) + 1
    plain = round(number, most)
    if abs(number - plain) <= _SAME * max(1.0, abs(number)):
        return Limit(value=plain + 0.0, unit=unit, places=most, converted=False)
    size = floor(log10(abs(number)))
    places = _LIMIT_DIGITS - 1 - size if size < -most else max(0, min(most, _LIMIT_DIGITS - 1 - size))
    steps = _ROUND.get(shape, round)(number * 10**places)
    if places and abs(steps) == 10**_LIMIT_DIGITS:  # rounded up to the next power of ten
        places, steps = places - 1, steps // 10
    return Limit(value=steps / 10**places + 0.0, unit=unit, places=places, converted=True)


_SAME: Final = 1e-9
"""Relative: what the conversion to SI and back may leave."""
_LIMIT_DIGITS: Final = 3
_SHARE_PLACES: Final = 4
"""Of a pure number: a hundredth of a percent."""
_ROUND: Final[dict[Shape | None, Callable[[float], int]]] = {Shape.HIGH: floor, Shape.LOW: ceil, Shape.LOST: ceil}


def limit_with_unit(value: float, dimension: Dimension, system: str, shape: Shape | None = None) -> str:
    """A limit for people, without idle zeros: ``75 gal/min``; ``~284 L/min`` where it was set in another unit."""
    limit = limit_shown(value, dimension, system, shape)
    text = f"{limit.value:.{limit.places}f}"
    text = text.rstrip("0").rstrip(".") if limit.places else text
    text = f"{CONVERTED if limit.converted else ''}{text}"
    return text if dimension is Dimension.NUMBER else f"{text} {limit.unit}"


CONVERTED: Final = "~"
"""Before a limit that was set in another unit than it is shown in."""


def value_line(
    value: float, code: int, dimension: Dimension, system: str, *, contact: bool = False, words: Wording = ENGLISH
) -> str:
    """A value for a terminal: ``61.2 gal/min``, ``61.2 gal/min (substituted)``, ``-- (sensor open)``, ``on``.

    Args:
        value: SI; means nothing where the code is bad.
        code: reason code.
        dimension: what it measures.
        system: ``rig.units``.
        contact: show on or off.
        words: the language.
    """
    if quality(code) is Quality.BAD:
        text = words.no_value
    elif contact:
        text = words.on if value else words.off
    elif dimension is Dimension.TIME and value >= _DAY_S:
        text = words.word("more-than-a-day")
    else:
        text = with_unit(value, dimension, system)
    return text if quality(code) is Quality.GOOD else f"{text} ({words.reason(reason_name(code))})"


def reading_line(rig: Rig, point: Point, seen: tuple[float, int]) -> str:
    """``value_line`` of a point, from ``picture.readings``; a device's own counter is a whole number."""
    if point.role == "heartbeat" and quality(seen[1]) is Quality.GOOD:
        return f"{seen[0]:.0f}"
    return value_line(*seen, dimension_of_point(point), rig.units, contact=is_contact(point))


def derived_line(rig: Rig, name: str, seen: tuple[float, int], std: tuple[float, int] | None = None) -> str:
    """``value_line`` of a derived quantity, from ``picture.derived``; with ``std`` as ``295 +/- 9 kW`` (k = 2)."""
    line = value_line(*seen, dimension_of_derived(name), rig.units, contact=name in _YES_OR_NO)
    about = None if std is None else expanded(rig, name, seen, std)
    if about is None:
        return line
    number, _, rest = line.partition(" ")
    decimals = len(number.partition(".")[2])
    return " ".join(part for part in (f"{number} +/- {about[1]:.{decimals}f}", rest) if part)


def expanded(rig: Rig, name: str, seen: tuple[float, int], std: tuple[float, int]) -> tuple[float, float] | None:
    """Expanded uncertainty (k = 2) of a derived quantity in SI and in the crew's unit; None where either is bad."""
    if quality(seen[1]) is Quality.BAD or quality(std[1]) is Quality.BAD:
        return None
    dimension = dimension_of_derived(name)
    between = Dimension.DIFFERENCE if dimension is Dimension.TEMPERATURE else dimension
    return COVERAGE * std[0], rounded(COVERAGE * std[0], between, rig.units)[0]


def derived_now(rig: Rig, picture: Picture, brake: str, name: str) -> str:
    """``derived_line`` of a brake's quantity as it stands, with its uncertainty where it has one.

    A tank without a thermometer has the inlet's temperature, and says so; so does what is ready of the cooling alone.
    """
    line = derived_line(rig, name, picture.derived[brake, name], picture.derived.get((brake, std_name(name))))
    if name == "tank_temperature_degc" and rig.role("tank-temperature") is None:
        return f"{line} (the inlet's: the tank has no sensor)"
    return f"{line} (flow, inlet and level alone; for a trip: brakewater ready)" if name == "cooling_ready" else line


# --------------------------------------------------------------------- alarms


def _kind(alarm: str) -> AlarmKind | None:
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
    says = words.measured_and_set if value is None else words.measured.get(kind.name, words.measured_and_set)
    percent, limit_percent = round(100 * (value or 0.0)), round(100 * setpoint)
    return says.format(value=known, setpoint=limit, percent=percent, limit_percent=limit_percent)


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
    kind, state = _kind(doc["alarm"]), shown_of(doc["to"])
    text = _sentence(doc, words).format(
        what=_what(rig, doc["alarm"], doc["brake"], words),
        numbers=_numbers(kind, doc["value"], doc["reason"], doc["setpoint"], rig.units, words),
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
    kind, state, reason = _kind(alarm.alarm), shown_of(alarm.state), reason_name(alarm.reason)
    normal = state is State.NORMAL
    value = None if normal else alarm.value
    text = words.stands[state].format(
        what=_what(rig, alarm.alarm, alarm.brake, words),
        numbers=_numbers(kind, alarm.value, reason, alarm.setpoint, rig.units, words),
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
    kind = _kind(one.name.partition(".")[2]) if one.what == "alarm" else None
    dimension = kind.dimension if kind else _MEASURED.get(one.what)
    if one.value is not None and dimension is not None:
        text += f", {with_unit(one.value, dimension, rig.units)}"
    if one.limit is not None and dimension is not None:
        text += f" against {limit_with_unit(one.limit, dimension, rig.units, _SIDE.get(one.why))}"
    return {
        "what": one.what, "name": one.name, "why": one.why, "value": one.value, "limit": one.limit, "text": text
    }  # fmt: skip


_SIDE: Final = {"low": Shape.LOW, "high": Shape.HIGH}
_MEASURED: Final = {
    "round": Dimension.NUMBER,
    "flow": Dimension.FLOW,
    "inlet": Dimension.TEMPERATURE,
    "level": Dimension.LENGTH,
}


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


# -------------------------------------------------------------------- picture


def _seen(seen: tuple[float, int], dimension: Dimension, system: str) -> Document:
    value, code = seen
    number, unit = rounded(value, dimension, system)
    bad = quality(code) is Quality.BAD
    return {
        "value": None if bad else value,
        "quality": quality(code).name.lower(),
        "reason": reason_name(code),
        "shown": {"value": None if bad else number, "unit": unit},
    }


def now(rig: Rig, picture: Picture, brake: str, valid_s: float) -> Document:
    """The live payload of one brake: its readings and derived quantities, and the rig-wide readings beside them.

    Args:
        rig: gives names, roles and units.
        picture: the newest one.
        brake: its name.
        valid_s: how long a reader may believe it.
    """
    points = [point for point in rig.points if point.brake in (brake, None) and point.device != SELF]
    return {
        "t": utc_text(picture.utc_ns),
        "valid_s": valid_s,
        "run": picture.run,
        "input": picture.input,
        "readings": {
            point.name: _seen(picture.readings[point.name], dimension_of_point(point), rig.units)
            for point in points
            if point.name in picture.readings
        },
        "derived": {
            name: _derived(rig, name, seen, picture.derived.get((brake, std_name(name))))
            for (of, name), seen in picture.derived.items()
            if of == brake
        },
    }


def _derived(rig: Rig, name: str, seen: tuple[float, int], std: tuple[float, int] | None) -> Document:
    """As a reading, and beside it the expanded uncertainty (k = 2) where there is one."""
    doc = _seen(seen, dimension_of_derived(name), rig.units)
    if std is not None:
        about = expanded(rig, name, seen, std)
        doc["expanded"] = None if about is None else about[0]
        doc["shown"]["plus_minus"] = None if about is None else about[1]
    return doc


def _as_seen(alarm: AlarmNow) -> Seen:
    return Seen(state=shown_of(alarm.state), first_out=alarm.first_out, silenced=alarm.silenced)


def lamps(rig: Rig, picture: Picture) -> dict[str, Document]:
    """Lamp -> ``{"aspect", "colour"}``: of the rig's windows, of ``ready``, and of ``watching``, lit with any picture.

    A lamp that shows more than real alarms call for has ``"test": true`` as well. Whoever shows it must put
    ``watching`` out when pictures stop coming.
    """
    lit = {window.name: _window(window, picture) for window in rig.lamps}
    return {WATCHING: watching(lit=True), **lit, READY: ready_lamp(rig, picture)}


def _window(window: Lamp, picture: Picture) -> Document:
    mine = [alarm for alarm in picture.alarms if window.shows(alarm.alarm)]
    shown = lamp(window.sequence, (_as_seen(alarm) for alarm in mine), test=picture.testing)
    real = lamp(window.sequence, (_as_seen(alarm) for alarm in mine if alarm.test is None))
    return {"aspect": shown.value, "colour": window.colour, **({"test": True} if shown is not real else {})}


def watching(*, lit: bool) -> Document:
    """The one lamp that is lit when all is well; white, so that no colour with a meaning is used up (IEC 60073)."""
    return {"aspect": (Aspect.STEADY if lit else Aspect.OFF).value, "colour": Colour.WHITE.value}


def ready_lamp(rig: Rig, picture: Picture) -> Document:
    """Lit before a trip where nothing stands in its way; dark with a brake in service. Green: safe (IEC 60073)."""
    lit = picture.testing or (not in_service(rig, picture) and not obstacles(rig, picture))
    return {"aspect": (Aspect.STEADY if lit else Aspect.OFF).value, "colour": Colour.GREEN.value}


def horn_now(rig: Rig, picture: Picture) -> Document:
    """``{"sound"}`` for all alarms together; ``"test": true`` where no real alarm calls for it."""
    heard = [
        (sequence, _as_seen(alarm), alarm.test is None)
        for alarm in picture.alarms
        for sequence in rig.sequences_of(alarm.alarm)
    ]
    shown = horn(((sequence, seen) for sequence, seen, _ in heard), test=picture.testing)
    real = horn((sequence, seen) for sequence, seen, is_real in heard if is_real)
    return {"sound": shown.value, **({"test": True} if shown is not real else {})}
