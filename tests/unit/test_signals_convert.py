import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brakewater.quality import Reason, Status
from brakewater.signals import loop, rtd
from brakewater.signals.convert import Bit, CurrentLoop, Direct, Linear, Pt100, Register, Signal, convert
from brakewater.signals.words import RegisterKind
from brakewater.stream import Codes, Words

INT16 = Register(kind=RegisterKind.INT16)
UINT16 = Register(kind=RegisterKind.UINT16)
FLOAT32 = Register(kind=RegisterKind.FLOAT32)


def _int16(*numbers: int) -> Words:
    return np.array(numbers, dtype=np.int16).view(np.uint16)[:, np.newaxis]


def _float32(*numbers: float) -> Words:
    return np.array(numbers, dtype=">f4").view(">u2").astype(np.uint16).reshape(-1, 2)


def _ok(n: int) -> Codes:
    return np.zeros(n, dtype=np.uint8)


def test_direct() -> None:
    values, codes = convert(INT16, Direct(scale=0.1, offset=-40.0), _int16(0, 653, -10), _ok(3))
    np.testing.assert_allclose(values, [-40.0, 25.3, -41.0])
    np.testing.assert_array_equal(codes, [0, 0, 0])
    assert (values.dtype, codes.dtype) == (np.float64, np.uint8)


def test_linear_meets_both_ends_exactly() -> None:
    signal = Linear(raw_low=0, raw_high=27648, low=0.1, high=0.3)
    values, _ = convert(INT16, signal, _int16(0, 13824, 27648), _ok(3))
    assert values[0] == 0.1
    assert values[1] == pytest.approx(0.2)
    assert values[2] == 0.3


def test_current_loop() -> None:
    signal = CurrentLoop(raw_low=0, raw_high=27648, low=0.0, high=10.0)
    words = _int16(-692, -691, -345, 0, 13824, 27648, 28512, 28513, 29375, 29376)
    values, codes = convert(INT16, signal, words, _ok(10))
    low, high, under, over = Reason.LOOP_LOW, Reason.LOOP_HIGH, Reason.UNDER_RANGE, Reason.OVER_RANGE
    np.testing.assert_array_equal(codes, [low, under, 0, 0, 0, 0, 0, over, over, high])
    assert values[0] == values[-1] == 0.0
    assert values[1] == pytest.approx(-691 / 2764.8)  # uncertain keeps the number
    assert values[4] == 5.0


def test_falling_loop() -> None:
    signal = CurrentLoop(raw_low=20000, raw_high=4000, low=0.0, high=10.0)
    values, codes = convert(UINT16, signal, _int16(20000, 4000, 3000), _ok(3))
    np.testing.assert_array_equal(values, [0.0, 10.0, 0.0])
    np.testing.assert_array_equal(codes, [0, 0, Reason.LOOP_HIGH])


def test_pt100_and_pt1000() -> None:
    hundred = convert(UINT16, Pt100(ohms_per_count=0.01), _int16(11940), _ok(1))
    thousand = convert(UINT16, Pt100(ohms_per_count=0.1, r0=1000.0), _int16(11940), _ok(1))
    assert hundred[0][0] == pytest.approx(50.0, abs=0.01)
    assert thousand[0][0] == pytest.approx(hundred[0][0], rel=1e-12)


def test_pt100_leads_taken_off() -> None:
    values, _ = convert(FLOAT32, Pt100(ohms_offset=-1.0), _float32(101.0), _ok(1))
    assert values[0] == 0.0


def test_pt100_broken() -> None:
    values, codes = convert(FLOAT32, Pt100(), _float32(400.0, 0.0), _ok(2))
    np.testing.assert_array_equal(values, [0.0, 0.0])
    np.testing.assert_array_equal(codes, [Reason.SENSOR_OPEN, Reason.SENSOR_SHORT])


@pytest.mark.parametrize(("inverted", "expected"), [(False, [0.0, 1.0]), (True, [1.0, 0.0])])
def test_bit(*, inverted: bool, expected: list[float]) -> None:
    register = Register(kind=RegisterKind.BIT, bit=3)
    values, codes = convert(register, Bit(inverted=inverted), _int16(0, 8), _ok(2))
    np.testing.assert_array_equal(values, expected)
    np.testing.assert_array_equal(codes, [0, 0])


@pytest.mark.parametrize(
    "signal",
    [
        Direct(),
        Linear(raw_low=0, raw_high=1, low=0, high=1),
        CurrentLoop(raw_low=0, raw_high=1, low=0, high=1),
        Pt100(),
        Bit(),
        Bit(inverted=True),
    ],
)
def test_no_number_is_bad_whatever_the_signal(signal: Signal) -> None:
    values, codes = convert(FLOAT32, signal, _float32(np.nan, np.inf, -np.inf), _ok(3))
    np.testing.assert_array_equal(values, [0.0] * 3)
    np.testing.assert_array_equal(codes, [Reason.NOT_A_NUMBER] * 3)


