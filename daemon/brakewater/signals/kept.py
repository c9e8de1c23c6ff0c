"""Whole numbers that JSON cannot hold, such as times in ns, as text in a stage's state."""

from collections.abc import Sequence

import numpy as np

from brakewater.stream import Ints


def texts(numbers: Ints) -> list[str]:
    """As a state keeps them."""
    return [str(number) for number in numbers.tolist()]


def ints(kept: Sequence[str]) -> Ints:
    """Back from a state: [n]."""
    return np.array([int(text) for text in kept], np.int64)


def text(number: int | None) -> str | None:
    """One, or none."""
    return None if number is None else str(number)


def number(kept: str | None) -> int | None:
    """One back from a state, or none."""
    return None if kept is None else int(kept)
