"""A point's keys beside its signal: how often it is read, what its sensor can do, and what is done to its value."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from brakewater.rig.complaints import Complain, amount, is_number
from brakewater.rig.conditioning import Accuracy, Conditioning
from brakewater.rig.roles import Role
from brakewater.rig.tables import Device, PointEntry
from brakewater.signals.convert import AnySignal, Bit, CurrentLoop, Linear, Pt100
from brakewater.signals.damping import MOST_SCANS, Damping
from brakewater.signals.flow import Root
from brakewater.signals.frozen import Standstill
from brakewater.signals.jump import JumpLimit
from brakewater.signals.pulse import Pulse
from brakewater.signals.rtd import Tolerance, tolerance_k
from brakewater.signals.trim import Trim
from brakewater.units import CREW_UNITS, Dimension, UnitError, parse, units_of

_RTD_RANGE: Final = (-50.0, 250.0)
"""degC: what a thin-film sensor in a thermowell is made for; common practice, no published source."""
_SPAN_SHARE, _READING_SHARE, _TEMPERATURE_K = 0.01, 0.02, 1.0
"""Accuracies where the file says none: of the span, of the reading, in K; common practice, no published source."""
_FEWEST_READINGS: Final = 5
"""Within the time after which a point counts as frozen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How often a point is looked at."""

    scan_ns: int
    device: Device | None
    """None where the device's own table is faulty."""

    def every(self, entry: PointEntry) -> int:
        """Scans from one reading to the next."""
        return entry.every or (self.device.every if self.device else 1)

    def most_age_ns(self, entry: PointEntry) -> int:
        """By default two readings and the device's timeout."""
        timeout = self.device.timeout if self.device else int(Device.model_fields["timeout"].default)
        return entry.most_age or 2 * self.every(entry) * self.scan_ns + timeout


def difference(dimension: Dimension) -> Dimension:
    """What two values of a quantity differ by."""
    return Dimension.DIFFERENCE if dimension is Dimension.TEMPERATURE else dimension


def check_pace(entry: PointEntry, pace: Pace, complain: Complain) -> None:
    """An age that no reading could keep is refused."""
    least = pace.every(entry) * pace.scan_ns
    if entry.most_age is not None and entry.most_age < least:
        complain(
            ("most-age",), f"{entry.most_age / 1e9:g} s", f"at least {least / 1e9:g} s, the time between two readings"
        )


def conditioning(entry: PointEntry, role: Role, signal: AnySignal, pace: Pace, complain: Complain) -> Conditioning:
    """The stages of a point; complains of what makes no sense for it."""
    if isinstance(signal, Bit):
        for key in ("sensor_range", "jump_limit", "frozen_after", "trim", "damping", "accuracy", "tolerance_class"):
            if getattr(entry, key) is not None:
                complain((key.replace("_", "-"),), "it on a contact", "it on a point that gives a number")
        return Conditioning()
    return Conditioning(
        sensor_range=_sensor_range(entry, role, signal, complain),
        jump=_jump(entry, role, complain),
        standstill=_standstill(entry, signal, pace, complain),
        trim=_trim(entry, role, complain),
        damping=_damping(entry, pace, complain),
    )


def _sensor_range(entry: PointEntry, role: Role, signal: AnySignal, complain: Complain) -> tuple[float, float] | None:
    if entry.sensor_range is None:
        return _RTD_RANGE if isinstance(signal, Pt100) else None
    try:
        low, high = (parse(end, role.dimension) for end in entry.sensor_range)
    except UnitError as error:
        complain(("sensor-range",), error.found, error.allowed)
        return None
    if low >= high:
        complain(("sensor-range",), repr(list(entry.sensor_range)), "the lower end first, then the higher")
        return None
    return low, high


def per_second(text: str, dimension: Dimension) -> float:
    """SI a second, above zero, of ``"5 degF/s"``, ``"20 gal/min/s"`` or ``"2 in/min"``.

    Raises:
        UnitError: it is no rate of this dimension.
    """
    quantity, slash, time = text.rpartition("/")
    seconds = {"s": 1.0, "min": 60.0}.get(time.strip())
    unit = CREW_UNITS["us"].get(dimension, dimension.value)
    allowed = f'a change a second or minute above zero, for example "2 {unit}/s"; of: {units_of(dimension)}'
    if not slash or seconds is None:
        raise UnitError(repr(text), allowed)
    try:
        return amount(quantity, dimension) / seconds
    except UnitError as error:
        raise UnitError(repr(text), allowed) from error


def _jump(entry: PointEntry, role: Role, complain: Complain) -> JumpLimit | None:
    if entry.jump_limit is None:
        return None
    try:
        limit = per_second(entry.jump_limit, difference(role.dimension))
    except UnitError as error:
        complain(("jump-limit",), error.found, error.allowed)
        return None
    return JumpLimit(per_s=limit)


