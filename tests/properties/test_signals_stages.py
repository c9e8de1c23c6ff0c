"""Every stage of the signals floor against a second, scalar implementation that looks at the whole history at every
scan, and against itself: cut anywhere, with its memory through JSON at each cut, it gives the same bits."""

import json
import math
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brakewater.quality import Reason
from brakewater.signals.damping import Damper, Damping
from brakewater.signals.frozen import FreezeWatch, Standstill
from brakewater.signals.jump import JumpFilter, JumpLimit
from brakewater.signals.meter import PulseMeter
from brakewater.signals.pulse import Pulse

FEW = settings(max_examples=150, deadline=None)
MANY = settings(max_examples=5000, deadline=None)

SETTLING, RESET, REVERSED = int(Reason.SETTLING), int(Reason.COUNTER_RESET), int(Reason.COUNTER_REVERSED)
INPUT_CODES = [0] * 12 + [int(Reason.OLD), int(Reason.LOOP_HIGH), int(Reason.NO_ANSWER)]

cuts = st.lists(st.integers(1, 30), max_size=30)
elapsed = st.sampled_from([200, 200, 200, 200, 200, 199, 203, 400, 0, 1900, 30_000]) | st.integers(0, 3000)
"""In ms."""


def times(steps: list[int]) -> list[int]:
    return (np.cumsum(steps, dtype=np.int64) * 1_000_000 + 10**17).tolist()


def in_pieces(make: Callable[[], Any], columns: list[Any], lengths: list[int]) -> tuple[list[bytes], Any]:
    """Bytes of each column told, and the last state, of a stage that is made anew from its state at every cut."""
    n, at, told, state = len(columns[0]), 0, [], None
    while at < n or not told:
        length = lengths[len(told)] if len(told) < len(lengths) else n
        stage = make()
        if state is not None:
            stage.restore(json.loads(json.dumps(state, allow_nan=False)))
        answer = stage.feed(*(column[at : at + length] for column in columns))
        told.append(answer if isinstance(answer, tuple) else (answer,))
        state, at = stage.state(), at + length
    return [b"".join(part.tobytes() for part in parts) for parts in zip(*told, strict=True)], state


def check_cuts(make: Callable[[], Any], columns: list[Any], lengths: list[int]) -> Any:
    stage = make()
    whole = stage.feed(*columns)
    wanted = [part.tobytes() for part in (whole if isinstance(whole, tuple) else (whole,))]
    for pieces in (lengths, [1] * len(columns[0])):
        assert in_pieces(make, columns, pieces) == (wanted, stage.state())
    return whole


# --- pulses ---------------------------------------------------------------------------------------------------------


def metered(pulse: Pulse, counts: list[int], codes: list[int], t: list[int]) -> list[tuple[float, int, int]]:
    """Flow, code and volume as sentences say it; looks back sample by sample."""
    seen: list[tuple[int, int, str, int]] = []  # time, count, what it did, pulses
    found, volume = [], Fraction(0)
    for count, code, now in zip(counts, codes, t, strict=True):
        if code < 64 and not 0 <= count < pulse.rolls_at:
            code = int(Reason.OUT_OF_SENSOR_RANGE)  # noqa: PLW2901
        if code >= 64:
            found.append((0.0, code, math.floor(volume)))
            continue
        if seen:
            before, was = seen[-1][:2]
            most = pulse.most_per_s * ((now - before + pulse.renewed_ns) / 1e9) + 1.0
            ahead = count - was if count >= was else count + pulse.rolls_at - was
            back = was - count if count <= was else was + pulse.rolls_at - count
            if most >= pulse.rolls_at:
                did, pulses = "unseen", 0
            elif ahead <= most:
                did, pulses = "on", ahead
            elif back <= most:
                did, pulses = "back", -back
            else:
                did, pulses = "anew", 0
        else:
            did, pulses = "first", 0
        seen.append((now, count, did, pulses))
        volume += Fraction(pulses) * 1_000_000 / Fraction(pulse.pulses_per_m3)
        found.append((*flow_now(pulse, seen, code), math.floor(volume)))
    return found


def flow_now(pulse: Pulse, seen: list[tuple[int, int, str, int]], code: int) -> tuple[float, int]:
    now, known, pulses, did_all = seen[-1][0], 0, 0, set()
    for at in range(len(seen) - 1, 0, -1):
        if seen[at][0] <= now - pulse.window_ns:
            break
        took = seen[at][0] - seen[at - 1][0]
        did_all.add(seen[at][2])
        if seen[at][2] == "on" and took <= pulse.window_ns:
            known, pulses = known + took, pulses + seen[at][3]
    if "back" in did_all:
        return 0.0, REVERSED
    if not known:
        return 0.0, int(Reason.UNKNOWN)
    own = RESET if "anew" in did_all else SETTLING if known < pulse.window_ns else 0
    return (pulses / pulse.pulses_per_m3) / (known / 1e9), max(code, own)


