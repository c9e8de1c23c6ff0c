"""The classical fourth-order Runge-Kutta step, in plain Python floats."""

from collections.abc import Callable
from typing import TypeVar

State = tuple[float, ...]
Drive = TypeVar("Drive")


def rk4(slope: Callable[[State, Drive], State], y: State, h: float, drives: tuple[Drive, Drive, Drive]) -> State:
    """The state one step of ``h`` s on; ``drives`` act at its start, middle and end. Error of order h^4."""
    half = 0.5 * h
    k1 = slope(y, drives[0])
    k2 = slope(tuple([a + half * b for a, b in zip(y, k1, strict=True)]), drives[1])
    k3 = slope(tuple([a + half * b for a, b in zip(y, k2, strict=True)]), drives[1])
    k4 = slope(tuple([a + h * b for a, b in zip(y, k3, strict=True)]), drives[2])
    sixth = h / 6.0
    return tuple([a + sixth * (b + 2.0 * (c + d) + e) for a, b, c, d, e in zip(y, k1, k2, k3, k4, strict=True)])
