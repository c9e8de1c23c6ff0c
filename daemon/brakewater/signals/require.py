"""What the records of this floor refuse, in the words of the rig file: ``key: found this; allowed: that; do so``."""

import math


def finite(**numbers: float) -> None:
    """Refuse NaN and infinities.

    Raises:
        ValueError: names the first that is no finite number.
    """
    for name, value in numbers.items():
        if not math.isfinite(value):
            raise ValueError(f"{name}: found {value}; allowed: a finite number; correct it")


def nonzero(name: str, value: float) -> None:
    """Refuse a scale of 0.

    Raises:
        ValueError: it is 0.
    """
    if value == 0.0:
        raise ValueError(f"{name}: found 0; allowed: any number but 0, else every reading would be the same")


def between(name: str, value: float, least: float, most: float, advice: str) -> None:
    """Refuse what lies outside two ends, which are both allowed; NaN lies outside.

    Raises:
        ValueError: it lies outside.
    """
    if not least <= value <= most:
        raise ValueError(f"{name}: found {value}; allowed: {least} to {most}; {advice}")


def above_zero(name: str, value: float, advice: str) -> None:
    """Refuse zero, what is below it, NaN and infinity.

    Raises:
        ValueError: it is none above 0.
    """
    if not 0.0 < value < math.inf:
        raise ValueError(f"{name}: found {value}; allowed: a finite number above 0; {advice}")


def different_counts(raw_low: float, raw_high: float) -> None:
    """Refuse a range of counts that is none.

    Raises:
        ValueError: one is no finite number, or both are the same.
    """
    finite(raw_low=raw_low, raw_high=raw_high)
    if raw_low == raw_high:
        raise ValueError(
            f"raw_high: found {raw_high:g} at both ends; allowed: two different counts; give those of both ends"
        )


def line(raw_low: float, raw_high: float, low: float, high: float) -> None:
    """Refuse a line through two points that is none.

    Raises:
        ValueError: a number is not finite, or two ends are the same.
    """
    different_counts(raw_low, raw_high)
    finite(low=low, high=high)
    if low == high:
        raise ValueError(f"high: found {high}, the same as low; allowed: another; give the values at both ends")
