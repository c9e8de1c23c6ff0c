"""Trips in as ``review.why`` takes them, for tests."""

from dataclasses import replace

from brakewater.physics.gap import Limits
from brakewater.review.contact import Contact
from brakewater.review.torque import Torque
from brakewater.review.why import Told

MONTH_S = 30 * 86_400.0
NOMINAL = Limits().nominal_m
AS_NEW = Contact(scale=1.0, std=0.08)


def torque(first: float, last: float | None = None, std: float = 0.06) -> Torque:
    return Torque(index=first, std=std, first=first, last=first if last is None else last)


def trips(*changed: dict[str, object]) -> list[Told]:
    """A month apart, as new but for what is given."""
    plain = Told(number=1, at_s=0.0, torque=torque(1.0), share=(0.62, 0.03), contact=AS_NEW, excitation=1.0,
                 gap_m=NOMINAL)  # fmt: skip
    return [replace(plain, number=at, at_s=at * MONTH_S, **change) for at, change in enumerate(changed, 1)]  # type: ignore[arg-type]
