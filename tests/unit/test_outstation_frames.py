"""Requests and answers byte by byte; examples from MODBUS Application Protocol Specification V1.1b3, chapter 6."""

import random
from dataclasses import replace

import pytest

from brakewater.field.outstation_frames import NotModbusError, Tables, answer, framed, take


def tables(size: int = 200, bits: int = 0, count: int = 256) -> tuple[Tables, list[tuple[int, bool]]]:
    written: list[tuple[int, bool]] = []
    registers = b"".join(at.to_bytes(2, "big") for at in range(size))
    made = Tables(
        registers=registers,
        discrete=bits,
        discrete_count=count,
        coils=0b0101,
        coil_count=4,
        write=lambda at, value: written.append((at, value)),
    )
    return made, written


def ask(text: str, made: Tables | None = None) -> str:
    return answer(bytes.fromhex(text), made or tables()[0]).hex(" ")


def test_registers_read_the_same_in_both_tables() -> None:
    assert ask("03 0000 0003") == "03 06 00 00 00 01 00 02"
    assert ask("04 0010 0001") == "04 02 00 10"
    assert len(ask("03 0000 007d").split()) == 2 + 250


def test_discrete_inputs_come_lowest_first() -> None:
    """6.2, example: inputs 197 to 218 (addresses 196 to 217) are AC DB 35."""
    made, _ = tables(bits=0x35DBAC << 196)
    assert ask("02 00c4 0016", made) == "02 03 ac db 35"


def test_coils_that_are_not_taken_now_are_refused_as_busy() -> None:
    made = replace(tables()[0], write=None)
    assert ask("05 0002 ff00", made) == "85 06"
    assert ask("0f 0000 0004 01 01", made) == "8f 06"
    assert ask("05 0009 ff00", made) == "85 02"  # which coil comes first
    assert ask("01 0000 0004", made) == "01 01 05"


def test_coils_read_and_write() -> None:
    """6.5, example: FF00 echoes; 6.11: an answer of function 15 names address and count."""
    made, written = tables()
    assert ask("01 0000 0004", made) == "01 01 05"
    assert ask("05 0002 ff00", made) == "05 00 02 ff 00"
    assert ask("05 0003 0000", made) == "05 00 03 00 00"
    assert ask("0f 0000 0003 01 05", made) == "0f 00 00 00 03"
    assert written == [(2, True), (3, False), (0, True), (1, False), (2, True)]


@pytest.mark.parametrize(
    ("asked", "code"),
    [
        ("06 0000 0001", 1),
        ("10 0000 0001 02 0001", 1),
        ("2b 0e 01 00", 1),
        ("03 00c8 0001", 2),
        ("03 00c7 0002", 2),
        ("03 ffff 0002", 2),
        ("02 0100 0001", 2),
        ("01 0004 0001", 2),
        ("05 0004 ff00", 2),
        ("0f 0003 0002 01 03", 2),
        ("03 0000 0000", 3),
        ("03 0000 007e", 3),
        ("02 0000 07d1", 3),
        ("03 0000 00", 3),
        ("03 0000 0001 00", 3),
        ("05 0000 0001", 3),
        ("05 0000", 3),
        ("0f 0000 0000 00", 3),
        ("0f 0000 0002 02 03 00", 3),
        ("0f 0000 0002 01", 3),
        ("0f 0000 07b1 f7" + "00" * 0xF7, 3),
        ("0f", 3),
    ],
)
def test_what_is_wrong_is_refused_and_writes_nothing(asked: str, code: int) -> None:
    made, written = tables()
    request = bytes.fromhex(asked)
    assert answer(request, made) == bytes((request[0] | 0x80, code))
    assert written == []


def test_frames_are_taken_whole_however_they_come() -> None:
    stream = bytes.fromhex("0001 0000 0006 01 03 0000 00010002 0000 0006 07 04 0005 0002")
    buffer, found = bytearray(), []
    for octet in stream:
        buffer.append(octet)
        frame = take(buffer)
        if frame is not None:
            found.append(frame)
    assert [(one.transaction, one.unit, one.request.hex()) for one in found] == [
        (1, 1, "0300000001"), (2, 7, "0400050002"),
    ]  # fmt: skip
    assert framed(found[1], b"\x84\x02").hex(" ") == "00 02 00 00 00 03 07 84 02"
    assert not buffer


@pytest.mark.parametrize("head", ["0001 0001 0006 01", "0001 0000 0001 01", "0001 0000 00ff 01", "0001 0000 ffff 01"])
def test_what_is_no_modbus_is_told(head: str) -> None:
    with pytest.raises(NotModbusError):
        take(bytearray.fromhex(head))


def test_no_bytes_break_it() -> None:
    dice = random.Random(4)
    made, _ = tables()
    for _ in range(20_000):
        request = dice.randbytes(dice.randint(1, 12))
        found = answer(request, made)
        assert 2 <= len(found) <= 253
        assert found[0] in (request[0], request[0] | 0x80)
