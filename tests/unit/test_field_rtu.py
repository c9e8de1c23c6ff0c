"""RTU frames judged on their raw bytes."""

import random

import pytest
from pymodbus.framer import FramerRTU

from brakewater.field.frames_rtu import checksum, due, judge, misfit
from brakewater.quality import Status
from faults.device import checksum as bitwise

# MODBUS Application Protocol Specification V1.1b3, 6.3: read holding registers 108 to 110 (address 0x6B), answer
# 022B 0000 0064; 6.1: read coils 20 to 38, answer CD 6B 05 (both written from memory of the text); unit 17 is our own.
REQUEST = bytes.fromhex("11 03 006B 0003 7687")
DATA = bytes.fromhex("11 03 06 022B 0000 0064")
BITS_REQUEST = bytes.fromhex("11 01 0013 0013")
BITS = bytes.fromhex("11 01 03 CD 6B 05")


def sealed(body: bytes) -> bytes:
    return body + bitwise(body)


GOOD = sealed(DATA)
REFUSAL = sealed(bytes.fromhex("11 83 02"))
WANTED = due(REQUEST)


@pytest.mark.parametrize(
    ("body", "wire"),
    [
        # MODBUS over Serial Line Specification and Implementation Guide, appendix on CRC: 0x1241 (from memory of the
        # text); confirmed with crcmod, minimalmodbus and pymodbus.
        ("02 07", "41 12"),
        # The rest by our own calculation and pymodbus; the first stands in several public RTU examples as well.
        ("01 03 00 00 00 02", "C4 0B"),
        ("01 03 00 00 00 0A", "C5 CD"),
        ("11 03 00 6B 00 03", "76 87"),
    ],
)
def test_checksums_known_elsewhere(body: str, wire: str) -> None:
    assert checksum(bytes.fromhex(body)) == bytes.fromhex(wire)


def test_the_checksum_s_check_value() -> None:
    assert int.from_bytes(checksum(b"123456789"), "little") == 0x4B37  # "CRC-16/MODBUS" in catalogues of CRCs


def test_the_checksum_agrees_with_two_others() -> None:
    noise = random.Random(5)
    for _ in range(300):
        data = noise.randbytes(noise.randrange(1, 256))
        assert checksum(data) == bitwise(data) == FramerRTU.compute_CRC(data).to_bytes(2, "big")


@pytest.mark.parametrize(("request_", "good"), [(REQUEST, GOOD), (sealed(BITS_REQUEST), sealed(BITS))])
def test_the_specification_s_own_examples_fit(request_: bytes, good: bytes) -> None:
    assert judge(due(request_), good) == Status.OK


def test_a_refusal_carries_its_code() -> None:
    for code in range(1, 12):
        assert judge(WANTED, sealed(bytes((0x11, 0x83, code)))) == Status.EXCEPTION | code


@pytest.mark.parametrize("whole", [GOOD, REFUSAL])
def test_every_beginning_waits_for_more_and_every_excess_is_a_mismatch(whole: bytes) -> None:
    assert {judge(WANTED, whole[:n]) for n in range(len(whole))} == {None}
    assert judge(WANTED, whole + b"\x00") == Status.MISMATCH
    assert judge(WANTED, whole * 2) == Status.MISMATCH


@pytest.mark.parametrize("whole", [GOOD, REFUSAL])
def test_one_or_two_wrong_bits_are_always_found(whole: bytes) -> None:
    """A CRC-16 finds every error of up to two bits in frames this short; however the frame comes, cut at any byte."""
    bits = 8 * len(whole)
    for first in range(bits):
        for second in (first, *range(first + 1, bits, 5)):
            bent = bytearray(whole)
            for place in {first, second}:
                bent[place // 8] ^= 1 << place % 8
            verdicts = [judge(WANTED, bytes(bent[: n + 1])) for n in range(len(bent))]
            assert set(verdicts) <= {None, Status.MISMATCH, Status.SHORT}
            assert Status.SHORT not in verdicts


@pytest.mark.parametrize("place", range(3))
def test_no_other_head_is_accepted_even_with_a_right_checksum(place: int) -> None:
    for value in set(range(256)) - {DATA[place]}:
        other = sealed(DATA[:place] + bytes((value,)) + DATA[place + 1 :])
        assert judge(WANTED, other) == Status.MISMATCH


def test_less_data_than_asked_for_is_short_once_its_checksum_is_right() -> None:
    short = sealed(bytes.fromhex("11 03 04 022B 0000"))
    assert {judge(WANTED, short[:n]) for n in range(len(short))} == {None}
    assert judge(WANTED, short) == Status.SHORT
    assert judge(WANTED, short[:-1] + b"\x00") == Status.MISMATCH


@pytest.mark.parametrize("code", [0, 0x80, 0xFF])
def test_a_refusal_without_a_code_we_can_carry_is_a_mismatch(code: int) -> None:
    assert judge(WANTED, sealed(bytes((0x11, 0x83, code)))) == Status.MISMATCH


def test_noise_never_fits() -> None:
    noise = random.Random(2)
    for _ in range(5000):
        assert judge(WANTED, noise.randbytes(noise.randrange(1, 40))) in (None, Status.MISMATCH)


@pytest.mark.parametrize(
    ("got", "says"),
    [
        (REQUEST, "echo of the request"),
        (REQUEST + GOOD, "echo of the request"),
        (GOOD[:-1] + b"\x00", "checksum wrong"),
        (GOOD + b"\x00", "bytes beyond the answer"),
        (b"\x00" + GOOD, "bytes before the answer"),
        (sealed(bytes.fromhex("11 03 04 022B 0000")), "less data than asked for"),
        (sealed(bytes.fromhex("11 03 08 022B 0000 0064 0065")), "more data than asked for"),
        (sealed(b"\x12" + DATA[1:]), "unit 18 answered"),
        (sealed(b"\x11\x04" + DATA[2:]), "function 4 answered"),
        (sealed(bytes.fromhex("11 83 00")), "exception code unknown"),
        (bytes.fromhex("0001 0000 0009") + DATA, "framed as Modbus TCP"),
        (b"\r\nlogin: ", "noise"),
        (b"\xff", "noise"),
    ],
)
def test_what_does_not_fit_is_named(got: bytes, says: str) -> None:
    assert judge(WANTED, got) in (Status.MISMATCH, Status.SHORT)
    assert misfit(WANTED, got) == says


def test_naming_never_fails_whatever_came() -> None:
    noise = random.Random(7)
    for _ in range(20000):
        got = noise.choice((GOOD, REFUSAL, REQUEST, b""))[: noise.randrange(9)] + noise.randbytes(noise.randrange(9))
        if judge(WANTED, got) in (Status.MISMATCH, Status.SHORT):
            assert misfit(WANTED, got)
