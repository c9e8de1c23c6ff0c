"""A one-sided sequential test in whole numbers (Page 1954, from memory): has a mean risen by more than an allowance?

    S = max(0, S + x - allowance)        the test is met from S >= threshold on, until S is back at 0

Whole numbers, so that it is the same however a stream is cut. S is held to twice the threshold, so that the end of a
long rise is told as soon as that of a short one.
"""


def step(s: int, x: int, allowance: int, threshold: int) -> int:
    """S after one more sample; all in one unit."""
    return min(max(0, s + x - allowance), 2 * threshold)


def is_met(s: int, threshold: int, *, before: bool) -> bool:
    """Whether the test is met, having been so or not before."""
    return s >= threshold or (before and s > 0)