@st.composite
def counters(draw: st.DrawFn) -> tuple[Pulse, list[int], list[int], list[int]]:
    rolls_at = draw(st.sampled_from([1000, 10000, 1 << 16, 1 << 32]))
    pulse = Pulse(
        pulses_per_m3=draw(st.sampled_from([1000.0, 8192.0, 333.25])),
        rolls_at=rolls_at,
        most_per_s=draw(st.sampled_from([20.0, 100.0])),
        window_ns=draw(st.sampled_from([400_000_000, 2_000_000_000])),
        renewed_ns=draw(st.sampled_from([0, 1_000_000_000])),
    )
    rises = st.sampled_from([3, 4, 4, 5, 20]) | st.sampled_from([0, 1, -1, -3, 200, -500])
    moves = draw(st.lists(st.tuples(rises, elapsed, st.sampled_from(INPUT_CODES)), max_size=80))
    count, counts = draw(st.integers(0, rolls_at - 1)), []
    for rise, took, _ in moves:
        count = 0 if rise == -500 else rolls_at + 5 if rise == 200 else (count + rise * (took > 0)) % rolls_at
        counts.append(count)
    return pulse, counts, [code for *_, code in moves], times([took for _, took, _ in moves])


def check_pulses(case: tuple[Pulse, list[int], list[int], list[int]], lengths: list[int]) -> None:
    pulse, counts, codes, t = case
    columns = [np.array(counts, np.float64), np.array(codes, np.uint8), np.array(t, np.int64)]
    check_cuts(lambda: PulseMeter(pulse), columns, lengths)
    got = PulseMeter(pulse).meter(*columns)
    wanted = metered(pulse, counts, codes, t)
    assert got.codes.tolist() == [code for _, code, _ in wanted]
    assert got.flow.tolist() == [flow for flow, *_ in wanted]
    assert np.abs(got.volume_ml - np.array([volume for *_, volume in wanted], np.int64)).max(initial=0) <= 1


@FEW
@given(case=counters(), lengths=cuts)
def test_pulses(case: tuple[Pulse, list[int], list[int], list[int]], lengths: list[int]) -> None:
    check_pulses(case, lengths)


@pytest.mark.long
@pytest.mark.timeout(1800)
@MANY
@given(case=counters(), lengths=cuts)
def test_many_pulses(case: tuple[Pulse, list[int], list[int], list[int]], lengths: list[int]) -> None:
    check_pulses(case, lengths)


@FEW
@given(case=counters(), lengths=cuts)
def test_volumes_are_the_same_in_any_cut(
    case: tuple[Pulse, list[int], list[int], list[int]], lengths: list[int]
) -> None:
    pulse, counts, codes, t = case
    columns = [np.array(counts, np.float64), np.array(codes, np.uint8), np.array(t, np.int64)]
    whole, stage, at, pieces = PulseMeter(pulse).meter(*columns).volume_ml.tolist(), PulseMeter(pulse), 0, []
    for length in [*lengths, len(t)]:
        pieces += stage.meter(*(column[at : at + length] for column in columns)).volume_ml.tolist()
        at += length
    assert pieces == whole


# --- damping --------------------------------------------------------------------------------------------------------

samples = st.lists(
    st.tuples(st.floats(-1e6, 1e6) | st.sampled_from([0.0, 20.0, 20.1, 1e308]), st.sampled_from(INPUT_CODES), elapsed),
    max_size=80,
)
Samples = list[tuple[float, int, int]]


def columns_of(scans: Samples) -> list[Any]:
    codes = np.array([code for _, code, _ in scans], np.uint8)
    values = np.where(codes < 64, np.array([value for value, *_ in scans], np.float64), 0.0)
    return [values, codes, np.array(times([took for *_, took in scans]), np.int64)]


def damped(scans: Samples, n: int, span_ms: int) -> list[tuple[float, int]]:
    found = []
    for at, (_, code, _) in enumerate(scans):
        window = []
        for back in range(at, max(-1, at - n), -1):
            window.append(scans[back])
            if scans[back][2] >= span_ms:
                break
        used = [(value, told) for value, told, _ in window if told < 64]
        if code >= 64:
            found.append((0.0, code))
        else:
            mean = float(sum(Fraction(value) for value, _ in used) / len(used))
            found.append((mean, max(told for _, told in used)))
    return found


