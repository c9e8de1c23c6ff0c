"""The judgement of raw answers: what fits, byte by byte."""

import random

import pytest

from brakewater.field.frames import MOST, Answer, Read
from brakewater.field.frames_tcp import due, judge
from brakewater.quality import Status
from brakewater.rig.tables import Table

# MODBUS Application Protocol Specification V1.1b3, 6.3: read holding registers 108 to 110 (address 0x6B), answer
# 022B 0000 0064; header of our own (transaction 0x1234, unit 17).
REQUEST = bytes.fromhex("1234 0000 0006 11 03 006B 0003")
GOOD = bytes.fromhex("1234 0000 0009 11 03 06 022B 0000 0064")
REFUSAL = bytes.fromhex("1234 0000 0003 11 83 02")
# 6.1: read coils 20 to 38 (address 0x13, 19 of them), answer CD 6B 05 (both examples written from memory of the text).
REQUEST_BITS = bytes.fromhex("1234 0000 0006 11 01 0013 0013")
GOOD_BITS = bytes.fromhex("1234 0000 0006 11 01 03 CD 6B 05")


@pytest.mark.parametrize(("request_", "good"), [(REQUEST, GOOD), (REQUEST_BITS, GOOD_BITS)])
def test_the_specification_s_own_examples_fit(request_: bytes, good: bytes) -> None:
    assert judge(due(request_), good) == Status.OK


def test_a_refusal_carries_its_code() -> None:
    assert judge(due(REQUEST), REFUSAL) == Status.EXCEPTION | 2


@pytest.mark.parametrize("whole", [GOOD, REFUSAL])
def test_every_beginning_waits_for_more_and_every_excess_is_a_mismatch(whole: bytes) -> None:
    assert {judge(due(REQUEST), whole[:n]) for n in range(len(whole))} == {None}
    assert judge(due(REQUEST), whole + b"\x00") == Status.MISMATCH


@pytest.mark.parametrize("place", range(9))
def test_no_other_byte_is_accepted_in_the_head(place: int) -> None:
    for value in set(range(256)) - {GOOD[place]}:
        other = GOOD[:place] + bytes((value,)) + GOOD[place + 1 :]
        assert judge(due(REQUEST), other) in (Status.MISMATCH, Status.SHORT)


@pytest.mark.parametrize("code", [0, 0x80, 0xFF])
def test_a_refusal_without_a_code_we_can_carry_is_a_mismatch(code: int) -> None:
    assert judge(due(REQUEST), REFUSAL[:-1] + bytes((code,))) == Status.MISMATCH


def test_less_data_than_asked_for_is_short_however_it_is_cut() -> None:
    short = bytes.fromhex("1234 0000 0007 11 03 04 022B 0000")
    assert {judge(due(REQUEST), short[:n]) for n in range(6)} == {None}
    assert {judge(due(REQUEST), short[:n]) for n in range(6, len(short) + 1)} == {Status.SHORT}


def test_noise_never_fits() -> None:
    noise = random.Random(2)
    for _ in range(5000):
        assert judge(due(REQUEST), noise.randbytes(noise.randrange(1, 40))) in (None, Status.MISMATCH)


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"unit": 256}, "unit is 256; allowed are 0 to 255"),
        ({"count": 0}, "count is 0; allowed are 1 to 125"),
        ({"count": 126}, "count is 126; allowed are 1 to 125"),
        ({"table": Table.COIL, "count": 2001}, "count is 2001; allowed are 1 to 2000"),
        ({"address": -1}, "address is -1; allowed are 0 to 65535"),
        ({"address": 65535, "count": 2}, "address is 65535; allowed are 0 to 65534"),
    ],
)
def test_a_read_that_cannot_be_answered_is_not_built(changed: dict[str, int], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        Read(**{"unit": 1, "table": Table.INPUT, "address": 0, "count": 1, **changed})  # type: ignore[arg-type]


def test_the_largest_reads_are_built() -> None:
    for table, most in MOST.items():
        assert Read(unit=255, table=table, address=65536 - most, count=most).table.is_bits == (most == 2000)
    assert Answer(status=0, words=(1,), sent_ns=1, answered_ns=2).words == (1,)
