"""Quality of a value and what a poll came to: the codes that travel beside every number.

A reason code says why a value is not plainly good. Its band gives the quality: 0 is good, 1 to 63 uncertain, 64 to 255
bad; so the worse of two codes is the larger one, and arrays combine with ``numpy.maximum``.
"""

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.uint8]
"""Reason codes, one a scan."""
Pair = tuple[float, int]
"""A value and its reason code."""


class Quality(IntEnum):
    """What a value may be used for."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2


class Reason(IntEnum):
    """Why a value is what it is; larger is worse."""

    GOOD = 0
    UNDER_RANGE = 10
    OVER_RANGE = 11
    OLD = 20
    SETTLING = 21
    SUBSTITUTED = 30
    CROSS_CHECK = 40
    DEVIATION = 41
    COUNTER_RESET = 42
    BEYOND_FLUID = 43
    DOUBTFUL_BASIS = 44
    NO_FLOW = 64
    AT_LIMIT = 65
    UNKNOWN = 70
    NO_BASIS = 71
    OUT_OF_SENSOR_RANGE = 80
    LOOP_LOW = 90
    LOOP_HIGH = 91
    SENSOR_OPEN = 92
    SENSOR_SHORT = 93
    JUMP = 94
    FROZEN = 95
    COUNTER_REVERSED = 96
    STUCK_DEVICE = 97
    FUNCTION_CHECK = 98
    NOT_A_NUMBER = 100
    NO_ANSWER = 110
    REFUSED_BY_DEVICE = 111
    WRONG_ANSWER = 112


class Status(IntEnum):
    """What one poll of one point came to. A device's exception answer is ``EXCEPTION | code``."""

    OK = 0
    SILENT = 1
    REFUSED = 2
    RESET = 3
    SHORT = 4
    MISMATCH = 5
    ABSENT = 6
    SLOW = 7
    EXCEPTION = 0x80