@FEW
@given(scans=samples, n=st.integers(1, 20) | st.sampled_from([31, 32, 33, 64]), lengths=cuts)
def test_damping(scans: Samples, n: int, lengths: list[int]) -> None:
    damping = Damping(damping_ns=n * 100_000_000, scan_ns=200_000_000)
    assert damping.scans == n
    scans = [(value, code, 200 if at == 0 else took) for at, (value, code, took) in enumerate(scans)]
    values, codes = check_cuts(lambda: Damper(damping), columns_of(scans), lengths)
    for got, code, (mean, told) in zip(values.tolist(), codes.tolist(), damped(scans, n, 200 * n), strict=True):
        if code == Reason.NOT_A_NUMBER:  # the sum overflowed
            assert abs(mean) > 1e306
            continue
        assert code == told
        assert got == pytest.approx(mean, rel=1e-12, abs=1e-8)


# --- jumps ----------------------------------------------------------------------------------------------------------


def jumps(scans: Samples, per_s: float, t: list[int]) -> list[int]:
    believed: tuple[float, int] | None = None
    refused, newest, found = 0, None, []
    for (value, code, _), now in zip(scans, t, strict=True):
        if code >= 64:
            found.append(code)
            continue
        if newest is None or now > newest:
            newest = now
            far = believed is not None and abs(value - believed[0]) > per_s * ((now - believed[1]) / 1e9)
            if far and refused < 3:
                refused += 1
            else:
                believed, refused = (value, now), 0
        found.append(int(Reason.JUMP) if refused else code)
    return found


@FEW
@given(scans=samples, per_s=st.sampled_from([0.5, 5.0, 1e5]), lengths=cuts)
def test_jumps(scans: Samples, per_s: float, lengths: list[int]) -> None:
    columns = columns_of(scans)
    values, codes = check_cuts(lambda: JumpFilter(JumpLimit(per_s=per_s)), columns, lengths)
    wanted = jumps(scans, per_s, columns[2].tolist())
    assert codes.tolist() == wanted
    assert values.tolist() == [0.0 if code >= 64 else value for code, value in zip(wanted, columns[0], strict=True)]


@FEW
@given(
    levels=st.lists(st.tuples(st.sampled_from([20.0, 20.5, 21.0, 60.0, 90.0]), st.integers(1, 8)), max_size=12),
    lengths=cuts,
)
def test_jumps_between_levels(levels: list[tuple[float, int]], lengths: list[int]) -> None:
    scans = [(value, 0, 200) for value, stays in levels for _ in range(stays)]
    columns = columns_of(scans)
    _, codes = check_cuts(lambda: JumpFilter(JumpLimit(per_s=5.0)), columns, lengths)
    assert codes.tolist() == jumps(scans, 5.0, columns[2].tolist())


# --- standstill -----------------------------------------------------------------------------------------------------


def frozen(words: list[tuple[int, int]], codes: list[int], t: list[int], limit: int) -> list[int]:
    found: list[int] = []
    read: list[tuple[tuple[int, int], int]] = []
    for word, code, now in zip(words, codes, t, strict=True):
        if code >= Reason.NO_ANSWER:
            found.append(code)
            continue
        read.append((word, now))
        at = len(read) - 1
        while at and read[at - 1][0] == word and read[at][1] - read[at - 1][1] <= limit:
            at -= 1
        stands = now - read[at][1] > limit
        found.append(int(Reason.FROZEN) if stands and code < 64 else code)
    return found


@FEW
@given(
    scans=st.lists(
        st.tuples(st.sampled_from([(1, 2)] * 9 + [(1, 3), (2, 2)]), st.sampled_from(INPUT_CODES), elapsed), max_size=80
    ),
    limit_ms=st.sampled_from([200, 1000, 3000]),
    lengths=cuts,
)
def test_standstill(scans: list[tuple[tuple[int, int], int, int]], limit_ms: int, lengths: list[int]) -> None:
    words, codes = [word for word, *_ in scans], [code for _, code, _ in scans]
    t = times([took for *_, took in scans])
    columns = [np.array(words, np.uint16).reshape(-1, 2), np.array(codes, np.uint8), np.array(t, np.int64)]
    limit = limit_ms * 1_000_000
    told = check_cuts(lambda: FreezeWatch(Standstill(frozen_ns=limit)), columns, lengths)
    assert told.tolist() == frozen(words, codes, t, limit)