def _standstill(entry: PointEntry, signal: AnySignal, pace: Pace, complain: Complain) -> Standstill | None:
    if entry.frozen_after is None:
        return None
    if isinstance(signal, Pulse):
        complain(("frozen-after",), "it on a pulse counter", "nothing: a counter stands still where nothing flows")
        return None
    least = _FEWEST_READINGS * pace.every(entry) * pace.scan_ns
    if entry.frozen_after < least:
        allowed = f"at least {least / 1e9:g} s, the time of {_FEWEST_READINGS} readings"
        complain(("frozen-after",), f"{entry.frozen_after / 1e9:g} s", allowed)
        return None
    return Standstill(frozen_ns=entry.frozen_after)


def _trim(entry: PointEntry, role: Role, complain: Complain) -> Trim | None:
    if entry.trim is None:
        return None
    for key in sorted(set(entry.trim) - {"gain", "offset"}):
        complain(("trim", key), "an unknown key", "gain, offset")
    gain, offset = entry.trim.get("gain", 1.0), entry.trim.get("offset")
    if not is_number(gain):
        complain(("trim", "gain"), repr(gain), "a number near 1, without quotes")
        return None
    try:
        shift = 0.0 if offset is None else parse(str(offset), difference(role.dimension))
    except UnitError as error:
        complain(("trim", "offset"), error.found, error.allowed)
        return None
    try:
        return Trim(gain=float(gain), offset=shift)
    except ValueError as error:
        key, _, said = str(error).partition(": found ")
        found, _, allowed = said.partition("; allowed: ")
        complain(("trim", key), found, allowed)
        return None


def _damping(entry: PointEntry, pace: Pace, complain: Complain) -> Damping | None:
    if entry.damping is None:
        return None
    most = MOST_SCANS * pace.scan_ns // 2
    if not 0 < entry.damping <= most:
        allowed = f"above zero, up to {most / 1e9:g} s at this cadence; leave it out where none is wanted"
        complain(("damping",), f"{entry.damping / 1e9:g} s", allowed)
        return None
    return Damping(damping_ns=entry.damping, scan_ns=pace.scan_ns)


def accuracies(entry: PointEntry, role: Role, signal: AnySignal, complain: Complain) -> tuple[Accuracy, ...]:
    """What the sensor may be off by: what the file says, its class, or a usual figure; each independent part apart.

    A thermometer behind a transmitter has its class and its loop's accuracy; empty for a contact.
    """
    if isinstance(signal, Bit):
        return ()
    by_loop = isinstance(signal, Linear | CurrentLoop) and role.dimension is Dimension.TEMPERATURE
    if entry.tolerance_class is not None and not (by_loop or isinstance(signal, Pt100)):
        allowed = "it with pt100 or pt1000, or a thermometer's loop; else accuracy"
        complain(("tolerance-class",), "it with another signal", allowed)
    if entry.accuracy is None:
        usual = _usual(signal, role, entry.tolerance_class or Tolerance.B)
        return (usual,) if not (by_loop and entry.tolerance_class) else (usual, _of_class(entry.tolerance_class))
    if entry.tolerance_class is not None and not by_loop:
        complain(("accuracy",), "accuracy beside tolerance-class", "one of them")
    try:
        fixed = amount(entry.accuracy, difference(role.dimension))
    except UnitError as error:
        complain(("accuracy",), error.found, error.allowed)
        return ()
    said = Accuracy(fixed=fixed)
    return (said,) if entry.tolerance_class is None else (said, _of_class(entry.tolerance_class))


def usual_of_span(signal: Linear | CurrentLoop) -> Accuracy:
    """Where the file says none."""
    return Accuracy(fixed=_SPAN_SHARE * abs(signal.high - signal.low))


def _of_class(tolerance: Tolerance) -> Accuracy:
    at_0, at_1 = tolerance_k(np.array([0.0, 1.0]), tolerance).tolist()
    return Accuracy(fixed=at_0, share=at_1 - at_0)


def _usual(signal: AnySignal, role: Role, tolerance: Tolerance) -> Accuracy:
    match signal:
        case Pt100():
            return _of_class(tolerance)
        case Linear() | CurrentLoop():
            return usual_of_span(signal)
        case Root():
            return Accuracy(fixed=_SPAN_SHARE * signal.full_scale)
        case Pulse():
            return Accuracy(fixed=signal.step_m3_s, share=_READING_SHARE)
        case _ if role.dimension is Dimension.TEMPERATURE:
            return Accuracy(fixed=_TEMPERATURE_K)
        case _:
            return Accuracy(fixed=0.0, share=_READING_SHARE)
