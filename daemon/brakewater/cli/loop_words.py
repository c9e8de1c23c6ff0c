"""What a loop check says of a reading and of a step, to the tech beside it."""

from brakewater.field.seen import in_unit, unit_of
from brakewater.quality import Quality, quality, reason_name
from brakewater.review.loop_sheet import Step, passes, settled
from brakewater.rig import Point
from brakewater.signals.convert import Bit
from brakewater.wording import ENGLISH


def value_text(point: Point, number: float, code: int, system: str) -> str:
    """A reading in SI with its reason code, as the crew reads; of a contact on or off."""
    if quality(code) is Quality.BAD:
        return f"nothing good: {ENGLISH.reason(reason_name(code))}"
    if isinstance(point.signal, Bit):
        return "on" if number else "off"
    return f"{in_unit(number, point, system):.5g} {unit_of(point, system)}".strip()


def difference_text(point: Point, si: float, system: str) -> str:
    """A difference of readings in SI, without its sign."""
    factor = in_unit(1.0, point, system) - in_unit(0.0, point, system)
    return f"{abs(si * factor):.3g} {unit_of(point, system)}".strip()


def step_text(step: Step, point: Point, ends: tuple[float, float], tolerance: float, system: str) -> str:
    """What came of a step; the values at 0 and 100 % and the tolerance in SI."""
    if step.mean is None or step.error is None:
        return f"no good reading: {ENGLISH.reason(reason_name(step.worst))}"
    if isinstance(point.signal, Bit):
        seen = "on" if step.mean == 1.0 else "off" if step.mean == 0.0 else "on and off by turns"
        return f"read {seen}: {'as it should' if step.error == 0.0 else 'NOT as it should'}"
    note = "" if not step.worst else f", {ENGLISH.reason(reason_name(step.worst))}"
    share = step.error / abs(ends[1] - ends[0])
    read = f"read {value_text(point, step.mean, 0, system)}, error {share:+.3%} of span{note}"
    if not settled(step, tolerance):
        return f"{read}: NOT settled, it moves by {difference_text(point, step.moved, system)}"
    return f"{read}: {'within' if passes(step, tolerance) else 'OUT OF'} tolerance"