NOBODY_BEHIND: Final = (Status.EXCEPTION | 10, Status.EXCEPTION | 11)
"""What a gateway answers for a device behind it that it has no path to, or that does not answer ("MODBUS Application
Protocol Specification V1.1b3", 7)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Meaning:
    """What a reason tells the tech."""

    ne107: str
    """NAMUR NE 107 category: F failure, C function check, S out of specification, M maintenance required, or empty."""
    says: str
    """One sentence: what it means and what to check."""


MEANINGS = {
    Reason.GOOD: Meaning(ne107="", says="Good."),
    Reason.UNDER_RANGE: Meaning(ne107="S", says="The loop is just below its measuring range: check range and zero."),
    Reason.OVER_RANGE: Meaning(ne107="S", says="The loop is just above its measuring range: check range and span."),
    Reason.OLD: Meaning(ne107="S", says="The reading is older than the line should need: check the line's load."),
    Reason.SETTLING: Meaning(ne107="S", says="Not enough readings yet since the signal came back."),
    Reason.CROSS_CHECK: Meaning(
        ne107="S", says="Signals contradict each other: check the sensors, the piping, and that no two are exchanged."
    ),
    Reason.DEVIATION: Meaning(
        ne107="S",
        says="Redundant sensors lie further apart than their tolerance classes allow: check them side by side.",
    ),
    Reason.COUNTER_RESET: Meaning(
        ne107="S", says="The pulse counter began anew: the device was restarted or replaced."
    ),
    Reason.BEYOND_FLUID: Meaning(
        ne107="S", says="Just below freezing or above boiling of the brake's fluid: check the sensor and the fluid."
    ),
    Reason.DOUBTFUL_BASIS: Meaning(
        ne107="S", says="Something this is worked out from is doubtful or was missing for a while."
    ),
    Reason.NO_BASIS: Meaning(
        ne107="F", says="Something this is worked out from is missing: a good signal, or enough time."
    ),
    Reason.SUBSTITUTED: Meaning(ne107="C", says="A value entered by hand stands in for the sensor."),
    Reason.NO_FLOW: Meaning(ne107="S", says="No flow past the sensor, so it does not see the brake's water."),
    Reason.AT_LIMIT: Meaning(ne107="S", says="The water is already at its limit, so the margin has no meaning."),
    Reason.UNKNOWN: Meaning(ne107="F", says="No reading yet since the watch began."),
    Reason.OUT_OF_SENSOR_RANGE: Meaning(
        ne107="F", says="The value lies outside what the sensor can measure: check sensor and range."
    ),
    Reason.LOOP_LOW: Meaning(ne107="F", says="Loop current at or below 3.6 mA: broken wire or failed transmitter."),
    Reason.LOOP_HIGH: Meaning(ne107="F", says="Loop current at or above 21 mA: short circuit or failed transmitter."),
    Reason.SENSOR_OPEN: Meaning(ne107="F", says="Resistance far too high: open sensor or broken lead."),
    Reason.SENSOR_SHORT: Meaning(ne107="F", says="Resistance far too low: shorted sensor or lead."),
    Reason.JUMP: Meaning(ne107="F", says="The value jumped faster than it can: check wiring, screen and ground."),
    Reason.FROZEN: Meaning(ne107="F", says="Not even the last digit moves any more: check transmitter and its card."),
    Reason.COUNTER_REVERSED: Meaning(
        ne107="F", says="The pulse counter runs backwards: check wiring and counting input."
    ),
    Reason.STUCK_DEVICE: Meaning(
        ne107="F", says="The device answers, but its own heartbeat stands still: its program has stopped."
    ),
    Reason.FUNCTION_CHECK: Meaning(
        ne107="C", says="The loop is being checked: what it shows is injected, not measured."
    ),
    Reason.NOT_A_NUMBER: Meaning(ne107="F", says="The registers hold no number: check data type and word order."),
    Reason.NO_ANSWER: Meaning(ne107="F", says="The device does not answer: check power, cable and address."),
    Reason.REFUSED_BY_DEVICE: Meaning(
        ne107="F", says="The device refuses this register: check table, address and unit number."
    ),
    Reason.WRONG_ANSWER: Meaning(ne107="F", says="The answer did not fit the question and was thrown away."),
}

_FIRST_BAD = 64


def quality(code: int) -> Quality:
    """Quality of one reason code.

    Args:
        code: reason code, 0 to 255.
    """
    if code == 0:
        return Quality.GOOD
    return Quality.UNCERTAIN if code < _FIRST_BAD else Quality.BAD


def is_bad_code(code: int) -> bool:
    """The same of one code."""
    return code >= _FIRST_BAD


def alone(code: int) -> Codes:
    """[1] one code, for a lone scan; shared, so it cannot be written to."""
    return _ALONE[code]


def is_bad(codes: Codes) -> NDArray[np.bool_]:
    """True where a code is in the bad band; same shape as the argument."""
    bad: NDArray[np.bool_] = codes >= _FIRST_BAD
    return bad


def is_good(codes: Codes) -> NDArray[np.bool_]:
    """True where a code is plainly good; same shape as the argument."""
    good: NDArray[np.bool_] = codes == 0
    return good


_NAMES = {int(reason): reason.name.lower().replace("_", "-") for reason in Reason}


def reason_name(code: int) -> str:
    """The reason as people and JSON see it, for example ``sensor-open``; ``good`` for 0."""
    return _NAMES.get(code) or f"code-{code}"


def status_name(status: int) -> str:
    """A poll status as people and JSON see it, for example ``silent`` or ``exception-2``."""
    if status & Status.EXCEPTION:
        return f"exception-{status & 0x7F}"
    return Status(status).name.lower()


def reason_of_status() -> Codes:
    """Table of 256 reason codes, indexed by poll status."""
    table = np.full(256, Reason.WRONG_ANSWER, dtype=np.uint8)
    table[Status.OK] = Reason.GOOD
    for status in (Status.SILENT, Status.REFUSED, Status.RESET, Status.ABSENT, Status.SLOW):
        table[status] = Reason.NO_ANSWER
    table[0x80:] = Reason.REFUSED_BY_DEVICE
    return table


def _alone(code: int) -> Codes:
    codes = np.array([code], np.uint8)
    codes.setflags(write=False)
    return codes


_ALONE = tuple(_alone(code) for code in range(256))