def test_overflow_is_no_number() -> None:
    register = Register(kind=RegisterKind.FLOAT64)
    words = np.array([1e308], dtype=">f8").view(">u2").astype(np.uint16).reshape(1, 4)
    for signal in (Direct(scale=1e10), Linear(raw_low=0, raw_high=1, low=0, high=100), Pt100(ohms_per_count=1e10)):
        values, codes = convert(register, signal, words, _ok(1))
        assert (values[0], codes[0]) == (0.0, Reason.NOT_A_NUMBER)


@pytest.mark.parametrize(
    ("status", "reason"),
    [
        (Status.SILENT, Reason.NO_ANSWER),
        (Status.SHORT, Reason.WRONG_ANSWER),
        (Status.EXCEPTION | 2, Reason.REFUSED_BY_DEVICE),
        (77, Reason.WRONG_ANSWER),
    ],
)
def test_status_rules_over_words(status: int, reason: Reason) -> None:
    words = _float32(20.0, np.nan)
    values, codes = convert(FLOAT32, Direct(), words, np.array([status, status], dtype=np.uint8))
    np.testing.assert_array_equal(values, [0.0, 0.0])
    np.testing.assert_array_equal(codes, [reason, reason])


def test_words_and_status_must_be_of_one_length() -> None:
    with pytest.raises(ValueError, match="allowed: 2"):
        convert(INT16, Direct(), _int16(1, 2), _ok(1))


@pytest.mark.parametrize(
    ("record", "fields", "key"),
    [
        (Register, {"kind": RegisterKind.BIT, "bit": 16}, "bit"),
        (Register, {"kind": RegisterKind.BIT, "bit": -1}, "bit"),
        (Register, {"kind": RegisterKind.INT16, "bit": 1}, "bit"),
        (Direct, {"scale": 0.0}, "scale"),
        (Direct, {"offset": float("nan")}, "offset"),
        (Linear, {"raw_low": 1, "raw_high": 1, "low": 0, "high": 1}, "raw_high"),
        (Linear, {"raw_low": 0, "raw_high": 1, "low": 2, "high": 2}, "high"),
        (CurrentLoop, {"raw_low": 1, "raw_high": 1, "low": 0, "high": 1}, "raw_high"),
        (CurrentLoop, {"raw_low": 0, "raw_high": 1, "low": 0, "high": float("inf")}, "high"),
        (Pt100, {"ohms_per_count": 0.0}, "ohms_per_count"),
        (Pt100, {"r0": -100.0}, "r0"),
    ],
)
def test_records_refuse_nonsense(record: Any, fields: dict[str, Any], key: str) -> None:
    with pytest.raises(ValueError, match=f"^{key}: found .*; allowed: "):
        record(**fields)


SIGNALS: list[tuple[Register, Signal]] = [
    (FLOAT32, Direct(scale=0.3, offset=0.1)),
    (FLOAT32, Linear(raw_low=0.1, raw_high=0.7, low=-3, high=0.3)),
    (INT16, CurrentLoop(raw_low=0, raw_high=27648, low=0.1, high=0.3)),
    (UINT16, Pt100(ohms_per_count=0.01)),
    (Register(kind=RegisterKind.FLOAT32, words_high_first=False, bytes_high_first=False), Pt100(r0=1000.0)),
    (Register(kind=RegisterKind.BIT, bit=2), Bit(inverted=True)),
]


@given(
    chosen=st.sampled_from(SIGNALS),
    seed=st.integers(0, 2**32 - 1),
    n=st.integers(1, 70),
    cuts=st.lists(st.integers(0, 70), max_size=6),
)
def test_any_cut_gives_the_same_bits(chosen: tuple[Register, Signal], seed: int, n: int, cuts: list[int]) -> None:
    register, signal = chosen
    rng = np.random.default_rng(seed)
    words = rng.integers(0, 2**16, (n, 2 if register.kind is RegisterKind.FLOAT32 else 1), dtype=np.uint16)
    status = np.where(rng.random(n) < 0.2, rng.integers(0, 256, n), 0).astype(np.uint8)
    values, codes = convert(register, signal, words, status)
    edges = sorted({0, n, *(cut for cut in cuts if cut < n)})
    pieces = [convert(register, signal, words[a:b], status[a:b]) for a, b in itertools.pairwise(edges)]
    assert b"".join(piece[0].tobytes() for piece in pieces) == values.tobytes()
    assert b"".join(piece[1].tobytes() for piece in pieces) == codes.tobytes()
    assert np.isfinite(values).all()
    assert (values[codes >= 64] == 0.0).all()


def test_loop_and_rtd_are_what_convert_uses() -> None:
    values, codes = convert(UINT16, Pt100(ohms_per_count=0.01), _int16(9000), _ok(1))
    assert values[0] == rtd.degc_of_ohms(np.array([90.0]))[0]
    _, codes = convert(UINT16, CurrentLoop(raw_low=4000, raw_high=20000, low=0, high=1), _int16(3700), _ok(1))
    assert codes[0] == loop.codes(np.array([3.7]))[0]
