"""``condition.turns`` against a second implementation that looks back over the whole history at every scan."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from brakewater.alarms.condition import BEYOND, CLEAR, UNKNOWN, WITHIN, Delays, Memory, turns

FEW = settings(max_examples=300, deadline=None)
MANY = settings(max_examples=20_000, deadline=None)

scans = st.lists(st.tuples(st.sampled_from([CLEAR, WITHIN, BEYOND, UNKNOWN]), st.integers(0, 4)), max_size=40)
runs = st.lists(st.tuples(st.sampled_from([CLEAR, WITHIN, BEYOND, UNKNOWN]), st.integers(1, 9)), max_size=12).map(
    lambda stays: [(region, 1) for region, n in stays for _ in range(n)]
)
delays = st.builds(
    lambda on, off, unknown, measured, drains: Delays(
        on_ns=on, off_ns=off, unknown_ns=unknown, measured_ns=measured, drains=drains
    ),
    st.integers(0, 9),
    st.integers(0, 9),
    st.none() | st.integers(0, 9),
    st.none() | st.integers(0, 9),
    st.none() | st.integers(1, 4),
)


def summed(regions: list[int], t: list[int], at: int, since: int, rules: Delays) -> bool:
    """Beyond now, and the times beyond it make up the on-delay, each less what the times after it took off."""
    level = Fraction(0)
    for one in range(since, at):
        lasted = t[one + 1] - t[one]
        level = (
            level + lasted if regions[one] == BEYOND else max(Fraction(0), level - Fraction(lasted, rules.drains or 1))
        )
    return regions[at] == BEYOND and level >= rules.on_ns


def looking_back(regions: list[int], t: list[int], rules: Delays) -> list[tuple[int, bool, bool]]:
    """The rules as sentences. Knows nothing but the scans up to now and whether the alarm is raised."""

    def stood(at: int, start: int | None, allowed: set[int], for_ns: int) -> bool:
        """Some scan in region ``start`` (or in any), so long ago, since when only ``allowed`` regions were met."""
        for first in range(at, -1, -1):
            if regions[first] not in allowed:
                return False
            if (start is None or regions[first] == start) and t[at] - t[first] >= for_ns:
                return True
        return False

    raised, unmeasured, found, over = False, False, [], 0
    for at in range(len(regions)):
        if raised:
            if stood(at, None, {CLEAR}, rules.off_ns):
                raised, over = False, at + 1
                found.append((at, False, False))
            elif unmeasured and stood(at, None, {BEYOND}, rules.measured_ns or 0):
                unmeasured = False
                found.append((at, True, False))
            continue
        held = (
            stood(at, BEYOND, {BEYOND, UNKNOWN}, rules.on_ns)
            if rules.drains is None
            else summed(regions, t, at, over, rules)
        )
        blind = rules.unknown_ns is not None and stood(at, None, {UNKNOWN}, rules.unknown_ns)
        if held or blind:
            raised, unmeasured = True, not held and rules.measured_ns is not None
            found.append((at, True, not held))
    return found


def in_pieces(regions: list[int], t: list[int], rules: Delays, lengths: list[int]) -> list[tuple[int, bool, bool]]:
    memory, found, at = Memory(), [], 0
    lengths = [*lengths, len(regions)]
    for length in lengths:
        part = slice(at, min(at + length, len(regions)))
        if part.start == part.stop:
            break
        codes, times = np.array(regions[part], np.uint8), np.array(t[part], np.int64)
        found += [(at + turn.at, turn.raised, turn.unknown) for turn in turns(codes, times, rules, memory)]
        at = part.stop
    return found


def check(stays: list[tuple[int, int]], rules: Delays, lengths: list[int]) -> None:
    regions = [region for region, _ in stays]
    t = np.cumsum([step for _, step in stays], dtype=np.int64).tolist()
    wanted = looking_back(regions, t, rules)
    assert in_pieces(regions, t, rules, lengths) == wanted
    assert in_pieces(regions, t, rules, [1] * len(regions)) == wanted
    assert in_pieces(regions, t, rules, []) == wanted


@FEW
@given(stays=scans | runs, rules=delays, lengths=st.lists(st.integers(1, 10), max_size=20))
@example([(BEYOND, 0), (UNKNOWN, 5)], Delays(on_ns=3, off_ns=0, unknown_ns=None), [])
@example([(UNKNOWN, 0), (UNKNOWN, 2), (BEYOND, 1), (UNKNOWN, 1)], Delays(on_ns=2, off_ns=0, unknown_ns=3), [])
@example([(BEYOND, 0), (CLEAR, 1), (UNKNOWN, 9), (CLEAR, 1)], Delays(on_ns=0, off_ns=2, unknown_ns=None), [])
def test_turns(stays: list[tuple[int, int]], rules: Delays, lengths: list[int]) -> None:
    check(stays, rules, lengths)


@pytest.mark.long
@pytest.mark.timeout(1800)
@MANY
@given(stays=scans | runs, rules=delays, lengths=st.lists(st.integers(1, 10), max_size=20))
def test_many_turns(stays: list[tuple[int, int]], rules: Delays, lengths: list[int]) -> None:
    check(stays, rules, lengths)
