"""The newest picture as documents: a brake's live values, lamps and horn."""

from brakewater.alarms.annunciator import READY, WATCHING, Aspect, Colour, Seen, horn, lamp
from brakewater.alarms.lifecycle import shown_of
from brakewater.quality import Quality, quality, reason_name
from brakewater.readiness import in_service, obstacles
from brakewater.render.values import Document, dimension_of_derived, dimension_of_point, expanded, rounded, std_name
from brakewater.rig import SELF, Lamp, Rig
from brakewater.stream import AlarmNow, Picture
from brakewater.units import Dimension, utc_text


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
