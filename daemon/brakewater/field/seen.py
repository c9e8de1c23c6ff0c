"""What was read of one point, and what it comes to: the value beside the four orders, with a reason in words."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from brakewater.field import spans
from brakewater.quality import MEANINGS, Reason, Status, is_bad, quality, reason_name, reason_of_status, status_name
from brakewater.rig import Point
from brakewater.signals.convert import convert
from brakewater.signals.pulse import Pulse
from brakewater.signals.trim import trimmed
from brakewater.units import CREW_UNITS, Dimension, to_unit

_REASONS: Final = reason_of_status()
_HOW: Final = {
    Status.SILENT: "Nothing comes back in time: check power, cable, host and unit number.",
    Status.REFUSED: "The host is there, but nothing listens at this port: check port and the device's Modbus server.",
    Status.RESET: "The device hangs up: check whom it lets in, and how many at once.",
    Status.ABSENT: "The device could not be asked: check host and port, or the serial port.",
    Status.SLOW: "The device answers, but later than its timeout: raise timeout, or ask it less often.",
    Status.EXCEPTION | 1: "The device does not know this function: check table (input or holding, discrete or coil).",
    Status.EXCEPTION
    | 2: "The device has no such register: check table, address (a list may count from 1), type, unit.",
    Status.EXCEPTION | 3: "The device refuses so many registers at once: check type, and max-registers.",
    Status.EXCEPTION | 4: "The device failed over it: look at the device itself.",
    Status.EXCEPTION | 5: "The device needs longer for it: ask it less often.",
    Status.EXCEPTION | 6: "The device is busy: ask it less often, or see who else asks it.",
    Status.EXCEPTION | 10: "The gateway has no way to this unit: check unit number, and the gateway's own table.",
    Status.EXCEPTION
    | 11: "The gateway gets no answer from this unit: check its power, cable, unit number, baud, parity.",
}
"""What a poll came to, more closely than its reason; codes of "MODBUS Application Protocol Specification V1.1b3", 7."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One reading of one point."""

    point: Point
    words: tuple[int, ...]
    """As received; none where the poll failed."""
    status: int
    answer_s: float | None = None
    """From request to answer, s; None where the daemon read it."""
    age_s: float | None = None
    """How old the daemon's sample is, s."""
    answers: int = 0
    """Answers so far, of those that were asked for."""
    failures: int = 0
    detail: str = ""
    """What ails the line, where something does."""
    judged: tuple[float, int] | None = None
    """Value in SI and reason code that the running engine gives; None: by conversion and trim alone."""

    @property
    def value(self) -> tuple[float, int]:
        """Value in SI and reason code. Stages that need a past (damping, jumps, pulse rates) only the engine has."""
        if self.judged is not None:
            return self.judged
        return converted(self.point, self.words, self.status)


def converted(point: Point, words: tuple[int, ...], status: int) -> tuple[float, int]:
    """Value in SI and reason code of one reading by itself: conversion, sensor range, trim."""
    row = np.array([words or (0,) * point.count], np.uint16)
    values, codes = convert(point.register, point.signal, row, np.array([status], np.uint8))
    own = point.conditioning
    if point.sensed is not None and not is_bad(codes)[0]:
        low, high = point.sensed
        if not low <= values[0] <= high:
            return 0.0, int(Reason.OUT_OF_SENSOR_RANGE)
    if own.trim is not None:
        values, codes = trimmed(own.trim, values, codes)
    return float(values[0]), int(codes[0])


def unit_of(point: Point, system: str, *, judged: bool = False) -> str:
    """The unit in which a point is shown; nothing for a contact. Only the engine (judged) makes a flow of pulses."""
    if isinstance(point.signal, Pulse) and not judged:
        return "pulses"
    dimension = spans.dimension(point)
    return "" if dimension is Dimension.NUMBER else CREW_UNITS[system].get(dimension, dimension.value)


def in_unit(value: float, point: Point, system: str, *, judged: bool = False) -> float:
    """A value in SI in the unit in which a point is shown."""
    name = unit_of(point, system, judged=judged)
    return value if name in ("", "pulses") else float(to_unit(value, name))


def meaning(seen: Seen) -> str:
    """One sentence for the tech: what a reason means and what to check; with what the poll came to."""
    code, status = seen.value[1], seen.status
    if status and int(_REASONS[status]) == code:
        says = _HOW.get(status, MEANINGS[Reason(code)].says)
        return f"{says} ({status_name(status)}{seen.detail and f': {seen.detail}'})"
    try:
        return MEANINGS[Reason(code)].says
    except (KeyError, ValueError):
        return reason_name(code)


def what_to_check(status: str) -> str:
    """One sentence on a poll's status by its name, for example ``exception-11``; empty where there is none."""
    return next((says for code, says in _HOW.items() if status_name(code) == status), "")


def rounded(value: float) -> float | None:
    """Seven digits; None for what is no finite number."""
    return float(f"{value:.7g}") if np.isfinite(value) else None


def document(seen: Seen, system: str, suspects: list[dict[str, Any]]) -> dict[str, Any]:
    """The line of ``probe --once --json``; value and readings in ``unit``, null where they are no numbers."""
    point = seen.point
    value, code = seen.value
    judged = seen.judged is not None
    shown = {
        order: rounded(in_unit(one, point, system)) for order, (one, _) in spans.readings(point, seen.words).items()
    }
    plausible = [order for order, (_, fits) in spans.readings(point, seen.words).items() if fits]
    return {
        "point": point.name,
        "device": point.device,
        "table": point.table.value,
        "address": point.address,
        "words": list(seen.words),
        "readings": shown,
        "plausible": plausible,
        "value": None if quality(code).name == "BAD" else rounded(in_unit(value, point, system, judged=judged)),
        "unit": unit_of(point, system, judged=judged),
        "quality": quality(code).name.lower(),
        "reason": reason_name(code),
        "meaning": meaning(seen),
        "status": status_name(seen.status),
        "answer_s": seen.answer_s,
        "age_s": seen.age_s,
        "suspects": suspects,
    }
