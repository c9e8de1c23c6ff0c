"""Damping, jumps and standstill, in closed form."""

import json

import numpy as np
import pytest

from brakewater.quality import Reason
from brakewater.signals.damping import Damper, Damping
from brakewater.signals.frozen import FreezeWatch, Standstill
from brakewater.signals.jump import JumpFilter, JumpLimit
from brakewater.signals.trim import Trim, trimmed
from brakewater.stream import Codes, Floats, Ints

S = 1_000_000_000
FIVE = Damping(damping_ns=S // 2, scan_ns=S // 5)
"""Five scans."""


def _t(n: int) -> Ints:
    return np.arange(n) * (S // 5)


def _damped(values: list[float], codes: list[int] | None = None, t: Ints | None = None) -> tuple[Floats, Codes]:
    told = np.array(codes or [0] * len(values), np.uint8)
    return Damper(FIVE).feed(np.array(values), told, _t(len(values)) if t is None else t)


def test_scans_of_a_damping() -> None:
    assert FIVE.scans == 5
    assert Damping(damping_ns=1, scan_ns=S).scans == 1
    assert Damping(damping_ns=60 * S, scan_ns=S // 5).scans == 600


def test_a_step_is_through_after_n_scans() -> None:
    values, codes = _damped([0.0] * 6 + [10.0] * 6)
    np.testing.assert_allclose(values[5:], [0, 2, 4, 6, 8, 10, 10], rtol=1e-15)
    assert not codes.any()


def test_the_first_sample_stands_for_itself() -> None:
    values, codes = _damped([3.0, 5.0])
    assert (values.tolist(), codes.tolist()) == ([3.0, 4.0], [0, 0])


def test_a_bad_newest_sample_shows_at_once_and_is_left_out_after() -> None:
    values, codes = _damped([1.0, 1.0, 99.0, 1.0, 2.0], [0, 0, Reason.LOOP_HIGH, 0, 0])
    assert values.tolist() == [1.0, 1.0, 0.0, 1.0, 1.25]
    assert codes.tolist() == [0, 0, Reason.LOOP_HIGH, 0, 0]


def test_after_a_failure_as_long_as_the_window_the_new_sample_stands_for_itself() -> None:
    values, codes = _damped([1.0] + [0.0] * 5 + [7.0], [0] + [Reason.NO_ANSWER] * 5 + [0])
    assert (values[-1], codes[-1]) == (7.0, 0)


def test_a_mean_is_as_uncertain_as_the_worst_in_it() -> None:
    _, codes = _damped([1.0] * 8, [0, Reason.OVER_RANGE, Reason.OLD, 0, 0, 0, 0, 0])
    assert codes.tolist() == [0, 11, 20, 20, 20, 20, 20, 0]


def test_a_gap_in_time_begins_afresh() -> None:
    t = _t(4)
    t[2:] += 2 * S
    values, _ = _damped([1.0, 1.0, 5.0, 7.0], t=t)
    assert values.tolist() == [1.0, 1.0, 5.0, 6.0]


def test_a_gap_of_just_the_window_too() -> None:
    just, less = (Damper(FIVE).feed(np.array([1.0, 5.0]), np.zeros(2, np.uint8), np.array([0, t])) for t in (S, S - 1))
    assert (just[0][-1], less[0][-1]) == (5.0, 3.0)


def test_no_damping_and_nothing_fed() -> None:
    one = Damper(Damping(damping_ns=1, scan_ns=S))
    values, _ = one.feed(np.array([1.0, 0.1]), np.zeros(2, np.uint8), _t(2))
    assert values.tolist() == [1.0, 0.1]
    values, codes = one.feed(np.empty(0), np.empty(0, np.uint8), np.empty(0, np.int64))
    assert (len(values), len(codes)) == (0, 0)


def test_overflow_is_no_number() -> None:
    values, codes = _damped([1.7e308, 1.7e308])
    assert (values.tolist(), codes.tolist()) == ([1.7e308, 0.0], [0, Reason.NOT_A_NUMBER])


def _jumps(values: list[float], codes: list[int] | None = None, t: Ints | None = None) -> tuple[Floats, Codes]:
    told = np.array(codes or [0] * len(values), np.uint8)
    return JumpFilter(JumpLimit(per_s=5.0)).feed(np.array(values), told, _t(len(values)) if t is None else t)


def test_a_spike_is_refused_and_what_follows_is_not() -> None:
    values, codes = _jumps([10.0, 11.0, 50.0, 11.5, 12.0])
    assert codes.tolist() == [0, 0, Reason.JUMP, 0, 0]
    assert values.tolist() == [10.0, 11.0, 0.0, 11.5, 12.0]


def test_the_limit_itself_is_allowed() -> None:
    assert not _jumps([10.0, 11.0, 10.0])[1].any()
    assert _jumps([10.0, 11.0001])[1].tolist() == [0, Reason.JUMP]


def test_a_new_level_is_believed_at_its_fourth_sample() -> None:
    values, codes = _jumps([10.0, 30.0, 30.1, 30.0, 30.1, 30.0])
    assert codes.tolist() == [0, Reason.JUMP, Reason.JUMP, Reason.JUMP, 0, 0]
    assert values[4] == 30.1


def test_time_without_a_sample_allows_for_more() -> None:
    bad = [0, *[int(Reason.NO_ANSWER)] * 4, 0]
    assert _jumps([10.0, 0, 0, 0, 0, 15.0], bad)[1].tolist() == bad
    assert _jumps([10.0, 0, 0, 0, 0, 15.1], bad)[1][-1] == Reason.JUMP


def test_a_sample_met_again_is_judged_as_it_was_and_not_counted() -> None:
    t = np.repeat(np.arange(6) * (S // 5), 3)
    _, codes = _jumps(np.repeat([10.0, 30.0, 30.0, 30.0, 30.0, 30.0], 3).tolist(), t=t)
    assert codes.tolist() == [0] * 3 + [Reason.JUMP] * 9 + [0] * 6


def test_from_one_end_of_the_numbers_to_the_other() -> None:
    assert _jumps([-1.7e308, 1.7e308])[1].tolist() == [0, Reason.JUMP]


WATCH = Standstill(frozen_ns=S)


def _frozen(words: list[int], codes: list[int] | None = None, t: Ints | None = None) -> Codes:
    told = np.array(codes or [0] * len(words), np.uint8)
    column = np.array(words, np.uint16)[:, np.newaxis]
    return FreezeWatch(WATCH).feed(column, told, _t(len(words)) if t is None else t)


def test_frozen_only_after_longer_than_the_limit_and_until_a_bit_moves() -> None:
    assert _frozen([7] * 8 + [8, 8]).tolist() == [0] * 6 + [Reason.FROZEN] * 2 + [0, 0]


def test_a_single_bit_of_any_word_is_movement() -> None:
    words = np.zeros((12, 2), np.uint16)
    words[5:, 1] = 1
    told = FreezeWatch(WATCH).feed(words, np.zeros(12, np.uint8), _t(12))
    assert told.tolist() == [0] * 11 + [Reason.FROZEN]


def test_a_bad_code_says_more() -> None:
    codes = [int(Reason.LOOP_LOW)] * 8
    assert _frozen([0] * 8, codes).tolist() == codes


def test_failed_polls_are_passed_over() -> None:
    codes = [0, 0, *[int(Reason.NO_ANSWER)] * 3, 0, 0, 0]
    assert _frozen([7, 7, 0, 0, 0, 7, 7, 7], codes).tolist() == [*codes[:6], Reason.FROZEN, Reason.FROZEN]


def test_a_long_silence_begins_anew() -> None:
    t = _t(8)
    t[6:] += 5 * S
    assert not _frozen([7] * 8, t=t).any()


def test_a_slow_line_counts_by_sample_time() -> None:
    t = np.repeat(np.array([0, S]), 6)
    assert not _frozen([7] * 12, t=t).any()


def test_states_are_json() -> None:
    damper, jump, frozen = Damper(FIVE), JumpFilter(JumpLimit(per_s=1.0)), FreezeWatch(WATCH)
    for stage in (damper, jump, frozen):
        json.dumps(stage.state(), allow_nan=False)
    t, zero = _t(9) + 10**18, np.zeros(9, np.uint8)
    damper.feed(np.arange(9.0), zero, t)
    jump.feed(np.arange(9.0), zero, t)
    frozen.feed(np.zeros((9, 2), np.uint16), zero, t)
    for stage in (damper, jump, frozen):
        assert len(json.dumps(stage.state(), allow_nan=False)) < 300


@pytest.mark.parametrize(
    ("build", "key"),
    [
        (lambda: Damping(damping_ns=0, scan_ns=S), "damping_ns"),
        (lambda: Damping(damping_ns=S, scan_ns=0), "scan_ns"),
        (lambda: Damping(damping_ns=301 * S, scan_ns=S), "damping_ns"),
        (lambda: JumpLimit(per_s=0.0), "per_s"),
        (lambda: JumpLimit(per_s=float("inf")), "per_s"),
        (lambda: Standstill(frozen_ns=0), "frozen_ns"),
    ],
)
def test_nonsense_is_refused(build, key: str) -> None:  # noqa: ANN001 - a table of lambdas
    with pytest.raises(ValueError, match=f"^{key}: found .*; allowed: .*; "):
        build()


@pytest.mark.parametrize("gain", [0.79, 1.26])
def test_a_correction_of_a_quarter_or_more_is_no_trim(gain: float) -> None:
    with pytest.raises(ValueError, match=r"gain: found .*; allowed: 0.8 to 1.25.*mend the range"):
        Trim(gain=gain)


def test_a_trim_puts_right_what_is_measured_and_nothing_that_is_bad() -> None:
    values, codes = np.array([10.0, 0.0, 1.7e308]), np.array([0, Reason.LOOP_LOW, 0], np.uint8)
    right, told = trimmed(Trim(gain=1.25, offset=-2.0), values, codes)
    assert right.tolist() == [10.5, 0.0, 0.0]
    assert told.tolist() == [0, Reason.LOOP_LOW, Reason.NOT_A_NUMBER]
