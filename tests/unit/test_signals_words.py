import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brakewater.signals.words import RegisterKind, decode, register_count
from brakewater.stream import Words

FORMATS = {
    RegisterKind.INT16: ">h",
    RegisterKind.UINT16: ">H",
    RegisterKind.INT32: ">i",
    RegisterKind.UINT32: ">I",
    RegisterKind.FLOAT32: ">f",
    RegisterKind.FLOAT64: ">d",
}


def _words(wire: bytes) -> Words:
    return np.array([struct.unpack(f">{len(wire) // 2}H", wire)], dtype=np.uint16)


def _reordered(wire: bytes, *, words_high_first: bool, bytes_high_first: bool) -> bytes:
    registers = [wire[i : i + 2] for i in range(0, len(wire), 2)]
    registers = registers if words_high_first else registers[::-1]
    return b"".join(r if bytes_high_first else r[::-1] for r in registers)


@given(
    kind=st.sampled_from(list(FORMATS)),
    data=st.binary(min_size=8, max_size=8),
    words_high_first=st.booleans(),
    bytes_high_first=st.booleans(),
)
def test_every_kind_in_every_order_reads_as_struct_does(
    *, kind: RegisterKind, data: bytes, words_high_first: bool, bytes_high_first: bool
) -> None:
    wire = data[: struct.calcsize(FORMATS[kind])]
    sent = _words(_reordered(wire, words_high_first=words_high_first, bytes_high_first=bytes_high_first))
    got = decode(sent, kind, words_high_first=words_high_first, bytes_high_first=bytes_high_first)
    assert got.dtype == np.float64
    np.testing.assert_array_equal(got, [float(struct.unpack(FORMATS[kind], wire)[0])])


@pytest.mark.parametrize(
    ("kind", "count"),
    [("int16", 1), ("uint16", 1), ("int32", 2), ("uint32", 2), ("float32", 2), ("float64", 4), ("bit", 1)],
)
def test_register_count(kind: str, count: int) -> None:
    assert register_count(RegisterKind(kind)) == count


@pytest.mark.parametrize("wire", ["7FC00000", "7F800001", "FFFFFFFF"])
def test_nan_is_kept_without_a_warning(wire: str) -> None:
    assert np.isnan(decode(_words(bytes.fromhex(wire)), RegisterKind.FLOAT32)[0])


def test_infinity_is_kept() -> None:
    assert decode(_words(bytes.fromhex("FF800000")), RegisterKind.FLOAT32)[0] == -np.inf


@pytest.mark.parametrize("bit", range(16))
def test_bits_count_from_the_low_end(bit: int) -> None:
    only = np.array([[1 << bit], [0xFFFF ^ (1 << bit)]], dtype=np.uint16)
    np.testing.assert_array_equal(decode(only, RegisterKind.BIT, bit=bit), [1.0, 0.0])


def test_a_bit_of_a_register_with_swapped_bytes() -> None:
    swapped = np.array([[0x0100]], dtype=np.uint16)
    assert decode(swapped, RegisterKind.BIT, bytes_high_first=False, bit=0)[0] == 1.0


def test_a_coil_is_its_word() -> None:
    np.testing.assert_array_equal(decode(np.array([[0], [1]], dtype=np.uint16), RegisterKind.BIT), [0.0, 1.0])


def test_columns_cut_out_of_a_wider_scan() -> None:
    scan = np.array([[9, 0x4296, 0, 9], [9, 0x4320, 0, 9]], dtype=np.uint16)
    np.testing.assert_array_equal(decode(scan[:, 1:3], RegisterKind.FLOAT32), [75.0, 160.0])


def test_no_scans() -> None:
    assert decode(np.empty((0, 2), dtype=np.uint16), RegisterKind.INT32).shape == (0,)


@pytest.mark.parametrize("shape", [(3,), (3, 1), (3, 4)])
def test_wrong_number_of_columns(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match=r"allowed: \[n, 2\] for float32"):
        decode(np.zeros(shape, dtype=np.uint16), RegisterKind.FLOAT32)
