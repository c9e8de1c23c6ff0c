"""Ton-miles: the work that a drilling line has done, by which it is slipped and cut.

    T = D (Ls + D) Wm / 10 560 000 + D (M + C/2) / 2 640 000        (API RP 9B, round trip; US units, short tons)

with D the depth in ft, Ls the length of a stand in ft, Wm the pipe's weight in mud in lb/ft, M the weight of block and
elevator in lb, C the excess weight of the collars in mud in lb. The form is from memory of the recommended practice;
its equal [D (Ls + D) Wm + 4 D (M + C/2)] / (2000 x 5280) stands in a published example sheet that the tests name.
"""

from dataclasses import dataclass
from typing import Final

TON_MILE_J: Final = 10_560_000 * 0.3048 * 4.4482216152605
"""2000 lbf over 5280 ft, exact."""
FOOT_M: Final = 0.3048
POUND_FORCE_N: Final = 4.4482216152605


@dataclass(frozen=True, slots=True, kw_only=True)
class String:
    """What hangs on the line in a round trip, in SI."""

    stand_m: float
    pipe_n_m: float
    """Weight of the pipe in mud."""
    block_n: float
    excess_n: float = 0.0
    """What collars and heavy pipe weigh in mud more than drill pipe of their length."""


def round_trip_j(string: String, depth_m: float) -> float:
    """Work in J of a round trip from ``depth_m``; divide by ``TON_MILE_J`` for ton-miles."""
    pipe = depth_m * (string.stand_m + depth_m) * string.pipe_n_m
    return pipe + 4.0 * depth_m * (string.block_n + 0.5 * string.excess_n)
